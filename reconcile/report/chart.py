"""A bar chart beside a table of a sheet."""

from __future__ import annotations

from dataclasses import dataclass

from openpyxl.chart import BarChart, Reference
from openpyxl.worksheet.worksheet import Worksheet

_MOST_BARS = 15
_WIDTH_CM, _HEAD_CM = 16, 4


@dataclass(frozen=True)
class Chart:
    """Bars of one column over the names in another, both counted from 1.

    ``beside`` is the letter of the column in which it begins. ``from_zero`` where no value is
    below it, so that bars are as long as what they stand for.
    """

    title: str
    names: int
    values: int
    beside: str
    from_zero: bool = True


def draw(page: Worksheet, chart: Chart, heading_row: int, rows: int, top: int) -> None:
    """Draw the first rows of the table whose heading stands in a row, from the row ``top`` on."""
    last = heading_row + min(rows, _MOST_BARS)
    bars = BarChart()
    bars.type = "bar"
    bars.title = chart.title
    bars.legend = None
    values = Reference(page, min_col=chart.values, min_row=heading_row + 1, max_row=last)
    bars.add_data(values, titles_from_data=False)
    bars.set_categories(Reference(page, min_col=chart.names, min_row=heading_row + 1, max_row=last))
    bars.y_axis.delete = False
    bars.x_axis.delete = False
    bars.x_axis.scaling.orientation = "maxMin"  # the first row on top, as in the table
    bars.y_axis.number_format = "#,##0"
    bars.y_axis.majorGridlines = None
    bars.gapWidth = 60
    if chart.from_zero:
        bars.y_axis.scaling.min = 0
    bars.width = _WIDTH_CM
    bars.height = _HEAD_CM + min(rows, _MOST_BARS)
    page.add_chart(bars, f"{chart.beside}{top}")
