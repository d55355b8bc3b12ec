"""What stands behind exceptions: rows of records and files, told apart by digests.

A row that changes keeps its key and gets other content; a row whose file is gone is missing. A row
that was corrected in its very key (a payment that was given its order reference) is still there as
long as its document or order has as many rows as before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.digests import Ints, digest_rows, each_once, is_one_of, mixed, places_in
from reconcile.kept import Records
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


@dataclass(frozen=True)
class Rows:
    """The rows of tonight's files by number: those of one record after those of another.

    ``begin``: the number of each record's first row, ``sizes`` how many it has, ``records`` the
    records themselves, and ``files`` the names of the files. ``links``: by record ``row_id`` and
    ``supplier_order``.

    Digests by row: ``key`` is what makes it that row (of two with one key the second has another),
    ``content`` what it says; ``whole`` is the order or document that it is part of, and ``last``
    the last part of that. ``shared``: the rows that many orders are compared with (``record``,
    ``file``, ``row``, ``content``). ``new``: all contents that no earlier night has read, sorted.
    ``telling``: by rule the records that it cannot do without.
    """

    begin: Mapping[str, int]
    sizes: Mapping[str, int]
    records: Records
    files: tuple[str, ...]
    links: Mapping[str, pd.DataFrame]
    key: Ints
    whole: Ints
    last: Ints
    content: Ints
    shared: pd.DataFrame
    new: Ints
    telling: Mapping[str, tuple[str, ...]]

    def places(self, rows: Ints) -> pd.DataFrame:
        """Where rows stand: ``record``, ``file``, ``row``."""
        out = pd.DataFrame({"record": "", "file": np.zeros(len(rows), np.int64), "row": 0})
        for name in self.sizes:
            mine = np.flatnonzero(self.are(name, rows))
            if len(mine):
                at = rows[mine] - self.begin[name]
                out.loc[mine, "record"] = name
                out.loc[mine, ["file", "row"]] = self._places_in(name, at)
        return out.astype({"record": "str"})

    def _places_in(self, name: str, at: Ints) -> Ints:
        """File and row of some rows of a record; a file stands for itself."""
        out = np.stack([at, np.zeros(len(at), np.int64)], axis=1)
        start = 0
        for piece in self.records.pieces(name, ["file", "row"]):
            here = (at >= start) & (at < start + len(piece))
            out[here] = piece[["file", "row"]].to_numpy(np.int64)[at[here] - start]
            start += len(piece)
        return out

    def are(self, record: str, rows: Ints) -> NDArray[np.bool_]:
        """Which rows are of a record."""
        at = rows - self.begin.get(record, 0)
        return (at >= 0) & (at < self.sizes.get(record, 0))

    def parts(self) -> Ints:
        """Of each row the number that it has in its whole, as digests of both."""
        nth = pd.Series(self.whole).groupby(self.whole).cumcount()
        return mixed(self.whole, np.asarray(nth, dtype=np.int64))

    def of_orders(self, orders: Ints) -> pd.DataFrame:
        """The rows of supplier orders: ``supplier_order``, ``row``."""
        return self._linked("supplier_order", orders)

    def orders_of(self, rows: Ints) -> pd.DataFrame:
        """The supplier orders of rows: ``supplier_order``, ``row``."""
        return self._linked("row", rows)

    def _linked(self, by: str, wanted: Ints) -> pd.DataFrame:
        pieces = [pd.DataFrame({"supplier_order": [], "row": []}, dtype=np.int64)]
        for name, link in self.links.items():
            if name in self.begin and "supplier_order" in link:
                row = link["row_id"].to_numpy(np.int64) + self.begin[name]
                order = link["supplier_order"].to_numpy(np.int64)
                mine = is_one_of(row if by == "row" else order, wanted)
                pieces.append(pd.DataFrame({"supplier_order": order[mine], "row": row[mine]}))
        return pd.concat(pieces, ignore_index=True)


def numbered(
    records: Records,
    files: pd.DataFrame,
    links: Mapping[str, pd.DataFrame],
    known: Ints,
    telling: Mapping[str, tuple[str, ...]],
) -> Rows:
    """Number and digest the rows of the linked records, and the files.

    ``known``: contents that earlier nights have read, sorted.
    """
    counts = {FILES: len(files)} | {n: records.counts().get(n, 0) for n in LINKED}
    sizes = {name: count for name, count in counts.items() if count}
    ends = np.cumsum([0, *sizes.values()])
    begin = dict(zip(sizes, ends[:-1].tolist(), strict=True))
    # A shop may have many rows: each digest has its place from the start.
    every = [np.empty(int(ends[-1]), dtype=np.int64) for _ in range(4)]
    for name, start in begin.items():
        mine = [digest[start : start + sizes[name]] for digest in every]
        if name == FILES:
            _of_files(files, *mine)
        else:
            _of_record(name, records.pieces(name), *mine)
    key, whole, last, content = every
    shared = _shared(records)
    said = each_once(np.concatenate([content, shared["content"].to_numpy(np.int64)]))
    new = said[places_in(known, said) < 0] if len(known) else said
    return Rows(
        begin=begin,
        sizes=sizes,
        records=records,
        files=tuple(files["file"]),
        links=links,
        key=key,
        whole=whole,
        last=last,
        content=content,
        shared=shared,
        new=new,
        telling=telling,
    )


def _of_record(
    name: str, pieces: Iterable[pd.DataFrame], key: Ints, whole: Ints, last: Ints, content: Ints
) -> None:
    """Fill in the digests of a record's rows."""
    start = 0
    for frame in pieces:
        here = slice(start, start + len(frame))
        cells = ((each, _cell(frame, each)) for each in _WHOLE[name])
        key[here] = digest_rows(_key_columns(RECORDS[name], frame).items(), name)
        whole[here] = digest_rows(((each, cell) for each, cell in cells if cell is not None), name)
        content[here] = contents(name, frame)
        start = here.stop
    key[:] = mixed(key, _nth(key, content))
    group = pd.factorize(whole)[0]
    last[:] = mixed(whole, np.bincount(group)[group] - 1)


