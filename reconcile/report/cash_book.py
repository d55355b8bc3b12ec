"""The workbook of the cash check: a shell, and rows streamed into its sheets."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from typing import cast
from xml.etree.ElementTree import canonicalize

import pyarrow as pa
import pyarrow.compute as pc
from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import column_index_from_string, get_column_letter
from openpyxl.worksheet.header_footer import HeaderFooterItem
from openpyxl.worksheet.page import PageMargins
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.report import columns
from reconcile.report.cash_layout import Block, Sheet
from reconcile.report.cells import (
    LINE_POINTS,
    MOST_DIGITS,
    PADDING,
    Column,
    Kind,
    Styles,
    cell_text,
    rows_xml,
)
from reconcile.report.chart import Chart, draw

_TITLE = Font(name="Calibri", size=16, bold=True)
_NOTE = Font(name="Calibri", size=11, bold=True)
_HEADING = Font(name="Calibri", size=11, bold=True, color="FFFFFFFF")
_HEADING_FILL = PatternFill("solid", fgColor="FF1F3A4D")
_RULE = Border(bottom=Side("hair", color="FF8A9BA8"))
_RIGHT: tuple[Kind, ...] = ("amount", "number")
_A4 = 9
_NARROWEST = 8
_ONE_LINE = 14  # longer headings take two lines
# A zip archive cannot hold an earlier time than this one.
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class _Rows:
    """Rows of a sheet by the row of the heading above them, and the sheet's last cell."""

    below: dict[int, str]
    last_cell: str


def book_of(pages: Sequence[Sheet], shop: str, day: date, home: str) -> bytes:
    """A workbook of these sheets as bytes, the same for the same sheets."""
    book = Workbook()
    book.remove(book.worksheets[0])
    rows: list[_Rows] = []
    styles: dict[tuple[Kind, int], int] = {}
    for sheet in pages:
        page = book.create_sheet(sheet.name)
        if not styles:
            styles.update(_styles(page))
        rows.append(_lay_out(page, sheet, styles, home))
    book.properties.creator = "reconcile"
    book.properties.title = cell_text(pa.array([f"{shop}, {day}"]))[0].as_py()
    book.properties.created = datetime.combine(day, time())
    shell = io.BytesIO()
    book.save(shell)
    return _filled(shell, rows, day)


def _styles(page: Worksheet) -> Styles:
    """The number of each style in the workbook, by kind and by decimals of an amount."""
    formats: dict[tuple[Kind, int], str] = {
        ("text", 0): "@",
        ("prose", 0): "@",
        ("yes-no", 0): "@",
        ("date", 0): "yyyy-mm-dd",
        ("number", 0): "#,##0",
    }
    for digits in range(MOST_DIGITS + 1):
        formats["amount", digits] = "#,##0" + "." * (digits > 0) + "0" * digits
    out = {}
    for (kind, digits), number_format in formats.items():
        cell = Cell(page, row=1, column=1)
        cell.number_format = number_format
        right = kind in _RIGHT
        cell.alignment = Alignment(
            horizontal="right" if right else "left",
            vertical="top",
            indent=0 if right else 1,
            wrap_text=kind == "prose",
        )
        cell.border = _RULE
        out[kind, digits] = cell.style_id
    return out


def _lay_out(page: Worksheet, sheet: Sheet, styles: Styles, home: str) -> _Rows:
    """Title, lines, and per block its note and headings; the rows themselves are returned."""
    row = 1
    if sheet.title:
        _put(page, row, 1, sheet.title, _TITLE)
        row += 1
    for line in sheet.lines:
        _put(page, row, 1, line, Font(name="Calibri", size=11))
        row += 1
    row += row > 1
    fitted = _fitted_blocks(sheet)
    below: dict[int, str] = {}
    ends: list[tuple[int, int]] = []  # columns of each block, and the row below it
    for block, shown in zip(sheet.blocks, fitted, strict=True):
        _put(page, row, 1, block.note, _NOTE)
        if len(block.rows):
            _put_headings(page, row + 1, shown)
            below[row + 1] = rows_xml(block.rows, shown, row + 2, styles, home)
            if block is sheet.blocks[-1] and not sheet.one_page:
                _keep_headings(page, row + 1, len(shown), len(block.rows))
            if len(sheet.blocks) == 1:
                page.freeze_panes = f"A{row + 2}"
            if block.chart is not None:
                draw(page, block.chart, row + 1, len(block.rows), _beside(block.chart, ends))
            row += 1 + len(block.rows)
        row += 2
        ends.append((len(shown), row))
    widest = max(fitted, key=len)
    for place, column in enumerate(widest, start=1):
        page.column_dimensions[get_column_letter(place)].width = column.width + PADDING
    _set_up_print(page, sheet, row - 2)
    return _Rows(below, f"{get_column_letter(len(widest))}{row - 2}")


