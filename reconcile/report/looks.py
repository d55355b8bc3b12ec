"""What cells look like: fonts, fills, formats. Nothing is said by a colour alone."""

from __future__ import annotations

from typing import cast

from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.worksheet.header_footer import HeaderFooterItem
from openpyxl.worksheet.page import PageMargins
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.report.cells import MOST_DIGITS, Kind, Styles, one_text

_INK = "FF1F3A4D"
TITLE = Font(name="Calibri", size=16, bold=True)
NOTE = Font(name="Calibri", size=11, bold=True)
PLAIN = Font(name="Calibri", size=11)
SMALL = Font(name="Calibri", size=9)
_LINK = Font(name="Calibri", size=11, underline="single", color=_INK)
_HEADING = Font(name="Calibri", size=11, bold=True, color="FFFFFFFF")
_HEADING_FILL = PatternFill("solid", fgColor=_INK)
_RULE = Border(bottom=Side("hair", color="FF8A9BA8"))
RIGHT: tuple[Kind, ...] = ("amount", "number")
_A4 = 9
_FORMATS: dict[tuple[Kind, int], str] = {
    ("text", 0): "@",
    ("prose", 0): "@",
    ("yes-no", 0): "@",
    ("link", 0): "@",
    ("date", 0): "yyyy-mm-dd",
    ("number", 0): "#,##0",
    **{("amount", n): "#,##0" + "." * (n > 0) + "0" * n for n in range(MOST_DIGITS + 1)},
}


def dress(cell: Cell, kind: Kind, digits: int) -> None:
    """Format a cell of a table; amounts by the decimals of their currency."""
    cell.number_format = _FORMATS[kind, digits]
    right = kind in RIGHT
    cell.alignment = Alignment(
        horizontal="right" if right else "left",
        vertical="top",
        indent=0 if right else 1,
        wrap_text=kind == "prose",
    )
    cell.border = _RULE
    cell.font = _LINK if kind == "link" else PLAIN


def styles_of(page: Worksheet) -> Styles:
    """The number of each style in the workbook, by kind and by decimals of an amount."""
    found = {}
    for kind, digits in _FORMATS:
        cell = Cell(page, row=1, column=1)
        dress(cell, kind, digits)
        found[kind, digits] = cell.style_id
    return found


def put(page: Worksheet, row: int, column: int, value: str, font: Font) -> Cell:
    """A text of our own or of the shop's; never a formula."""
    cell = cast("Cell", page.cell(row, column))
    if value:
        cell.value = one_text(value)
        cell.data_type = "s"
    cell.font = font
    return cell


def put_heading(page: Worksheet, row: int, column: int, value: str, *, right: bool) -> None:
    """A heading, white on dark: it stands out in black and white as well."""
    cell = put(page, row, column, value, _HEADING)
    cell.fill = _HEADING_FILL
    cell.alignment = Alignment(
        horizontal="right" if right else "left",
        vertical="center",
        indent=0 if right else 1,
        wrap_text=True,
    )


def set_up_print(page: Worksheet, *, upright: bool, one_page: bool) -> None:
    """A4, as wide as the page, with the sheet's name and page numbers at the foot."""
    page.page_setup.orientation = "portrait" if upright else "landscape"
    page.page_setup.paperSize = _A4
    page.page_margins = PageMargins(left=0.4, right=0.4, top=0.5, bottom=0.8, footer=0.4)
    page.page_setup.fitToWidth = 1
    page.page_setup.fitToHeight = 1 if one_page else 0
    page.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    footer = cast("HeaderFooterItem", page.oddFooter)
    footer.left.text = "&A"
    footer.right.text = "&P / &N"
