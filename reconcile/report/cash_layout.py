"""What a sheet of the cash check is made of: tables below each other, some with a chart."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from reconcile.report.cells import Column
from reconcile.report.chart import Chart

CAP = 20_000  # rows of a block; beyond this a person filters the CSV


@dataclass(frozen=True)
class Block:
    """A table on a sheet: a line above it, its columns, and its rows.

    ``note`` stands alone where there are no rows. ``rows`` are those shown, ``chart`` is drawn
    beside them.
    """

    note: str
    columns: list[Column]
    rows: pd.DataFrame
    chart: Chart | None = None
    filtered: bool = False  # the filter of the last one is the sheet's, and takes no room


@dataclass(frozen=True)
class Sheet:
    """A sheet: its name, lines at the top, tables one below the other.

    The last table gets a filter and its header on each printed page; where it is the only one, the
    header stays in sight. ``printed`` is how many
    of its columns go on paper, 0 for all. ``one_page`` is one upright page, whatever is on it.
    """

    name: str
    title: str
    lines: list[str]
    blocks: list[Block]
    printed: int = 0
    one_page: bool = False