def _of_files(files: pd.DataFrame, key: Ints, whole: Ints, last: Ints, content: Ints) -> None:
    """Files by name; one that was renamed is still there by its content."""
    content[:] = digest_rows([("sha256", files["sha256"]), ("sheet", files["sheet"])], FILES)
    key[:] = digest_rows([("file", files["file"]), ("sheet", files["sheet"])], FILES)
    whole[:] = content
    last[:] = mixed(content, np.zeros(len(content), np.int64))


def _shared(records: Records) -> pd.DataFrame:
    nothing = pd.DataFrame({"file": [], "row": [], "content": []}, dtype=np.int64)
    pieces = [nothing.assign(record="")]
    for name in SHARED:
        if name in records:
            place = records[name][["file", "row"]].astype(np.int64)
            pieces.append(place.assign(content=contents(name, records[name]), record=name))
    return pd.concat(pieces, ignore_index=True).astype({"record": "str"})


def contents(record: str, frame: pd.DataFrame) -> Ints:
    """What each row of a record says, wherever it stands."""
    names = sorted(set(frame.columns) - set(_PLACE))
    return digest_rows(((name, frame[name]) for name in names), record)


def _nth(group: Ints, content: Ints) -> Ints:
    """0, 1, … for the rows of a group, by their content: in any order of rows the same."""
    codes = pd.factorize(group)[0]
    nth = np.zeros(len(group), dtype=np.int64)
    several = np.flatnonzero(np.bincount(codes)[codes] > 1)
    ordered = several[np.lexsort((content[several], codes[several]))]
    nth[ordered] = pd.Series(codes[ordered]).groupby(codes[ordered]).cumcount().to_numpy()
    return nth


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
