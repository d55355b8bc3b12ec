"""One table of a source once it is read: texts, typed rows, and what was set aside."""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd

from reconcile.intake.coded import Bools, Coded
from reconcile.intake.date_cells import CellKinds
from reconcile.intake.formats import Forms
from reconcile.intake.text_table import TextTable
from reconcile.intake.typed import Reader, Typed


@dataclass(frozen=True)
class Texts:
    """One table of a source, without what is set aside, before it is typed.

    ``columns`` are the canonical columns with the constants of the source, ``positions`` where
    those of the file stand and ``header`` what stands above them there, as it is written.
    ``cells`` is how many cells a header has. ``aside`` counts the rows that are no records, by
    fate, with those above the first record.
    """

    path: str
    sheet: str
    header: tuple[str, ...]
    cells: int
    positions: Mapping[str, int]
    table: TextTable
    columns: Mapping[str, Coded]
    forms: Forms
    aside: Mapping[str, int]

    def blocks(self, rows: int) -> Iterator[Texts]:
        """The table in blocks of so many rows; what is counted of it is in the first block."""
        none = dict.fromkeys(self.aside, 0)
        for start in range(0, max(len(self.table.rows), 1), rows):
            columns = {name: column.part(start, rows) for name, column in self.columns.items()}
            table = self.table.part(start, rows)
            yield replace(self, table=table, columns=columns, aside=none if start else self.aside)

    def filter(self, keep: Bools) -> Texts:
        """Some of the rows."""
        columns = {name: column.filter(keep) for name, column in self.columns.items()}
        return replace(self, table=self.table.filter(keep), columns=columns)

    def read(self, reader: Reader, names: Container[str] | None = None) -> Read:
        """The table with its typed rows, or with those of some columns."""
        columns = {n: c for n, c in self.columns.items() if names is None or n in names}
        typed = reader.read(columns, len(self.table.rows), self.forms, self._kinds())
        return Read(**{each.name: getattr(self, each.name) for each in fields(Texts)}, typed=typed)

    def _kinds(self) -> dict[str, CellKinds]:
        """What the cells of a workbook's columns are; nothing of a text."""
        table, none = self.table, np.zeros(len(self.table.rows), dtype=bool)
        return {
            name: CellKinds(table.numbers.get(at, none), table.dates.get(at, none))
            for name, at in self.positions.items()
            if at in table.numbers or at in table.dates
        }


@dataclass(frozen=True)
class Read(Texts):
    """One table of a source once it is read: ``typed`` has a row for each row of the table."""

    typed: Typed


def all_parts(read: Sequence[Read]) -> dict[str, pd.DataFrame]:
    """The references of cells that hold several, of all tables: ``at`` (row), ``ref``, ``key``."""
    start, pieces = 0, dict[str, list[pd.DataFrame]]()
    for one in read:
        for name, part in one.typed.parts.items():
            pieces.setdefault(name, []).append(part.assign(at=part["at"] + start))
        start += len(one.table.rows)
    return {name: pd.concat(several, ignore_index=True) for name, several in pieces.items()}
