"""What accepted rows of a record type look like: the promise of intake to every later stage."""

from __future__ import annotations

from functools import cache

import pandas as pd
import pandera.pandas as pa
from pandera.config import ValidationDepth, config_context

from reconcile.errors import FaultError
from reconcile.records import RECORDS, Column

_TYPES = {
    "money": "Int64",
    "price": "Int64",
    "count": "Int64",
    "date": "datetime64[s]",
    "flag": "bool",
}


def _column(column: Column) -> pa.Column:
    kind = _TYPES.get(column.kind, "str")
    checks = []
    if column.kind == "count" or (column.kind in ("money", "price") and not column.below_zero):
        checks.append(pa.Check.ge(0))
    if column.required and kind == "str":
        checks.append(pa.Check.ne(""))
    return pa.Column(kind, checks, nullable=kind != "bool" and not column.required)


@cache
def schema(record: str) -> pa.DataFrameSchema:
    """The schema of a record type's accepted rows; columns no source brings are absent."""
    columns = {column.typed: _column(column) for column in RECORDS[record].columns}
    for column in columns.values():
        column.required = False
    places = {"source": "str", "file": "int64", "row": "int64", "age": "int64"}
    return pa.DataFrameSchema(
        columns | {name: pa.Column(kind) for name, kind in places.items()}, coerce=False
    )


def checked(record: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The same frame, once it has been held to the schema, whatever the environment says of it.

    Raises FaultError: rows that do not fit were rejected before, so this is a fault of intake.
    """
    whole = config_context(
        validation_enabled=True, validation_depth=ValidationDepth.SCHEMA_AND_DATA
    )
    try:
        with whole:
            return schema(record).validate(frame, inplace=True)
    except pa.errors.SchemaError as error:
        raise FaultError(f"Rows of {record} are not what intake promises: {error}.") from error
