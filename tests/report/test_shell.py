"""A workbook as bytes: sheets are packed beside each other, and come out as one by one."""

from __future__ import annotations

import sys
import zipfile
from datetime import date
from io import BytesIO
from threading import Barrier

import pytest
from openpyxl import Workbook, load_workbook
from openpyxl.worksheet.table import Table

from reconcile.report import shell
from reconcile.report.shell import Rest, as_bytes, empty_book

_SHEETS, _ROWS = 4, 2000
_DAY = date(2026, 10, 31)


def _rows() -> memoryview:
    cell = '<c r="A{row}" t="inlineStr"><is><t>row {row} of many</t></is></c>'
    rows = (f'<row r="{row}">{cell.format(row=row)}</row>' for row in range(2, _ROWS + 2))
    return memoryview("".join(rows).encode())


def _book() -> tuple[Workbook, list[Rest]]:
    """Sheets that are large, each with a table, so that small parts stand between them."""
    book = empty_book()
    for number in range(_SHEETS):
        page = book.create_sheet(f"Sheet {number}")
        page["A1"] = "Heading"
        page.add_table(Table(displayName=f"table_{number}", ref="A1:A2"))
    return book, [Rest(below={1: _rows}) for _ in range(_SHEETS)]


def test_two_sheets_are_packed_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as no_part_is_large:
        no_part_is_large.setattr(shell, "_LARGE", sys.maxsize)
        one_by_one = as_bytes(*_book(), "A shop", _DAY)
    # A sheet is packed once another one is: alone it would wait in vain.
    both, pack = Barrier(2, timeout=60), shell._pack

    def with_another(name: str, pieces: list[bytes | memoryview]) -> shell._Packed:
        if name.startswith("xl/worksheets/sheet"):
            both.wait()
        return pack(name, pieces)

    monkeypatch.setattr(shell, "_pack", with_another)
    assert as_bytes(*_book(), "A shop", _DAY) == one_by_one


def test_every_part_is_where_the_archive_says() -> None:
    data = as_bytes(*_book(), "A shop", _DAY)
    with zipfile.ZipFile(BytesIO(data)) as archive:
        assert archive.testzip() is None
        assert len(archive.namelist()) == len(set(archive.namelist()))
    read = load_workbook(BytesIO(data))
    for page in read:
        assert page.max_row == _ROWS + 1
        assert page[f"A{_ROWS + 1}"].value == f"row {_ROWS + 1} of many"
