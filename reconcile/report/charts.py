"""The two charts of the first sheet; told apart by pattern as well as by shade."""

from __future__ import annotations

from typing import Literal

from openpyxl.chart import BarChart, LineChart, Reference
from openpyxl.chart.axis import NumericAxis, _BaseAxis
from openpyxl.chart.legend import Legend
from openpyxl.chart.marker import Marker
from openpyxl.chart.shapes import GraphicalProperties
from openpyxl.chart.text import RichText, Text
from openpyxl.chart.title import Title
from openpyxl.drawing.fill import PatternFillProperties
from openpyxl.drawing.line import LineProperties
from openpyxl.drawing.spreadsheet_drawing import AnchorMarker, TwoCellAnchor
from openpyxl.drawing.text import (
    CharacterProperties,
    Paragraph,
    ParagraphProperties,
    RegularTextRun,
)
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.report.layout import HEADING_ROW, Sheet, heading_rows

_INK, _PAPER = "1F3A4D", "FFFFFF"
_Pattern = Literal["solid", "wdUpDiag", "pct5", "smCheck", "ltHorz", "dkVert"]
_PATTERNS: tuple[_Pattern, ...] = ("solid", "wdUpDiag", "pct5", "smCheck", "ltHorz", "dkVert")
ROWS = 16  # of the sheet that a chart covers
# From which column and to which, counted from 0: by columns, since their width is the font's
_PLACES = ((0, 6), (6, 10))
_GAP = 100_000  # between the charts, in English Metric Units (360,000 to a centimetre)


def add_charts(page: Worksheet, figures: Worksheet, sheet: Sheet, row: int) -> None:
    """Draw the tables of the sheet of figures at a row of the first sheet."""
    ages, nights = sheet.blocks
    bars = _bars(figures, ages.note, len(ages.columns), len(ages.rows))
    heading = heading_rows(sheet.blocks)[1]
    line = _line(figures, nights.note, heading, len(nights.rows))
    for chart, (first, last) in zip((bars, line), _PLACES, strict=True):
        start = AnchorMarker(col=first, colOff=_GAP if first else 0, row=row - 1)
        end = AnchorMarker(col=last, row=row - 1 + ROWS)
        # The types know the name of one cell alone; the library takes both.
        chart.anchor = TwoCellAnchor("twoCell", _from=start, to=end)  # type: ignore[assignment]
        page.add_chart(chart)


def _bars(figures: Worksheet, title: str, columns: int, rows: int) -> BarChart:
    chart = BarChart()
    chart.type, chart.grouping, chart.title = "col", "clustered", _title(title)
    chart.x_axis.title = _title("days old")
    if columns > 1:
        last = HEADING_ROW + rows
        data = Reference(figures, min_col=2, max_col=columns, min_row=HEADING_ROW, max_row=last)
        chart.add_data(data, titles_from_data=True)
        chart.set_categories(Reference(figures, min_col=1, min_row=HEADING_ROW + 1, max_row=last))
    for series, pattern in zip(chart.series, _PATTERNS, strict=False):
        series.graphicalProperties = _filled(pattern)
    chart.legend = Legend()
    chart.legend.position = "b"
    _show_axes(chart.x_axis, chart.y_axis)
    return chart


def _filled(pattern: _Pattern) -> GraphicalProperties:
    """Ink in a pattern on white, with an outline."""
    look = GraphicalProperties(solidFill=_INK if pattern == "solid" else None)
    if pattern != "solid":
        ink, paper = (GraphicalProperties(solidFill=one).solidFill for one in (_INK, _PAPER))
        look.pattFill = PatternFillProperties(prst=pattern, fgClr=ink, bgClr=paper)
    look.line = LineProperties(solidFill=_INK)
    return look


def _line(figures: Worksheet, title: str, heading: int, rows: int) -> LineChart:
    chart = LineChart()
    chart.title = _title(title)
    data = Reference(figures, min_col=2, min_row=heading, max_row=heading + rows)
    chart.add_data(data, titles_from_data=True)
    nights = Reference(figures, min_col=1, min_row=heading + 1, max_row=heading + rows)
    chart.set_categories(nights)
    [series] = chart.series
    series.graphicalProperties = GraphicalProperties(ln=LineProperties(solidFill=_INK))
    series.marker = Marker(symbol="circle", size=6)
    series.marker.graphicalProperties = GraphicalProperties(solidFill=_INK)
    series.smooth = False
    chart.legend = None
    chart.y_axis.scaling.min = 0
    _show_axes(chart.x_axis, chart.y_axis)
    return chart


def _title(text: str) -> Title:
    """A title of the page's size: without one, some programs draw it far too large."""
    look = CharacterProperties(sz=1100, b=True)
    run = RegularTextRun(rPr=look, t=text)
    paragraph = Paragraph(pPr=ParagraphProperties(defRPr=look), r=[run])
    return Title(tx=Text(rich=RichText(p=[paragraph])), overlay=False)


def _show_axes(*axes: _BaseAxis) -> None:
    """Axes that every program shows, and whole numbers on them."""
    for axis in axes:
        axis.delete = False
        if isinstance(axis, NumericAxis):
            axis.number_format = "#,##0"
