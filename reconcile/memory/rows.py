"""What stands behind exceptions: rows of records and files, told apart by digests.

A row that changes keeps its key and gets other content; a row whose file is gone is missing. A row
that was corrected in its very key (a payment that was given its order reference) is still there as
long as its document or order has as many rows as before.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.records import RECORDS, Record

_PLACE = ("source", "file", "row", "age")  # where a row stands is not what it says
LINKED = ("orders", "invoices", "payments", "shipments")
SHARED = ("quotes", "sku_map", "rates")  # what many orders are compared with
FILES = "files"  # what is wrong with the files themselves stands in whole files
# What a row is part of: the order, or the document
_WHOLE = {
    "orders": ("store", "order_ref"),
    "invoices": ("supplier", "invoice_no"),
    "payments": ("supplier", "payment_ref"),
    "shipments": ("supplier", "order_ref"),
}
Ints = NDArray[np.int64]
_NOTHING = np.iinfo(np.int64).min  # also what a date that is not there is as a number
_RECORD_OF = {"order_lines": "orders", "invoice_lines": "invoices"}
COLUMNS = ("row_id", "file", "row", "key", "part", "whole", "last", "content")


def digests(records: Mapping[str, pd.DataFrame], files: pd.DataFrame) -> pd.DataFrame:
    """Every row of the linked records, and every file: ``record`` and ``COLUMNS``.

    ``key``: what makes it that row, ``content`` what it says. Rows of one key are numbered, so
    that one of two equal rows can be missing. ``whole``: the order or document that it is part
    of, ``part`` its number there, and ``last`` the highest one. ``file`` and ``row`` are where it
    stands.
    """
    pieces = [_of_files(files)]
    for name in LINKED:
        frame = records.get(name)
        if frame is None or frame.empty:
            continue
        content = contents(name, frame)
        key = _hashed(_key_columns(RECORDS[name], frame), name)
        whole = _hashed({each: _cell(frame, each) for each in _WHOLE[name]}, name)
        part, last = _numbered(whole, content)
        pieces.append(
            pd.DataFrame(
                {
                    "record": name,
                    "row_id": np.arange(len(frame)),
                    "file": frame["file"].to_numpy(np.int64),
                    "row": frame["row"].to_numpy(np.int64),
                    "key": _mixed(key, _numbered(key, content)[0]),
                    "part": _mixed(whole, part),
                    "whole": whole,
                    "last": _mixed(whole, last),
                    "content": content,
                }
            )
        )
    return pd.concat(pieces, ignore_index=True).astype({"record": "str"})


def contents(record: str, frame: pd.DataFrame) -> Ints:
    """What each row of a record says, wherever it stands."""
    names = sorted(set(frame.columns) - set(_PLACE))
    return _hashed({name: frame[name] for name in names}, record)


def _of_files(files: pd.DataFrame) -> pd.DataFrame:
    """Files by name; one that was renamed is still there by its content."""
    at = np.arange(len(files))
    content = _hashed({"sha256": files["sha256"], "sheet": files["sheet"]}, FILES)
    out = {"record": FILES, "row_id": at, "file": at, "row": 0, "content": content}
    out["key"] = _hashed({"file": files["file"], "sheet": files["sheet"]}, FILES)
    return pd.DataFrame(out | {"part": content, "whole": content, "last": content})


def _numbered(group: Ints, content: Ints) -> tuple[Ints, Ints]:
    """0, 1, … for the rows of a group, by their content: in any order of rows the same."""
    ordered = np.lexsort((content, group))
    grouped = pd.Series(group[ordered]).groupby(group[ordered])
    nth, most = np.empty((2, len(group)), dtype=np.int64)
    nth[ordered] = grouped.cumcount().to_numpy()
    most[ordered] = grouped.transform("size").to_numpy() - 1
    return nth, most


def _key_columns(record: Record, frame: pd.DataFrame) -> dict[str, pd.Series]:
    """The cells of the record's key; of alternatives the first that is filled."""
    found: dict[str, pd.Series] = {}
    for part in record.key:
        for name in reversed(part.split("|")):
            values = _cell(frame, name)
            if values is None:
                continue
            before = found.get(part)
            if before is not None:
                # A line number is never taken for an SKU.
                values = ("\x1f" + values).where(values.notna() & (values != ""), before)
            found[part] = values
    return found


def _cell(frame: pd.DataFrame, name: str) -> pd.Series | None:
    """A column of a key, cleaned where it has a cleaned form; None where it is not brought."""
    for each in (f"{name}_key", name, f"{name.removesuffix('_at')}_date"):
        if each in frame:
            return frame[each]
    return None


