"""How wide columns are, and the headings above them."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol

import pandas as pd
import pyarrow.compute as pc
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.report import columns
from reconcile.report.cells import LINE_POINTS, PADDING, Column, Kind
from reconcile.report.looks import RIGHT, Looks

_NARROWEST = 8
_ONE_LINE = 14  # longer headings take two lines
_HEADING_LINES = 2
_FILTER = 2  # characters of a heading that the button of its filter covers


class Tabular(Protocol):
    """A table on a sheet; ``filtered`` where its headings have buttons."""

    @property
    def columns(self) -> list[Column]:
        """What is shown."""

    @property
    def rows(self) -> pd.DataFrame:
        """Those shown."""

    @property
    def filtered(self) -> bool:
        """Whether its headings have buttons."""


def fitted_blocks(blocks: Sequence[Tabular]) -> list[list[Column]]:
    """The columns of each block, as wide as the widest in their place on the sheet."""
    fitted = [[_fitted(block, column) for column in block.columns] for block in blocks]
    widths: dict[int, int] = {}
    for block, shown in zip(blocks, fitted, strict=True):
        for place, column in enumerate(shown):
            if len(block.rows):
                widths[place] = max(widths.get(place, 0), column.width)
    return [
        [
            replace(column, width=widths.get(place, column.width))
            for place, column in enumerate(shown)
        ]
        for shown in fitted
    ]


def set_widths(page: Worksheet, fitted: list[list[Column]]) -> int:
    """Make the columns of a sheet as wide as its widest table's; gives back how many there are."""
    widest = max(fitted, key=len)
    for place, column in enumerate(widest, start=1):
        page.column_dimensions[get_column_letter(place)].width = column.width + PADDING
    return len(widest)


def put_headings(page: Worksheet, row: int, shown: list[Column], looks: Looks) -> None:
    """The headings of a table in a row, which is high enough for all of them."""
    for place, column in enumerate(shown, start=1):
        looks.put_heading(page, row, place, column.heading, right=column.kind in RIGHT)
    if any(len(column.heading) > column.width for column in shown):
        page.row_dimensions[row].height = _HEADING_LINES * LINE_POINTS


def _fitted(block: Tabular, column: Column) -> Column:
    """The column as wide as its longest text, within its limit; what is longer is wrapped."""
    least = max(_NARROWEST, _heading_width(column.heading) + _FILTER * block.filtered)
    if column.kind == "amount":
        # The widest amount with its decimals and the marks between thousands, or it shows ####.
        most = pc.max(pc.abs(columns.numbers(block.rows[column.source]))).as_py() or 0
        return replace(column, width=max(len(f"{most:,}") + 2, least))
    if column.kind not in ("text", "prose", "link"):
        return replace(column, width=max(10, least))
    longest = pc.max(pc.utf8_length(columns.text(block.rows[column.source]))).as_py() or 0
    kind: Kind = "prose" if column.kind == "text" and longest > column.width else column.kind
    return replace(column, kind=kind, width=min(max(longest, least), max(column.width, least)))


def _heading_width(heading: str) -> int:
    """Characters that a heading needs: on one line where it is short, else on two."""
    if len(heading) <= _ONE_LINE:
        return len(heading)
    widths = range(max(map(len, heading.split())), len(heading))
    return next(width for width in widths if len(textwrap.wrap(heading, width)) <= _HEADING_LINES)
