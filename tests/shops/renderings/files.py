"""Grids as files: text in any encoding, packed or not, and the two kinds of spreadsheets."""

from __future__ import annotations

import csv
import gzip
import io
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import openpyxl
from odf.opendocument import OpenDocumentSpreadsheet  # type: ignore[import-untyped]
from odf.table import Table, TableCell, TableRow  # type: ignore[import-untyped]
from odf.text import P  # type: ignore[import-untyped]

from tests.shops.renderings.cells import Cell
from tests.shops.renderings.grid import Grid
from tests.shops.renderings.way import Way

_HIDDEN_SHEET = [["Do not change"], ["Order", "Amount"], ["X-1", 1]]
_MADE = datetime(2026, 10, 4)  # noqa: DTZ001  (a workbook's own time of writing has no zone)


def write_grid(way: Way, grid: Grid, path: Path) -> None:
    """Write one file; the same grid gives the same cells, and text the same bytes."""
    if way.ending == "xlsx":
        _write_xlsx(way, grid, path)
    elif way.ending == "ods":
        _write_ods(way, grid, path)
    else:
        data = _text(way, grid)
        path.write_bytes(gzip.compress(data, mtime=0) if way.ending.endswith(".gz") else data)


def _text(way: Way, grid: Grid) -> bytes:
    out = io.StringIO()
    writer = csv.writer(
        out,
        delimiter=way.delimiter,
        quoting=csv.QUOTE_ALL if way.quote_all else csv.QUOTE_MINIMAL,
        lineterminator=way.line_end,
    )
    writer.writerows(grid.rows)
    encoding = "utf-16-le" if way.encoding == "utf-16" else way.encoding
    return way.bom + out.getvalue().encode(encoding)


def _write_xlsx(way: Way, grid: Grid, path: Path) -> None:
    book = openpyxl.Workbook()
    book.properties.created = book.properties.modified = _MADE
    sheet = book.active
    if sheet is None:
        raise AssertionError("a new workbook has a sheet")
    sheet.title = way.sheet
    for row in grid.rows:
        sheet.append([None if cell == "" else cell for cell in row] if row else [None])
    for place in sorted(grid.body):
        if way.hidden_every and place % way.hidden_every == 0:
            sheet.row_dimensions[place + 1].hidden = True
    other = book.create_sheet("Settings")
    for line in _HIDDEN_SHEET:
        other.append(line)
    other.sheet_state = "hidden"
    book.save(path)


def _write_ods(way: Way, grid: Grid, path: Path) -> None:
    book = OpenDocumentSpreadsheet()
    table = Table(name=way.sheet)
    for cells in grid.rows:
        row = TableRow()
        for cell in cells:
            row.addElement(_ods_cell(cell))
        table.addElement(row)
    book.spreadsheet.addElement(table)
    book.save(str(path))


def _ods_cell(cell: Cell) -> TableCell:
    if cell == "":
        return TableCell()
    if isinstance(cell, int | Decimal):
        made = TableCell(valuetype="float", value=str(cell))
    elif isinstance(cell, date):
        made = TableCell(valuetype="date", datevalue=cell.isoformat())
    else:
        made = TableCell(valuetype="string")
    made.addElement(P(text=str(cell)))
    return made


def column_letter(place: int) -> str:
    """The letter of a spreadsheet's column, counted from 0: A, B, …, Z, AA."""
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
