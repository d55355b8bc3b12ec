"""The workbook of the cash check: a shell, and rows streamed into its sheets."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from functools import partial

from openpyxl.utils import column_index_from_string, get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.report.cash_layout import Sheet
from reconcile.report.cells import rows_xml
from reconcile.report.chart import Chart, draw
from reconcile.report.fit import fitted_blocks, put_headings, set_widths
from reconcile.report.looks import Looks, set_up_print
from reconcile.report.shell import MakeRows, Rest, as_bytes, empty_book


def book_of(pages: Sequence[Sheet], shop: str, day: date, home: str) -> bytes:
    """A workbook of these sheets as bytes, the same for the same sheets."""
    book = empty_book()
    made = [book.create_sheet(sheet.name) for sheet in pages]
    looks = Looks(made[0])
    rest = [_lay_out(page, sheet, looks, home) for page, sheet in zip(made, pages, strict=True)]
    return as_bytes(book, rest, shop, day)


def _lay_out(page: Worksheet, sheet: Sheet, looks: Looks, home: str) -> Rest:
    """Title, lines, and per block its note and headings; the rows themselves are returned."""
    row = 1
    if sheet.title:
        looks.put(page, row, 1, sheet.title, "title")
        row += 1
    for line in sheet.lines:
        looks.put(page, row, 1, line, "plain")
        row += 1
    row += row > 1
    fitted = fitted_blocks(sheet.blocks)
    below: dict[int, MakeRows] = {}
    ends: list[tuple[int, int]] = []  # columns of each block, and the row below it
    for block, shown in zip(sheet.blocks, fitted, strict=True):
        looks.put(page, row, 1, block.note, "note")
        if len(block.rows):
            put_headings(page, row + 1, shown, looks)
            below[row + 1] = partial(rows_xml, block.rows, shown, row + 2, looks.styles, home)
            if block is sheet.blocks[-1] and not sheet.one_page:
                _keep_headings(page, row + 1, len(shown), len(block.rows))
            if len(sheet.blocks) == 1:
                page.freeze_panes = f"A{row + 2}"
            if block.chart is not None:
                draw(page, block.chart, row + 1, len(block.rows), _beside(block.chart, ends))
            row += 1 + len(block.rows)
        row += 2
        ends.append((len(shown), row))
    width = set_widths(page, fitted)
    set_up_print(page, upright=sheet.one_page, one_page=sheet.one_page)
    if sheet.printed:
        page.print_area = f"A1:{get_column_letter(sheet.printed)}{row - 2}"
    return Rest(below, last_cell=f"{get_column_letter(width)}{row - 2}")


def _beside(chart: Chart, ends: list[tuple[int, int]]) -> int:
    """The first row from which on no table above reaches the columns of the chart."""
    column = column_index_from_string(chart.beside)
    return max((row for width, row in ends if width >= column), default=1)


def _keep_headings(page: Worksheet, row: int, width: int, rows: int) -> None:
    """A filter, and headings on every page that the table is printed on."""
    last = get_column_letter(width)
    page.auto_filter.ref = f"A{row}:{last}{row + rows}"
    page.print_title_rows = f"{row}:{row}"
