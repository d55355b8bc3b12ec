"""The first sheet as cells of a worksheet."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import cast

import pandas as pd
from openpyxl.cell import Cell
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.hyperlink import Hyperlink
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.report.cells import EXACT_LIMIT, Kind
from reconcile.report.charts import ROWS
from reconcile.report.looks import Looks, Writing, set_up_print
from reconcile.report.today import WIDTHS, Page, Value

_WRITINGS: dict[str, Writing] = {
    "title": "title",
    "note": "note",
    "line": "plain",
    "small": "small",
}


def lay_out_front(sheet: Worksheet, page: Page, looks: Looks) -> dict[str, str]:
    """Put the page on its sheet; gives what each formula comes to now, by its cell."""
    known: dict[str, str] = {}
    for value in page.cells:
        if value.kind in _WRITINGS:
            writing = _WRITINGS[value.kind]
            looks.put(sheet, value.row, value.column, str(value.value), writing)
        elif value.kind in ("heading", "heading-right"):
            right = value.kind == "heading-right"
            looks.put_heading(sheet, value.row, value.column, str(value.value), right=right)
        elif value.kind in ("amount", "number"):
            _put_number(sheet, value, known, looks)
        else:
            _put_other(sheet, value, looks)
    for place, width in enumerate(WIDTHS, start=1):
        sheet.column_dimensions[get_column_letter(place)].width = width
    set_up_print(sheet, upright=True, one_page=True)
    sheet.print_area = f"A1:{get_column_letter(len(WIDTHS))}{page.charts_from + ROWS}"
    sheet.sheet_view.showGridLines = False
    return known


def _put_number(sheet: Worksheet, value: Value, known: dict[str, str], looks: Looks) -> None:
    kind: Kind = "amount" if value.kind == "amount" else "number"
    cell = cast("Cell", sheet.cell(value.row, value.column))
    looks.dress_shrunk(cell, kind, value.digits)
    if pd.isna(value.value):
        return
    minor = int(value.value)
    digits = value.digits
    text = f"{minor // 10**digits if minor >= 0 else -(-minor // 10**digits)}"
    if digits:
        sign = "-" if minor < 0 else ""
        text = f"{sign}{abs(minor) // 10**digits}.{abs(minor) % 10**digits:0{digits}d}"
    if abs(minor) >= EXACT_LIMIT:  # a spreadsheet would round it
        cell.value, cell.data_type = text, "s"
    elif value.formula:
        cell.value = f"={value.formula}"
        known[cell.coordinate] = text
    else:
        cell.value, cell.data_type = text, "n"


def _put_other(sheet: Worksheet, value: Value, looks: Looks) -> None:
    if value.kind == "date":
        cell = cast("Cell", sheet.cell(value.row, value.column))
        if not pd.isna(value.value):
            day: date = pd.Timestamp(value.value).date()
            cell.value = datetime.combine(day, time())
        looks.dress(cell, "date", 0)
        return
    if value.kind == "blank":
        looks.dress(cast("Cell", sheet.cell(value.row, value.column)), "text", 0)
        return
    cell = looks.put(sheet, value.row, value.column, str(value.value), "plain")
    looks.dress(cell, "link" if value.link else "text", 0)
    if value.link:
        cell.hyperlink = Hyperlink(ref=cell.coordinate, location=value.link)
        looks.dress(cell, "link", 0)
