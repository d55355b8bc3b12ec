"""The CSV files of a report: their names, columns and bytes.

UTF-8 without a mark, comma, LF, texts in double quotes (RFC 4180 allows a reader LF), blank
where there is nothing. The same rows give the same bytes. Long digit strings are whole in the
file; a spreadsheet that opens it as numbers would still round them, and the workbook does not.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from typing import BinaryIO

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from reconcile.allocator import give_back
from reconcile.lean import PIECE
from reconcile.report import columns
from reconcile.report.contents import LISTS, Contents, RejectedFile

_EXCEPTION_COLUMNS = (
    *("id", "rule", "verdict", "severity", "class", "amount", "currency", "amount_home"),
    *("order_ref", "sku", "supplier", "document", "event_date", "due_by", "age_days", "list"),
    *("cause", "explanation", "evidence", "first_seen", "change"),
)
_LINE_COLUMNS = (
    *("order_ref", "store", "line_no", "sku", "supplier", "ordered_date", "state", "ordered"),
    *("live", "billed", "shipped", "posted", "delivered_date", "currency", "agreed"),
    *("billed_amount", "paid"),
)
_ACTION_COLUMNS = (
    *("order_ref", "sku", "supplier", "document", "amount", "currency", "due_by", "what"),
    *("explanation", "action", "id"),
)
_PAY_COLUMNS = ("order_ref", "supplier", "invoice_no", "amount", "currency", "due_by")
_POST_COLUMNS = ("order_ref", "sku", "carrier", "tracking_no")
_REJECTED_COLUMNS = ("source", "file", "sheet", "row", "column", "text", "expected")

# Columns that hold minor units under another name; all but the first are in the row's currency.
_MINOR = {
    "amount_home": "amount_home_minor",
    "amount": "amount_minor",
    "agreed": "agreed_minor",
    "billed_amount": "billed_minor",
    "paid": "paid_minor",
}
_DAYS = frozenset({"event_date", "due_by", "ordered_date", "delivered_date"})
_NUMBERS = frozenset({"age_days", "ordered", "live", "billed", "shipped", "row"})
_RENAMED = {"what": "title"}


def csv_tables(contents: Contents) -> Iterator[tuple[str, Iterable[pa.Table]]]:
    """The tables of each CSV file, one file after another, with its path in the report folder.

    Exceptions and order lines always, lists and rejected rows only where they have rows.
    """
    home = contents.home_currency
    yield "exceptions.csv", _in_pieces(contents, _EXCEPTION_COLUMNS)
    lines = contents.order_lines.pieces()
    yield "order_lines.csv", (_table(piece, _LINE_COLUMNS, home) for piece in lines)
    yield from _list_tables(contents)
    if len(contents.rejected):
        yield "rejected_rows.csv", [_table(contents.rejected, _REJECTED_COLUMNS, home)]


def _list_tables(contents: Contents) -> Iterator[tuple[str, Iterable[pa.Table]]]:
    exceptions, home = contents.exceptions, contents.home_currency
    is_open = exceptions["verdict"] == "open"
    for name in LISTS:
        path = f"lists/{name}.csv"
        if name == "pay":
            if len(contents.pay):
                yield path, [_table(contents.pay, _PAY_COLUMNS, home)]
        elif name == "post":
            named = contents.post_columns or {name: name for name in _POST_COLUMNS}
            if len(contents.post):
                table = _table(contents.post, tuple(named), home)
                yield path, [table.rename_columns(list(named.values()))]
        else:
            chosen = np.flatnonzero(is_open & (exceptions["list"] == name))
            if len(chosen):
                yield path, _in_pieces(contents, _ACTION_COLUMNS, chosen)


def _in_pieces(
    contents: Contents, names: tuple[str, ...], at: NDArray[np.int64] | None = None
) -> Iterator[pa.Table]:
    """All exceptions or those at some places, as tables of not too many rows, at least one."""
    found = contents.exceptions
    sources = [*dict.fromkeys([*map(_source, names), "currency"])]
    for start in range(0, len(found if at is None else at) or 1, PIECE):
        end = start + PIECE
        some = slice(start, end) if at is None else at[start:end]
        yield _table(contents.texts.rows(found, some, sources), names, contents.home_currency)
        give_back()


def _table(frame: pd.DataFrame, names: tuple[str, ...], home: str) -> pa.Table:
    return pa.table({name: _column(frame, name, home) for name in names})


def _source(name: str) -> str:
    return _MINOR.get(name) or _RENAMED.get(name, name)


def _column(frame: pd.DataFrame, name: str, home: str) -> pa.Array:
    if name in _MINOR:
        currency = home if name == "amount_home" else frame["currency"]
        return columns.amounts(frame[_source(name)], currency)
    column = frame[_source(name)]
    if name in _DAYS:
        return columns.days(column)
    # The row of a rejected row and the number of an order line may be texts of the file.
    if name in _NUMBERS and pd.api.types.is_numeric_dtype(column):
        return columns.numbers(column)
    return columns.safe_text(column)


def rejected_bytes(one: RejectedFile) -> bytes:
    """The rejected rows of a file as a file of their own, written as its source reads it."""
    names = [str(name) for name in one.rows.columns]
    texts = [columns.safe_text(one.rows.iloc[:, at]) for at in range(len(names))]
    # Headers too are texts of the file; as a table they would have to be distinct.
    header = columns.safe_text(pd.Series(names, dtype="str"))
    table = pa.table(
        {str(at): pa.concat_arrays([header.slice(at, 1), texts[at]]) for at in range(len(names))}
    )
    written = io.BytesIO()
    form = pa_csv.WriteOptions(include_header=False, delimiter=one.delimiter)
    pa_csv.write_csv(table, written, form)
    text = "\n" * one.above + written.getvalue().decode("utf-8")
    try:
        return text.encode(one.encoding)
    except UnicodeEncodeError:  # a header put together of two lines is written in other signs
        return text.encode()


def write_csv(tables: Iterable[pa.Table], file: BinaryIO) -> None:
    """Write tables of the same columns one below the other, at least one, with one header."""
    first = True
    for table in tables:
        pa_csv.write_csv(table, file, pa_csv.WriteOptions(include_header=first))
        first = False
