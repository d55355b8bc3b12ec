"""The workbook: a shell made with openpyxl, and rows streamed into its sheets."""

from __future__ import annotations

import io
import re
import textwrap
import zipfile
from dataclasses import dataclass, field, replace
from datetime import datetime, time
from xml.etree.ElementTree import canonicalize

import pyarrow as pa
import pyarrow.compute as pc
from openpyxl import Workbook
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.filters import AutoFilter
from openpyxl.worksheet.table import Table, TableColumn
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.report import columns
from reconcile.report.action_sheets import worked
from reconcile.report.cells import (
    LINE_POINTS,
    MOST_LINKS,
    PADDING,
    Column,
    Kind,
    Styles,
    cell_text,
    links_xml,
    rows_xml,
)
from reconcile.report.charts import add_charts
from reconcile.report.contents import Contents
from reconcile.report.figures import FIGURES
from reconcile.report.front import lay_out_front
from reconcile.report.layout import HEADING_ROW, Block, Sheet, heading_rows
from reconcile.report.looks import NOTE, RIGHT, put, put_heading, set_up_print, styles_of
from reconcile.report.sheets import sheets
from reconcile.report.today import first_page
from reconcile.report.totals import TOTALS

_NARROWEST = 8
_ONE_LINE = 14  # longer headings take two lines
_HEADING_LINES = 2
_FILTER = 2  # characters of a heading that the button of its filter covers
# A zip archive cannot hold an earlier time than this one.
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class _Rest:
    """What is put into a sheet after the shell was made.

    ``below``: rows by the row of the heading above them. ``known``: what formulas come to, by
    their cell. ``last_cell``: of the sheet, blank where the shell knows it.
    """

    below: dict[int, str] = field(default_factory=dict)
    links: list[str] = field(default_factory=list)
    known: dict[str, str] = field(default_factory=dict)
    last_cell: str = ""


def workbook(contents: Contents) -> bytes:
    """report.xlsx as bytes, the same for the same contents."""
    book = Workbook()
    book.remove(book.worksheets[0])
    work = worked(contents)
    others = sheets(contents, work)
    totals = sum(len(sheet.blocks[0].rows) for sheet in others if sheet.name == TOTALS)
    page = first_page(contents, work, totals)
    front = book.create_sheet("Today")
    styles = styles_of(front)
    rest = [_Rest(known=lay_out_front(front, page))]
    for sheet in others:
        made = book.create_sheet(sheet.name)
        rest.append(_lay_out(made, sheet, styles, contents.home_currency))
        if sheet.name == FIGURES:
            add_charts(front, made, sheet, page.charts_from)
    book.properties.creator = "reconcile"
    book.properties.title = cell_text(pa.array([f"{contents.shop}, {contents.as_of}"]))[0].as_py()
    book.properties.created = datetime.combine(contents.as_of, time())
    shell = io.BytesIO()
    book.save(shell)
    return _filled(shell, rest, contents)


def _lay_out(page: Worksheet, sheet: Sheet, styles: Styles, home: str) -> _Rest:
    """Notes, headings and tables; the rows themselves are given back."""
    fitted = _fitted_blocks(sheet)
    rest = _Rest()
    last = 1
    for block, shown, row in zip(sheet.blocks, fitted, heading_rows(sheet.blocks), strict=True):
        put(page, row - 1, 1, block.note, NOTE)
        last = row - 1
        if len(block.rows):
            _put_headings(page, row, shown)
            _name_table(page, block, shown, row)
            rest.below[row] = rows_xml(block.rows, shown, row + 1, styles, home)
            rest.links.extend(links_xml(block.rows, shown, row + 1))
            last = row + len(block.rows)
    page.freeze_panes = f"A{HEADING_ROW + 1}"
    page.print_title_rows = f"{HEADING_ROW}:{HEADING_ROW}"
    widest = max(fitted, key=len)
    for place, column in enumerate(widest, start=1):
        page.column_dimensions[get_column_letter(place)].width = column.width + PADDING
    set_up_print(page, upright=False, one_page=False)
    if sheet.printed:
        page.print_area = f"A1:{get_column_letter(sheet.printed)}{last}"
    return replace(rest, last_cell=f"{get_column_letter(len(widest))}{last}")


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


def _put_headings(page: Worksheet, row: int, shown: list[Column]) -> None:
    for place, column in enumerate(shown, start=1):
        put_heading(page, row, place, column.heading, right=column.kind in RIGHT)
    if any(len(column.heading) > column.width for column in shown):
        page.row_dimensions[row].height = _HEADING_LINES * LINE_POINTS


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
    if not len(block.rows):
        return column
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


def _filled(shell: io.BytesIO, rest: list[_Rest], contents: Contents) -> bytes:
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
                data = _insert(data.decode(), rest[int(sheet[1]) - 1]).encode()
            elif name == "docProps/core.xml":
                data = _dated(data.decode(), contents).encode()
            info = zipfile.ZipInfo(name, _ZIP_TIME)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system = 3
            target.writestr(info, data)
    return out.getvalue()


def _insert(xml: str, rest: _Rest) -> str:
    """Rows, links and known values, each where the standard wants it."""
    for cell, value in rest.known.items():
        formula = re.compile(rf'(<c r="{cell}"[^>]*><f>[^<]*</f>)<v ?(?:/>|></v>)')
        xml = formula.sub(rf"\g<1><v>{value}</v>", xml, count=1)
    for row, inserted in rest.below.items():
        [start] = [found.start() for found in re.finditer(rf'<row [^>]*r="{row}"', xml)]
        end = xml.index("</row>", start) + len("</row>")
        xml = xml[:end] + inserted + xml[end:]
    if rest.links:
        before = "<printOptions" if "<printOptions" in xml else "<pageMargins"
        links = "".join(rest.links[:MOST_LINKS])
        xml = xml.replace(before, f"<hyperlinks>{links}</hyperlinks>{before}", 1)
    if rest.last_cell:
        whole = f'<dimension ref="A1:{rest.last_cell}"'
        xml = re.sub(r'<dimension ref="[^"]*"', whole, xml, count=1)
    return xml


def _dated(xml: str, contents: Contents) -> str:
    """Core properties; openpyxl notes the moment of saving, which differs on every run."""
    stamp = f"{contents.as_of.isoformat()}T00:00:00Z"
    return re.sub(r"(<dcterms:modified[^>]*>)[^<]*", rf"\g<1>{stamp}", xml)