def _hashed(columns: Mapping[str, pd.Series | None], record: str) -> Ints:
    """A digest of the cells of each row; the same on every machine and every run."""
    first = np.frombuffer(record.encode().ljust(8)[:8], "<i8")[0]
    size = max((len(values) for values in columns.values() if values is not None), default=0)
    out = np.full(size, first, dtype=np.int64)
    for name, values in columns.items():
        if values is None:
            continue
        found, blank = _hashed_cells(values)
        # A column that a newer file brings blank says nothing new.
        out = np.where(blank, out, _mixed(_mixed(out, _of_name(name)), found))
    return out


def _hashed_cells(values: pd.Series) -> tuple[Ints, NDArray[np.bool_]]:
    """A digest of each cell, and which cells are blank."""
    array: Ints
    if pd.api.types.is_datetime64_any_dtype(values):
        array = np.asarray(values.to_numpy().astype("datetime64[D]"), dtype=np.int64)
    elif pd.api.types.is_integer_dtype(values) or pd.api.types.is_bool_dtype(values):
        array = np.asarray(values.astype("Int64").fillna(_NOTHING), dtype=np.int64)
    else:
        codes, texts = pd.factorize(values)
        distinct = np.append(np.asarray(texts, dtype=object), "")
        hashed = pd.util.hash_array(distinct, categorize=False).view(np.int64)
        return hashed[codes], (distinct == "")[codes]
    return pd.util.hash_array(array, categorize=False).view(np.int64), array == _NOTHING


def _of_name(name: str) -> np.int64:
    hashed = pd.util.hash_array(np.array([name], dtype=object), categorize=False)
    return np.int64(hashed.view(np.int64)[0])


def _mixed(one: Ints, other: Ints | np.int64) -> Ints:
    """Two digests as one: multiplied and shifted, wrapping around."""
    with np.errstate(over="ignore"):
        mixed = (one ^ other) * np.int64(-7046029254386353131)
        return np.asarray((mixed ^ (mixed >> np.int64(29))) + other, dtype=np.int64)


def rows_behind(
    found: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    links: Mapping[str, pd.DataFrame],
    files: pd.Series,
) -> pd.DataFrame:
    """The rows that exceptions are made of: ``exception`` (a position), ``record``, ``row_id``.

    All rows of the supplier order, and the row itself or the rows that were gathered; of what is
    wrong with the input its files.
    """
    place = np.arange(len(found))
    owner = found["supplier_order"].to_numpy()
    orders = pd.DataFrame({"exception": place, "supplier_order": owner})[owner >= 0]
    pieces = [
        orders.merge(links[name], on="supplier_order")[["exception", "row_id"]].assign(record=name)
        for name in LINKED
        if name in links
    ]
    for table, mine in pd.DataFrame({"at": found["at"], "table": found["table"]}).groupby("table"):
        frame = tables[str(table)]
        asked = pd.DataFrame({"exception": mine.index, "at": mine["at"].to_numpy()})
        gathered = links.get(str(table))
        if gathered is not None and "at" in gathered:
            asked = asked.merge(gathered, on="at")
        elif "row_id" in frame:
            rows = frame.iloc[asked["at"].to_numpy()]
            record = rows["record"] if "record" in rows else _RECORD_OF.get(str(table), str(table))
            asked["record"] = record.to_numpy() if isinstance(record, pd.Series) else record
            asked["row_id"] = rows["row_id"].to_numpy()
        elif table == "inputs":
            asked = asked.assign(evidence=frame["evidence"].to_numpy()[asked["at"].to_numpy()])
            asked = _files_named(asked, files)
        else:
            continue
        pieces.append(asked[["exception", "record", "row_id"]].astype({"row_id": "int64"}))
    out = pd.concat(pieces, ignore_index=True).drop_duplicates()
    return out.astype({"record": "str"})


def _files_named(asked: pd.DataFrame, files: pd.Series) -> pd.DataFrame:
    """The files that the evidence of input exceptions names, as rows of the record of files."""
    places = asked["evidence"].str.split("; ").explode()
    names = places.str.replace(r" row \d+$", "", regex=True)
    at = names.map(pd.Series(np.arange(len(files)), index=files)[~files.duplicated().to_numpy()])
    out = asked[["exception"]].join(at.dropna().astype("int64").rename("row_id"), how="inner")
    return out.assign(record=FILES)


def all_links(links: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Rows and their supplier orders, of all records in one table."""
    pieces = [
        link.assign(record=record)[["record", "row_id", "supplier_order"]]
        for record, link in links.items()
        if "supplier_order" in link
    ]
    return pd.concat(pieces, ignore_index=True)
