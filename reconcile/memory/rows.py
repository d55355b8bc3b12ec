"""What stands behind exceptions: rows of records and files, told apart by digests.

A row that changes keeps its key and gets other content; a row whose file is gone is missing. A row
that was corrected in its very key (a payment that was given its order reference) is still there as
long as its document or order has as many rows as before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.digests import Ints, digest_rows, first_of_each, is_one_of, mixed, repeated
from reconcile.kept import Records
from reconcile.pieces import InMemory, Pieces, Pile
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

    ``digests`` by row: ``key`` is what makes it that row (of two with one key the second has
    another), ``content`` what it says; ``whole`` is the order or document that it is part of, and
    ``last`` the last part of that. ``shared``: the rows that many orders are compared with
    (``record``, ``file``, ``row``, ``content``). ``new``: all contents that no earlier night has
    read, sorted. ``telling``: by rule the records that it cannot do without.
    """

    begin: Mapping[str, int]
    sizes: Mapping[str, int]
    records: Records
    files: tuple[str, ...]
    links: Mapping[str, pd.DataFrame]
    digests: Pieces
    shared: pd.DataFrame
    new: Ints
    telling: Mapping[str, tuple[str, ...]]

    def of(self, name: str, rows: Ints) -> Ints:
        """One of the digests of some rows."""
        return self.digests.take(rows, [name])[name].to_numpy(np.int64)

    def having(self, name: str, wanted: pd.Series) -> pd.DataFrame:
        """The rows that have one of the digests: it, and ``row``."""
        start, found = 0, [pd.DataFrame({name: [], "row": []}, dtype=np.int64)]
        for piece in self.digests.pieces([name]):
            digest = piece[name].to_numpy(np.int64)
            row = np.flatnonzero(is_one_of(digest, wanted.to_numpy(np.int64)))
            found.append(pd.DataFrame({name: digest[row], "row": row + start}))
            start += len(piece)
        return pd.concat(found, ignore_index=True)

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

    def parts(self, wanted: pd.Series) -> pd.DataFrame:
        """The rows that are one of some parts of their whole: ``last`` (the part) and ``row``."""
        whole = np.empty(len(self.digests), dtype=np.int64)
        _put(whole, self.digests, "whole")
        nth = pd.Series(whole, copy=False).groupby(whole).cumcount()
        part = mixed(whole, np.asarray(nth, dtype=np.int64))
        row = np.flatnonzero(is_one_of(part, wanted.to_numpy(np.int64)))
        return pd.DataFrame({"last": part[row], "row": row})

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


def numbered(records: Records, files: pd.DataFrame, telling: Mapping[str, tuple[str, ...]]) -> Rows:
    """Number and digest the rows of the linked records, and the files; all of them are new yet."""
    counts = {FILES: len(files)} | {n: records.counts().get(n, 0) for n in LINKED}
    sizes = {name: count for name, count in counts.items() if count}
    ends = np.cumsum([0, *sizes.values()])
    begin = dict(zip(sizes, ends[:-1].tolist(), strict=True))
    digests = _told_apart(records, files, begin, int(ends[-1]))
    shared = _shared(records)
    said = np.empty(len(digests) + len(shared), dtype=np.int64)
    _put(said, digests, "content")[:] = shared["content"]
    said.sort()
    return Rows(
        begin=begin,
        sizes=sizes,
        records=records,
        files=tuple(files["file"]),
        links={},
        digests=digests,
        shared=shared,
        new=first_of_each(said),
        telling=telling,
    )


def _told_apart(
    records: Records, files: pd.DataFrame, begin: Mapping[str, int], size: int
) -> Pieces:
    """The digests of all rows; where the records are on disk, there too."""
    each = (_of_files(files) if name == FILES else _of_record(name, records) for name in begin)
    if records.folder is None:
        every = np.empty((len(_DIGESTS), size), dtype=np.int64)
        for start, mine in zip(begin.values(), each, strict=True):
            every[:, start : start + mine.shape[1]] = mine
        return InMemory(pd.DataFrame(every.T, columns=_DIGESTS, copy=False))
    pile = Pile(records.folder / "digests.arrow")
    for mine in each:
        pile.add(pd.DataFrame(mine.T, columns=_DIGESTS, copy=False))
    return pile


_DIGESTS = ["key", "whole", "last", "content"]


def _put(into: Ints, digests: Pieces, name: str) -> Ints:
    """Put one of the digests of all rows into an array; gives back what is left of it."""
    for piece in digests.pieces([name]):
        into[: len(piece)] = piece[name]
        into = into[len(piece) :]
    return into


def _of_record(name: str, records: Records) -> NDArray[np.int64]:
    """The digests of a record's rows, one below the other."""
    out, start = np.empty((len(_DIGESTS), records.counts()[name]), dtype=np.int64), 0
    key, whole, last, content = out
    for frame in records.pieces(name):
        here = slice(start, start + len(frame))
        cells = ((each, _cell(frame, each)) for each in _WHOLE[name])
        key[here] = digest_rows(_key_columns(RECORDS[name], frame).items(), name)
        whole[here] = digest_rows(((each, cell) for each, cell in cells if cell is not None), name)
        content[here] = contents(name, frame)
        start = here.stop
    key[:] = mixed(key, _nth(key, content))
    last[:] = mixed(whole, _others(whole))
    return out


def _of_several(group: Ints) -> Ints:
    """The rows whose group has other rows too; most often none."""
    return np.flatnonzero(is_one_of(group, repeated(group)))


def _others(group: Ints) -> Ints:
    """How many other rows each has in its group."""
    others = np.zeros(len(group), dtype=np.int64)
    several = _of_several(group)
    codes = pd.factorize(group[several])[0]
    others[several] = np.bincount(codes)[codes] - 1
    return others


def _of_files(files: pd.DataFrame) -> NDArray[np.int64]:
    """Files by name; one that was renamed is still there by its content."""
    content = digest_rows([("sha256", files["sha256"]), ("sheet", files["sheet"])], FILES)
    key = digest_rows([("file", files["file"]), ("sheet", files["sheet"])], FILES)
    last = mixed(content, np.zeros(len(content), np.int64))
    return np.stack([key, content, last, content])


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
    nth = np.zeros(len(group), dtype=np.int64)
    several = _of_several(group)
    ordered = several[np.lexsort((content[several], group[several]))]
    nth[ordered] = pd.Series(group[ordered]).groupby(group[ordered]).cumcount().to_numpy()
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
