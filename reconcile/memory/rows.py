"""What stands behind exceptions: rows of records, told apart by digests of key and content.

A row that changes keeps its key and gets other content; a row whose file is gone is missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.records import RECORDS, Record

_PLACE = ("source", "file", "row", "age")  # where a row stands is not what it says
_LINKED = ("orders", "invoices", "payments", "shipments")
Ints = NDArray[np.int64]
_RECORD_OF = {"order_lines": "orders", "invoice_lines": "invoices"}


def digests(records: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Every row of the linked records: ``record``, ``row_id``, ``key``, ``content``.

    Rows of one key are numbered, so that one of two equal rows can be missing.
    """
    pieces = []
    for name in _LINKED:
        frame = records.get(name)
        if frame is None or frame.empty:
            continue
        key = _hashed(frame, _key_columns(RECORDS[name], frame), name)
        content = _hashed(frame, sorted(set(frame.columns) - set(_PLACE)), name)
        key = _mixed(key, _numbered(key, content))
        rows = {"record": name, "row_id": np.arange(len(frame)), "key": key}
        pieces.append(pd.DataFrame({**rows, "content": content}))
    empty = pd.DataFrame({"record": [], "row_id": [], "key": [], "content": []})
    empty = empty.astype({"record": "str", "row_id": "int64", "key": "int64", "content": "int64"})
    return pd.concat(pieces, ignore_index=True) if pieces else empty


def _numbered(key: Ints, content: Ints) -> Ints:
    """0, 1, … for the rows of one key, by their content: in any order of rows the same."""
    ordered = np.lexsort((content, key))
    nth = pd.Series(key[ordered]).groupby(key[ordered]).cumcount().to_numpy()
    out = np.empty(len(key), dtype=np.int64)
    out[ordered] = nth
    return out


def _key_columns(record: Record, frame: pd.DataFrame) -> list[str]:
    """The typed columns of the record's key that the frame has; of alternatives all."""
    names = []
    for part in record.key:
        for name in part.split("|"):
            column = record.column(name)
            cleaned = f"{name}_key"
            names.append(cleaned if cleaned in frame else column.typed)
    return [name for name in names if name in frame]


def _hashed(frame: pd.DataFrame, names: list[str], record: str) -> Ints:
    """A digest of the named cells of each row; the same on every machine and every run."""
    out = np.full(len(frame), np.frombuffer(record.encode().ljust(8)[:8], np.int64)[0])
    for name in names:
        values = frame[name]
        if pd.api.types.is_datetime64_any_dtype(values):
            array: NDArray[Any] = values.to_numpy().astype("datetime64[D]").astype(np.int64)
        elif pd.api.types.is_integer_dtype(values) or pd.api.types.is_bool_dtype(values):
            array = values.astype("Int64").fillna(np.iinfo(np.int64).min).to_numpy(np.int64)
        else:
            array = values.fillna("").to_numpy(dtype=object)
        found = pd.util.hash_array(array, categorize=True).view(np.int64)
        # A column that a newer file brings blank says nothing new.
        told = _mixed(_mixed(out, _of_name(name)), np.asarray(found, dtype=np.int64))
        out = np.where(_blank(array), out, told)
    return out


def _blank(array: NDArray[Any]) -> NDArray[np.bool_]:
    if array.dtype == object:
        return np.asarray(array == "", dtype=bool)
    if array.dtype == np.int64:
        return np.asarray(array == np.iinfo(np.int64).min)
    return np.zeros(len(array), dtype=bool)


def _of_name(name: str) -> np.int64:
    hashed = pd.util.hash_array(np.array([name], dtype=object), categorize=False)
    return np.int64(hashed.view(np.int64)[0])


def _mixed(one: Ints, other: Ints | np.int64) -> Ints:
    """Two digests as one: multiplied and shifted, wrapping around."""
    with np.errstate(over="ignore"):
        mixed = (one ^ other) * np.int64(-7046029254386353131)
        return np.asarray(mixed ^ (mixed >> np.int64(29)) + other, dtype=np.int64)


def rows_behind(
    found: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    links: Mapping[str, pd.DataFrame],
) -> pd.DataFrame:
    """The rows that exceptions are made of: ``exception`` (a position), ``record``, ``row_id``.

    All rows of the supplier order; else the row itself, or the rows that were gathered.
    """
    place = np.arange(len(found))
    owner = found["supplier_order"].to_numpy()
    orders = pd.DataFrame({"exception": place, "supplier_order": owner})[owner >= 0]
    pieces = [
        orders.merge(links[name], on="supplier_order")[["exception", "row_id"]].assign(record=name)
        for name in _LINKED
        if name in links
    ]
    for table, mine in pd.DataFrame({"at": found["at"], "table": found["table"]}).groupby("table"):
        frame = tables[str(table)]
        asked = pd.DataFrame({"exception": mine.index, "at": mine["at"].to_numpy()})
        gathered = links.get(str(table))
        if gathered is not None and "at" in gathered:
            asked = asked.merge(gathered, on="at")
            pieces.append(asked[["exception", "record", "row_id"]])
        elif "row_id" in frame:
            rows = frame.iloc[asked["at"].to_numpy()]
            record = (
                rows["record"].to_numpy()
                if "record" in rows
                else _RECORD_OF.get(str(table), str(table))
            )
            asked = asked.assign(row_id=rows["row_id"].to_numpy(), record=record)
            pieces.append(asked[["exception", "record", "row_id"]])
    out = pd.concat(pieces, ignore_index=True).drop_duplicates()
    return out.astype({"record": "str"})


def all_links(links: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Rows and their supplier orders, of all records in one table."""
    pieces = [
        link.assign(record=record)[["record", "row_id", "supplier_order"]]
        for record, link in links.items()
        if "supplier_order" in link
    ]
    return pd.concat(pieces, ignore_index=True)
