"""The workbook: a shell made with openpyxl, and rows streamed into its sheets."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from openpyxl.utils import get_column_letter
from openpyxl.worksheet.filters import AutoFilter
from openpyxl.worksheet.table import Table, TableColumn
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.report.action_sheets import worked
from reconcile.report.cells import Column, links_xml, rows_xml
from reconcile.report.charts import add_charts
from reconcile.report.contents import Contents
from reconcile.report.figures import FIGURES
from reconcile.report.fit import fitted_blocks, put_headings, set_widths
from reconcile.report.front import lay_out_front
from reconcile.report.layout import HEADING_ROW, Block, Sheet, heading_rows
from reconcile.report.looks import Looks, set_up_print
from reconcile.report.sheets import sheets
from reconcile.report.shell import Rest, as_bytes, empty_book
from reconcile.report.today import first_page
from reconcile.report.totals import TOTALS


def workbook(contents: Contents) -> bytes:
    """report.xlsx as bytes, the same for the same contents."""
    book = empty_book()
    work = worked(contents)
    others = sheets(contents, work)
    totals = sum(len(sheet.blocks[0].rows) for sheet in others if sheet.name == TOTALS)
    page = first_page(contents, work, totals)
    front = book.create_sheet("Today")
    looks = Looks(front)
    rest = [Rest(known=lay_out_front(front, page, looks))]
    for sheet in others:
        made = book.create_sheet(sheet.name)
        rest.append(_lay_out(made, sheet, looks, contents.home_currency))
        if sheet.name == FIGURES:
            add_charts(front, made, sheet, page.charts_from)
    return as_bytes(book, rest, contents.shop, contents.as_of)


def _lay_out(page: Worksheet, sheet: Sheet, looks: Looks, home: str) -> Rest:
    """Notes, headings and tables; the rows themselves are given back."""
    fitted = fitted_blocks(sheet.blocks)
    rest = Rest()
    last = 1
    for block, shown, row in zip(sheet.blocks, fitted, heading_rows(sheet.blocks), strict=True):
        looks.put(page, row - 1, 1, block.note, "note")
        last = row - 1
        if len(block.rows):
            put_headings(page, row, shown, looks)
            _name_table(page, block, shown, row)
            rest.below[row] = partial(rows_xml, block.rows, shown, row + 1, looks.styles, home)
            rest.links.extend(links_xml(block.rows, shown, row + 1))
            last = row + len(block.rows)
    page.freeze_panes = f"A{HEADING_ROW + 1}"
    page.print_title_rows = f"{HEADING_ROW}:{HEADING_ROW}"
    width = set_widths(page, fitted)
    set_up_print(page, upright=False, one_page=False)
    if sheet.printed:
        page.print_area = f"A1:{get_column_letter(sheet.printed)}{last}"
    return replace(rest, last_cell=f"{get_column_letter(width)}{last}")


def _name_table(page: Worksheet, block: Block, shown: list[Column], row: int) -> None:
    """A table with a name, so that a person's own formulas and filters can name it."""
    last = get_column_letter(len(shown))
    ref = f"A{row}:{last}{row + len(block.rows)}"
    table = Table(displayName=block.name, ref=ref)
    if block.filtered:
        table.autoFilter = AutoFilter(ref=ref)
    # Without its columns openpyxl would look for them in the rows, which are not there yet.
    table.tableColumns = [
        TableColumn(id=place, name=column.heading) for place, column in enumerate(shown, start=1)
    ]
    page.add_table(table)
