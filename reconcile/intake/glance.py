"""A first look at the rows of one file: what has to be known of all files before any is settled."""

from __future__ import annotations

from collections.abc import Container, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.digests import Ints, digest_rows
from reconcile.intake.late import ORDER, Late, late_in, none_late
from reconcile.intake.read import Read, Texts
from reconcile.intake.typed import Reader
from reconcile.records import Record

_LONG_AGO = np.datetime64("1900-01-01", "D")


class FileRows:
    """The rows of one file, typed once as a whole or, where they are many, block by block."""

    def __init__(self, table: Texts, reader: Reader, rows: int) -> None:
        """``rows``: how many are typed at once."""
        self.table, self._reader, self._rows = table, reader, rows
        self.one_block = len(table.table.rows) <= rows
        self._whole: Read | None = None

    def reads(self, names: Container[str] | None = None) -> Iterator[Read]:
        """The blocks with their typed rows; of several blocks some columns, where asked for."""
        if self.one_block:
            self._whole = self._whole or self.table.read(self._reader)
            yield self._whole
            return
        for block in self.table.blocks(self._rows):
            yield block.read(self._reader, names)


@dataclass(frozen=True)
class Glance:
    """What a first look at a file has shown.

    ``named``: a digest of the references that every row of the record bears, by row. ``newest``:
    the newest date inside that is known; ``days``: every day on which a row is dated. ``late``:
    orders with dates that are not known yet.
    """

    named: Ints
    newest: np.datetime64
    days: NDArray[np.datetime64]
    late: Late


def glance(record: Record, file: FileRows, as_of: np.datetime64) -> Glance:
    """Look at the references and dates of all rows of a file."""
    dates = [column for column in record.columns if column.kind == "date"]
    references = _references(record)
    names = {*references, *(column.name for column in dates), *ORDER}
    named, newest, days, late = [], _LONG_AGO, [np.empty(0, "datetime64[D]")], none_late(record)
    for read in file.reads(names):
        frame = read.typed.frame
        named.append(_digests(record, frame))
        for column in dates:
            if column.typed not in frame:
                continue
            day = frame[column.typed].to_numpy().astype("datetime64[D]")
            if column.name == record.date:
                days = [np.unique(np.concatenate([*days, day[~np.isnat(day)]]))]
            if not column.ahead:
                known = day[~np.isnat(day) & (day <= as_of)]
                newest = max(newest, known.max(initial=_LONG_AGO))
        late = late_in(record, frame, as_of, late)
    return Glance(np.concatenate(named), newest, days[0], late)


def _references(record: Record) -> list[str]:
    """The references of the record's key that every row has to bear."""
    required = {column.name for column in record.columns if column.required}
    kinds = {column.name: column.kind for column in record.columns}
    return [name for name in record.key if name in required and kinds[name] == "reference"]


def _digests(record: Record, frame: pd.DataFrame) -> Ints:
    """Equal where two rows may be one; without any reference they all may."""
    names = [
        name if (record.name, name) == ("orders", "order_ref") else f"{name}_key"
        for name in _references(record)
    ]
    if not names:
        return np.zeros(len(frame), dtype=np.int64)
    return digest_rows(((name, frame[name]) for name in names), record.name)


def ranked(glances: list[Glance], paths: list[str]) -> list[int]:
    """Each file's rank, 0 the newest: by the newest date inside that is known, then by name."""
    newest = sorted(range(len(paths)), key=lambda at: (glances[at].newest, paths[at]), reverse=True)
    return [newest.index(at) for at in range(len(paths))]


def in_several(glances: list[Glance]) -> list[NDArray[np.bool_]]:
    """By file the rows of which another file may show one that is the same."""
    codes, found = pd.factorize(np.concatenate([one.named for one in glances]))
    file = np.repeat(np.arange(len(glances)), [len(one.named) for one in glances])
    first, last = np.full(len(found), len(glances)), np.full(len(found), -1)
    np.minimum.at(first, codes, file)
    np.maximum.at(last, codes, file)
    several = (first != last)[codes]
    return np.split(several, np.cumsum([len(one.named) for one in glances])[:-1])
