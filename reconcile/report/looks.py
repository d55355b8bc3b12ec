"""What cells look like: fonts, fills, formats. Nothing is said by a colour alone."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from copy import copy
from functools import partial
from typing import Any, Literal, cast

from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.worksheet.header_footer import HeaderFooterItem
from openpyxl.worksheet.page import PageMargins
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.report.cells import MOST_DIGITS, Kind, one_text

_INK = "FF1F3A4D"
_PLAIN = Font(name="Calibri", size=11)
Writing = Literal["title", "note", "plain", "small"]
_WRITINGS: dict[Writing, Font] = {
    "title": Font(name="Calibri", size=16, bold=True),
    "note": Font(name="Calibri", size=11, bold=True),
    "plain": _PLAIN,
    "small": Font(name="Calibri", size=9),
}
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


class Looks:
    """How cells of one workbook look; each look is put together once, and then given on.

    To the library a look is its parts, which it compares with all that the workbook has so far:
    that took a tenth of the time of a small workbook.
    """

    def __init__(self, page: Worksheet) -> None:
        """Begin the looks of the workbook that has this page.

        ``styles``: the number of each style in it, by kind and by decimals of an amount.
        """
        self._known: dict[Hashable, Any] = {}
        self.styles: dict[tuple[Kind, int], int] = {}
        for kind, digits in _FORMATS:
            cell = Cell(page, row=1, column=1)
            self.dress(cell, kind, digits)
            self.styles[kind, digits] = cell.style_id

    def dress(self, cell: Cell, kind: Kind, digits: int) -> None:
        """Format a cell of a table; amounts by the decimals of their currency."""
        self._give(cell, (kind, digits), partial(_dress, kind=kind, digits=digits))

    def dress_shrunk(self, cell: Cell, kind: Kind, digits: int) -> None:
        """Format a number in a column of fixed width, where one that does not fit shows as ####."""
        name = ("shrunk", kind, digits)
        self._give(cell, name, partial(_dress_shrunk, kind=kind, digits=digits))

    def put(self, page: Worksheet, row: int, column: int, value: str, writing: Writing) -> Cell:
        """A text of our own or of the shop's; never a formula."""
        cell = _filled(page, row, column, value)
        self._give(cell, writing, partial(_write, writing=writing))
        return cell

    def put_heading(
        self, page: Worksheet, row: int, column: int, value: str, *, right: bool
    ) -> None:
        """A heading, white on dark: it stands out in black and white as well."""
        cell = _filled(page, row, column, value)
        self._give(cell, ("heading", right), partial(_dress_heading, right=right))

    def _give(self, cell: Cell, name: Hashable, dress: Callable[[Cell], None]) -> None:
        holder: Any = cell  # the stubs leave out where a cell keeps its look
        if name in self._known:
            holder._style = copy(self._known[name])
        else:
            dress(cell)
            self._known[name] = copy(holder._style)


def _filled(page: Worksheet, row: int, column: int, value: str) -> Cell:
    cell = cast("Cell", page.cell(row, column))
    if value:
        cell.value = one_text(value)
        cell.data_type = "s"
    return cell


def _write(cell: Cell, writing: Writing) -> None:
    cell.font = _WRITINGS[writing]


def _dress(cell: Cell, kind: Kind, digits: int) -> None:
    cell.number_format = _FORMATS[kind, digits]
    right = kind in RIGHT
    cell.alignment = Alignment(
        horizontal="right" if right else "left",
        vertical="top",
        indent=0 if right else 1,
        wrap_text=kind == "prose",
    )
    cell.border = _RULE
    cell.font = _LINK if kind == "link" else _PLAIN


def _dress_shrunk(cell: Cell, kind: Kind, digits: int) -> None:
    _dress(cell, kind, digits)
    cell.alignment = Alignment(horizontal="right", vertical="top", shrink_to_fit=True)


def _dress_heading(cell: Cell, *, right: bool) -> None:
    cell.font = _HEADING
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
