"""Workbooks written as spreadsheets write them, and parts of them changed by hand."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from odf.opendocument import OpenDocumentSpreadsheet  # type: ignore[import-untyped]
from odf.style import Style, TableProperties  # type: ignore[import-untyped]
from odf.table import Table, TableCell, TableRow  # type: ignore[import-untyped]
from odf.text import P  # type: ignore[import-untyped]
from openpyxl import Workbook as Spreadsheet
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.intake.files import read_content
from reconcile.intake.workbooks import Workbook

Cell = Mapping[str, str]
EMPTY: Cell = {}


def opened(path: Path) -> Workbook:
    """The workbook in a file, as a shop's is opened."""
    return Workbook(read_content(path.parent, path))


def xlsx(path: Path, fill: Callable[[Worksheet], None], title: str = "Export") -> Path:
    """Write an .xlsx of one sheet."""
    book = Spreadsheet()
    sheet = book.active
    assert isinstance(sheet, Worksheet)
    sheet.title = title
    fill(sheet)
    book.save(path)
    return path


def xlsx_of(path: Path, rows: Iterable[Sequence[object]]) -> Path:
    """Write an .xlsx of one sheet with these rows from row 1 on."""

    def fill(sheet: Worksheet) -> None:
        for row in rows:
            sheet.append(list(row))

    return xlsx(path, fill)


def changed(path: Path, parts: Mapping[str, Callable[[bytes], bytes]]) -> Path:
    """Rewrite parts of a zip; a part that is not there yet is made from nothing."""
    held = io.BytesIO(path.read_bytes())
    with zipfile.ZipFile(held) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in [*old.namelist(), *(part for part in parts if part not in old.namelist())]:
            data = old.read(name) if name in old.namelist() else b""
            new.writestr(name, parts[name](data) if name in parts else data)
    return path


def sheet_xml(path: Path, rows: bytes) -> Path:
    """An .xlsx whose one sheet holds these rows of XML, as another program might write them."""
    head = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
    xml = head + b"<sheetData>" + rows + b"</sheetData></worksheet>"
    return changed(xlsx_of(path, []), {"xl/worksheets/sheet1.xml": lambda _: xml})


def number(value: str, shown: str = "", **more: str) -> Cell:
    """A cell of an .ods that holds a number."""
    return {"valuetype": "float", "value": value, "text": shown or value, **more}


def text(value: str, **more: str) -> Cell:
    """A cell of an .ods that holds a text."""
    return {"valuetype": "string", "text": value, **more}


def ods(
    path: Path, sheets: Mapping[str, Sequence[tuple[Sequence[Cell], Mapping[str, str]]]]
) -> Path:
    """Write an .ods; a row is its cells and its attributes. Sheets named "(…)" are hidden."""
    book = OpenDocumentSpreadsheet()
    hidden = Style(name="hidden", family="table")
    hidden.addElement(TableProperties(display="false"))
    book.automaticstyles.addElement(hidden)
    for name, rows in sheets.items():
        table = Table(name=name, **({"stylename": hidden} if name.startswith("(") else {}))
        for cells, attributes in rows:
            row = TableRow(**attributes)
            for cell in cells:
                made = TableCell(**{key: value for key, value in cell.items() if key != "text"})
                if "text" in cell:
                    made.addElement(P(text=cell["text"]))
                row.addElement(made)
            table.addElement(row)
        book.spreadsheet.addElement(table)
    book.save(str(path))
    return path
