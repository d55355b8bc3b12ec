"""Rejected rows: where they stand, why, whose they are, and what stands in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import chain

import numpy as np
import pandas as pd
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.empty import without_rows
from reconcile.intake.coded import Bools, Coded, holds
from reconcile.intake.read import Read
from reconcile.records import Record
from reconcile.shop import Source

NAMES = ("order_ref", "invoice_no", "payment_ref", "tracking_no")
# Rows that are of no order are named by a SKU.
_SKUS = {"quotes": ("sku",), "sku_map": ("supplier_sku",)}
_TOLD = ("source", "file", "sheet", "row", "column", "text", "why")
READ = {"day": "datetime64[s]", "amount_minor": "Int64", "currency": "str"}
_KINDS_TOLD = dict.fromkeys(_TOLD, "str") | {"row": "int64"}
_KINDS_OF_NAMES = dict.fromkeys(("column", "key", "file", "row", "record", "source"), "str") | {
    "file": "int64",
    "row": "int64",
}


@dataclass(frozen=True)
class Original:
    """The rejected rows of one table as they stand there, in the columns that were read.

    ``rows`` is headed as the file is. ``delimiter``, ``encoding`` and ``above`` (rows above the
    header) are those that the source reads by, so that the rows can be mended and read again.
    """

    file: str
    sheet: str
    rows: pd.DataFrame
    delimiter: str
    encoding: str
    above: int


def placed(source: Source, read: Read, told: pd.DataFrame) -> pd.DataFrame:
    """Told cells with their place: source, file, sheet, row, column, text, why."""
    if told.empty:
        return without_rows(_KINDS_TOLD)
    row = read.table.rows[told["at"].to_numpy(dtype=np.int64)]
    out = told.assign(source=source.name, file=read.path, sheet=read.sheet, row=row)
    return out[list(_TOLD)]


def rejected_rows(source: Source, read: Read, rejects: pd.DataFrame) -> pd.DataFrame:
    """One row per rejected row: source, file, sheet, row, column, text, expected, and ``READ``.

    ``READ`` are the day, amount and currency of the row, missing where they could not be read.
    """
    told = placed(source, read, rejects).rename(columns={"why": "expected"})
    told = told.assign(**{name: rejects[name].array for name in READ})
    if not len(read.table.ragged):
        return told
    # The texts of a ragged row are not shown: nobody can say which of them are private.
    ragged = pd.DataFrame({"row": read.table.ragged}).assign(
        source=source.name,
        file=read.path,
        sheet=read.sheet,
        column="",
        text="",
        why=f"{read.cells} cells, as many as the header has",
    )
    ragged = ragged[list(_TOLD)].rename(columns={"why": "expected"})
    blank = without_rows(READ).reindex(range(len(ragged))).astype(READ)
    return pd.concat([told, pd.concat([ragged, blank], axis=1)], ignore_index=True)


def originals(source: Source, read: Read, rejected: Bools) -> list[Original]:
    """The rejected rows of a table with their texts, if there are any."""
    at = np.flatnonzero(rejected)
    if not len(at):
        return []
    places = sorted(set(read.positions.values()))
    named = [read.header[place] for place in places]
    texts = [_shown(read.table.columns[place].some(at)) for place in places]
    form = source.format
    return [
        Original(
            file=read.path,
            sheet=read.sheet,
            rows=pd.concat(texts, axis=1, keys=named),
            delimiter=form.delimiter or ",",
            encoding=form.encoding or "utf-8",
            above=(form.header_row or 1) - 1,
        )
    ]


def _shown(column: Coded) -> pd.Series:
    """Texts of cells; below a quote that is not closed other cells stand in one: not shown."""
    if not holds(column.texts, b"\n", b"\r"):
        return column.series()
    broken = pc.match_substring_regex(column.texts, "[\r\n]")
    return column.with_texts(pc.if_else(broken, "", column.texts)).series()


def read_of(record: Record, frame: pd.DataFrame, at: NDArray[np.int64]) -> pd.DataFrame:
    """What could be read of some rows: READ. An amount counts with its currency alone."""
    if not len(at):  # most files
        return without_rows(READ)
    rows = frame.iloc[at]
    day = record.column(record.date).typed if record.date else ""
    none = pd.Series(pd.NA, index=rows.index)
    out = pd.DataFrame(
        {"day": rows.get(day, none), "amount_minor": rows.get("amount_minor", none)}
        | {"currency": rows.get("currency", none)}
    ).astype(READ)
    told = (out["currency"].fillna("") != "") & (out["amount_minor"].fillna(0) != 0)
    return out.assign(amount_minor=out["amount_minor"].where(told))


def rejected_names(
    source: Source,
    frame: pd.DataFrame,
    rejected: Bools,
    parts: Mapping[str, pd.DataFrame],
    file: int,
    row: NDArray[np.int64],
) -> pd.DataFrame:
    """Every reference that a rejected row names: record, source, column, key, file, row.

    ``key`` is the cleaned reference, of a tracking number its text; ``file`` is a number. A
    quote and an entry of the SKU map are named by a SKU, blank where there is none.
    """
    at = np.flatnonzero(rejected)
    if not len(at):
        return without_rows(_KINDS_OF_NAMES)
    pieces = [without_rows({"column": "str", "key": "str", "at": "int64"})]
    skus = _SKUS.get(source.record, ())
    for name in (*NAMES, *skus):
        key = "tracking_no" if name == "tracking_no" else f"{name}_key"
        if key in frame:
            pieces.append(pd.DataFrame({"column": name, "key": frame[key][rejected], "at": at}))
        elif name in parts:
            part = parts[name][rejected[parts[name]["at"]]]
            pieces.append(part[["key", "at"]].drop_duplicates().assign(column=name))
    named = pd.concat(pieces, ignore_index=True)
    told = (named["key"] != "") | named["column"].isin(skus)
    named = named[told.to_numpy()].reset_index(drop=True)
    places = named.pop("at").to_numpy(dtype=np.int64)
    named = named.assign(file=file, row=row[places])
    return named.assign(record=source.record, source=source.name)


def rejected_keys(names: pd.DataFrame) -> pd.DataFrame:
    """The orders, invoices and SKUs among them: record, column, key.

    So that nothing is called missing for the sake of a row that could not be read.
    """
    found = names[names["column"].isin(["order_ref", "invoice_no", *chain(*_SKUS.values())])]
    return found[["column", "key", "record"]].drop_duplicates(ignore_index=True)
