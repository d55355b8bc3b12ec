"""Rows of a CSV text that do not have as many cells as the header: what is kept of them."""

from __future__ import annotations

import csv
from dataclasses import dataclass

import pyarrow.csv

from reconcile.intake.total_word import total_word


@dataclass(frozen=True)
class Ragged:
    """A row with more or fewer cells than the header; its cells where it is one of totals.

    ``number`` counts the rows under the header from 1. ``moved`` says that something stands
    behind the last cell of the header: a delimiter inside a cell has moved the cells behind it.
    """

    number: int
    cells: int
    blank: bool
    moved: bool
    totals: tuple[str, ...]


def judged(row: pyarrow.csv.InvalidRow, width: int, named: int, delimiter: str) -> Ragged:
    """A row that has not ``width`` cells; ``named`` are those of the header."""
    if not row.text.strip(delimiter + " \t\r\n"):
        return Ragged(row.number, row.actual_columns, blank=True, moved=False, totals=())
    try:
        cells = tuple(next(csv.reader([row.text], delimiter=delimiter), []))
    except csv.Error:  # a cell longer than Python's reader takes
        cells = ("",) * named + ("?",) * (row.actual_columns - named)
    moved = any(cell.strip() for cell in cells[named:])
    first = next((cell for cell in cells if cell.strip()), "")
    short = row.actual_columns < width and total_word(first)  # whatever else stands is not kept
    return Ragged(
        row.number, row.actual_columns, blank=False, moved=moved, totals=cells if short else ()
    )
