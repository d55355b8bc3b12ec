"""A table of texts, whatever kind of file it came from."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake.coded import Bools, Coded, bools


@dataclass(frozen=True)
class ShortTotal:
    """A row of totals below all others that has fewer cells than the header."""

    row: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class TextTable:
    """The rows of one table under its header, without those that hold nothing at all.

    ``columns`` are texts by position, ``rows`` the row numbers of a spreadsheet. ``ragged`` are
    the rows with more or fewer cells than the header, ``blank`` how many rows hold nothing,
    ``total`` how many rows there are under the header. ``short`` are totals. ``numbers`` and
    ``dates`` say of a workbook's cells which are numbers and which are dates; positions without
    such cells are absent.
    """

    columns: dict[int, Coded]
    rows: NDArray[np.int64]
    ragged: NDArray[np.int64]
    blank: int
    total: int
    short: tuple[ShortTotal, ...] = ()
    numbers: dict[int, Bools] = field(default_factory=dict)
    dates: dict[int, Bools] = field(default_factory=dict)

    def filter(self, keep: Bools) -> TextTable:
        """Some of the rows; the counts of all rows stay as they are."""
        return TextTable(
            {at: column.filter(keep) for at, column in self.columns.items()},
            self.rows[keep],
            self.ragged,
            self.blank,
            self.total,
            self.short,
            {at: mask[keep] for at, mask in self.numbers.items()},
            {at: mask[keep] for at, mask in self.dates.items()},
        )

    def part(self, start: int, rows: int) -> TextTable:
        """So many rows from one on; what is said of all rows is in the first part alone."""
        here = slice(start, start + rows)
        return TextTable(
            {at: column.part(start, rows) for at, column in self.columns.items()},
            self.rows[here],
            self.ragged[:0] if start else self.ragged,
            0 if start else self.blank,
            0 if start else self.total,
            () if start else self.short,
            {at: mask[here] for at, mask in self.numbers.items()},
            {at: mask[here] for at, mask in self.dates.items()},
        )


def without_blank_rows(table: TextTable) -> TextTable:
    """The table without the rows in which no wanted column holds anything."""
    filled = np.zeros(len(table.rows), dtype=bool)
    for column in table.columns.values():
        if filled.all():
            return table
        texts = pc.utf8_trim_whitespace(column.texts)
        filled |= column.take(bools(pc.not_equal(texts, "")))
    if filled.all():
        return table
    kept = table.filter(filled)
    return TextTable(
        kept.columns,
        kept.rows,
        kept.ragged,
        table.blank + int((~filled).sum()),
        table.total,
        table.short,
        kept.numbers,
        kept.dates,
    )
