"""What makes two rows of different files one: the same content, or the same key."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.intake.cells import tidy
from reconcile.intake.coded import Bools, Coded
from reconcile.intake.comparable import key_value, shown_value
from reconcile.intake.read import Read, all_parts
from reconcile.intake.repeats import codes_of
from reconcile.records import Record

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Compared:
    """The rows of several files as whole numbers, column by column: what is the same is equal.

    ``content`` has the columns that the files bring, ``keys`` those of the record's key, 0 where
    nothing stands there. ``brings`` says by column which files bring it. ``bad`` numbers the
    rejected rows by what is written in them, which is all that there is to compare; 0 elsewhere.
    """

    record: Record
    file: Ints
    content: Mapping[str, Ints]
    keys: Mapping[str, Ints]
    brings: Mapping[str, Bools]
    bad: Ints

    def row(self, without: Collection[str] = ()) -> Ints:
        """A number for each row, the same for rows with the same content."""
        kept = [codes for name, codes in self.content.items() if name not in without]
        return codes_of([self.bad, *kept])

    def key(self, without: Collection[str] = ()) -> Ints:
        """A number for each row, the same for rows with the same key."""
        parts = []
        for part in self.record.key:
            chosen = np.zeros(len(self.file), dtype=np.int64)
            for place, name in enumerate(reversed(part.split("|")), start=1):
                if name in self.keys and name not in without:
                    here = self.keys[name]
                    chosen = np.where(here > 0, here * 3 + place, chosen)
            parts.append(chosen)
        return codes_of(parts)

    def lacks(self, name: str) -> Bools:
        """Rows of files that do not bring a column of the key."""
        return ~self.brings[name][self.file]

    def differs(self, at: Ints, by: Ints) -> Bools:
        """Which pairs of rows differ in a column that the files of both bring."""
        out = np.zeros(len(at), dtype=bool)
        for name, codes in self.content.items():
            both = self.brings[name][self.file[at]] & self.brings[name][self.file[by]]
            out |= both & (codes[at] != codes[by])
        return out


def compared(
    record: Record, read: Sequence[Read], frame: pd.DataFrame, rejected: Bools
) -> Compared:
    """The rows of all files of a source, ready to be compared.

    Values are compared, whatever they are written like: amounts, words with what a blank one
    means, suppliers by their names, references cleaned and several of them as a set, dates by
    the day where the files write them in different forms. Order references of orders are compared
    by their text, since two that only look alike may be two orders.
    """
    names = sorted({name for one in read for name in one.columns})
    columns = {name: record.column(name) for name in names}
    parts, forms = all_parts(read), _forms(read)
    content, keys = {}, {}
    for name, column in columns.items():
        exact = column.kind == "date" and len(forms[name]) <= 1
        content[name] = (
            _written(read, name).numbers() if exact else shown_value(record, column, frame, parts)
        )
    in_key = {name for part in record.key for name in part.split("|")}
    for name in record.names:
        said = name in columns or (name == "replacement" and "by_suffix" in frame)
        if name in in_key and said:
            keys[name] = key_value(record, record.column(name), frame, parts)
    if "replacement" in keys:
        content["replacement"] = keys["replacement"]
    bad = np.zeros(len(frame), dtype=np.int64)
    if rejected.any():
        texts = [_written(read, name).filter(rejected).numbers() for name in names]
        bad[rejected] = codes_of(texts) + 1
    brings = {
        name: np.array([name in one.columns for one in read], dtype=bool)
        for name in {*content, *keys}
    }
    if "replacement" in keys and frame["by_suffix"].any():  # every file may say it by the suffix
        brings["replacement"][:] = True
    file = np.repeat(np.arange(len(read)), [len(one.table.rows) for one in read])
    return Compared(record, file, content, keys, brings, bad)


def _forms(read: Sequence[Read]) -> dict[str, set[tuple[str, bool]]]:
    """The forms of dates of each column in the files that bring it; workbooks have their own."""
    found: dict[str, set[tuple[str, bool]]] = {name: set() for one in read for name in one.columns}
    for one in read:
        for name in one.columns:
            form = one.forms.dates.get(name, "")
            found[name].add((form, one.positions.get(name) in one.table.dates))
    return found


def _written(read: Sequence[Read], name: str) -> Coded:
    """A column of all files, tidy; blank in files that lack it."""
    several = []
    for one in read:
        coded = one.columns.get(name, Coded.constant("", len(one.table.rows)))
        several.append(coded.with_texts(tidy(coded.texts)))
    return Coded.joined(several)