def _beside(chart: Chart, ends: list[tuple[int, int]]) -> int:
    """The first row from which on no table above reaches the columns of the chart."""
    column = column_index_from_string(chart.beside)
    return max((row for width, row in ends if width >= column), default=1)


def _put(page: Worksheet, row: int, column: int, value: str, font: Font) -> Cell:
    """A text of our own or of the shop's; never a formula."""
    cell = cast("Cell", page.cell(row, column))
    cell.value = cell_text(pa.array([value], pa.large_string()))[0].as_py()
    cell.data_type = "s"
    cell.font = font
    return cell


def _put_headings(page: Worksheet, row: int, shown: list[Column]) -> None:
    for place, column in enumerate(shown, start=1):
        cell = _put(page, row, place, column.heading, _HEADING)
        cell.fill = _HEADING_FILL
        right = column.kind in _RIGHT
        cell.alignment = Alignment(
            horizontal="right" if right else "left",
            vertical="center",
            indent=0 if right else 1,
            wrap_text=True,
        )
    if any(len(column.heading) > column.width for column in shown):
        page.row_dimensions[row].height = 2 * LINE_POINTS


def _fitted_blocks(sheet: Sheet) -> list[list[Column]]:
    """The columns of each block, as wide as the widest in their place on the sheet."""
    fitted = [[_fitted(block, column) for column in block.columns] for block in sheet.blocks]
    widths: dict[int, int] = {}
    for block, shown in zip(sheet.blocks, fitted, strict=True):
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


def _fitted(block: Block, column: Column) -> Column:
    """The column as wide as its longest text, within its limit; what is longer is wrapped."""
    words = [column.heading] if len(column.heading) <= _ONE_LINE else column.heading.split()
    least = max(_NARROWEST, *(len(word) for word in words))
    if column.kind == "amount":
        # The widest amount with its decimals and the marks between thousands, or it shows ####.
        most = pc.max(pc.abs(columns.numbers(block.rows[column.source]))).as_py() or 0
        return replace(column, width=max(len(f"{most:,}") + 2, least))
    if column.kind not in ("text", "prose"):
        return replace(column, width=max(10, least))
    longest = pc.max(pc.utf8_length(columns.text(block.rows[column.source]))).as_py() or 0
    kind: Kind = "prose" if longest > column.width else column.kind
    return replace(column, kind=kind, width=min(max(longest, least), max(column.width, least)))


def _keep_headings(page: Worksheet, row: int, width: int, rows: int) -> None:
    """A filter, and headings on every page that the table is printed on."""
    last = get_column_letter(width)
    page.auto_filter.ref = f"A{row}:{last}{row + rows}"
    page.print_title_rows = f"{row}:{row}"


def _set_up_print(page: Worksheet, sheet: Sheet, last_row: int) -> None:
    page.page_setup.orientation = "portrait" if sheet.one_page else "landscape"
    page.page_setup.paperSize = _A4
    page.page_margins = PageMargins(left=0.4, right=0.4, top=0.5, bottom=0.8, footer=0.4)
    page.page_setup.fitToWidth = 1
    page.page_setup.fitToHeight = 1 if sheet.one_page else 0
    page.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    footer = cast("HeaderFooterItem", page.oddFooter)
    footer.left.text = "&A"
    footer.right.text = "&P / &N"
    if sheet.printed:
        page.print_area = f"A1:{get_column_letter(sheet.printed)}{last_row}"


def _filled(shell: io.BytesIO, rows: list[_Rows], day: date) -> bytes:
    """The shell again, with the rows in it and without the time of day."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(shell) as source,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for name in source.namelist():
            # Canonical XML, as the library below writes other bytes where lxml is installed.
            data = canonicalize(source.read(name)).encode()
            sheet = re.fullmatch(r"xl/worksheets/sheet(\d+)\.xml", name)
            if sheet:
                data = _insert(data.decode(), rows[int(sheet[1]) - 1]).encode()
            elif name == "docProps/core.xml":
                data = _dated(data.decode(), day).encode()
            info = zipfile.ZipInfo(name, _ZIP_TIME)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system = 3
            target.writestr(info, data)
    return out.getvalue()


def _insert(xml: str, rows: _Rows) -> str:
    for row, inserted in rows.below.items():
        [start] = [found.start() for found in re.finditer(rf'<row [^>]*r="{row}"', xml)]
        end = xml.index("</row>", start) + len("</row>")
        xml = xml[:end] + inserted + xml[end:]
    whole = f'<dimension ref="A1:{rows.last_cell}"'
    return re.sub(r'<dimension ref="[^"]*"', whole, xml, count=1)


def _dated(xml: str, day: date) -> str:
    """Core properties; openpyxl notes the moment of saving, which differs on every run."""
    stamp = f"{day.isoformat()}T00:00:00Z"
    return re.sub(r"(<dcterms:modified[^>]*>)[^<]*", rf"\g<1>{stamp}", xml)
