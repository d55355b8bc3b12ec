"""What a sheet of the workbook is made of: tables below each other, and links between them."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
import pyarrow as pa

from reconcile.joined import side_by_side
from reconcile.report.cells import Column

# The first table of a sheet: a line above it, its headings, its rows.
HEADING_ROW = 2
FIRST_ROW = HEADING_ROW + 1
_BETWEEN = 2  # rows from the end of a table to the line above the next one


@dataclass(frozen=True)
class Block:
    """A table on a sheet: a line above it, its columns, and its rows.

    ``note`` stands alone where there are no rows. ``rows`` are those shown. ``name`` is that of
    the table in the workbook; ``filtered`` puts a filter on it.
    """

    note: str
    columns: list[Column]
    rows: pd.DataFrame
    name: str
    filtered: bool = True


@dataclass(frozen=True)
class Sheet:
    """A sheet: its name and its tables, one below the other.

    The headings of the first table stay in sight and are printed on every page. ``printed`` is
    how many of the columns go on paper, 0 for all.
    """

    name: str
    blocks: list[Block]
    printed: int = 0


def heading_rows(blocks: list[Block]) -> list[int]:
    """The row of each block's headings; of one without rows the row below its note."""
    found, note = [], 1
    for block in blocks:
        found.append(note + 1)
        note += _BETWEEN + (1 + len(block.rows) if len(block.rows) else 0)
    return found


def cell(sheet: str, column: str, row: int) -> str:
    """A cell of another sheet, as formulas and links write it."""
    return f"'{sheet}'!{column}{row}"


def cells(sheet: pa.Array | str, column: str, row: pa.Array) -> pd.Series:
    """``cell`` of each row."""
    return pd.Series(side_by_side("'", sheet, f"'!{column}", row), dtype="str")


def limited(
    what: str,
    none: str,
    shown: list[Column],
    rows: pd.DataFrame,
    name: str,
    *,
    most: int,
    rest: str,
    of: int | None = None,
) -> Block:
    """The first rows of a table; the line above says how many there are and where the rest is.

    ``of``: how many there are, where the others are left out already.
    """
    if not len(rows):
        return Block(none, shown, rows, name)
    note = note_of(what, len(rows) if of is None else of, most, rest)
    return Block(note, shown, rows.head(most), name)


def note_of(what: str, rows: int, most: int, rest: str) -> str:
    """What a table shows, how many rows there are, and where those beyond ``most`` are."""
    note = f"{what}: {rows:,}."
    if rows > most:
        note += (
            f" The first {most:,} are here, the most urgent first; "
            f"the other {rows - most:,} are in {rest} only."
        )
    return note
