"""Workbooks of several sheets: what is not read is told, and what looks like more rows is asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from openpyxl import Workbook as Spreadsheet

from tests.intake.folders import ORDERS, csv_of, fates, only_problem, read, source, write

Rows = Sequence[Sequence[object]]
HEADER = ORDERS.split(",")
ROW = ["1", "2026-01-02", "LAN-1", 1, 2.5, "EUR"]
AGAIN = ["2", *ROW[1:]]


def _shop(folder: Path, sheets: Mapping[str, Rows], settings: str = "", **files: str) -> Path:
    write(folder, {name.replace("_", "."): text for name, text in files.items()}, settings)
    book = Spreadsheet()
    book.remove(book.worksheets[0])
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    book.save(folder / "orders.xlsx")
    return folder


def test_sheets_that_are_not_read_are_told(tmp_path: Path) -> None:
    sheets: dict[str, Rows] = {
        "October": [HEADER, ROW],
        "November": [AGAIN],
        "Notes": [["Ask Maren"]],
        "Empty": [],
    }
    found = read(_shop(tmp_path, sheets))
    assert fates(found) == [{"accepted": 1}]
    assert list(found.notes["why"]) == [
        "sheet 'November' of the workbook was not read",
        "sheet 'Notes' of the workbook was not read",
    ]


def test_a_sheet_with_most_of_the_headers_is_refused(tmp_path: Path) -> None:
    other = [*HEADER[:-1], "Ccy"]
    for at in (1, 3):
        above: Rows = [["Orders of November"], []] if at > 1 else []
        sheets: dict[str, Rows] = {"October": [HEADER, ROW], "November": [*above, other, AGAIN]}
        problem = only_problem(_shop(tmp_path / str(at), sheets))
        assert problem.place == "orders.xlsx"
        assert "'November' has most of its headers" in problem.what


def test_a_sheet_that_was_chosen_is_read_alone(tmp_path: Path) -> None:
    other = [*HEADER[:-1], "Ccy"]
    settings = source("orders", '[source.format]\nsheet = "October"')
    found = read(_shop(tmp_path, {"October": [HEADER, ROW], "November": [other, AGAIN]}, settings))
    assert fates(found) == [{"accepted": 1}]
    assert found.notes.empty


def test_a_sheet_that_another_source_reads_is_not_told(tmp_path: Path) -> None:
    header = ["supplier", "invoice_no", "invoice_date", *HEADER[:1], *HEADER[2:4]]
    bills: Rows = [
        [*header, "unit_cost", "currency"],
        ["kestrel", "INV-1", "2026-01-03", "1", *ROW[2:]],
    ]
    settings = source("orders") + source("invoices", files="orders.x")
    sheets: dict[str, Rows] = {"Orders": [HEADER, ROW], "Bills": bills}
    found = read(_shop(tmp_path, sheets, settings))
    assert fates(found) == [{"accepted": 1}, {"accepted": 1}]
    assert found.notes.empty


def test_a_text_has_no_sheets(tmp_path: Path) -> None:
    text = csv_of(ORDERS, "1,2026-01-02,LAN-1,1,2.50,EUR")
    assert read(write(tmp_path, {"orders.csv": text})).notes.empty
