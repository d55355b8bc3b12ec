"""Cells, rows and sheets of workbooks as a person sees them in a spreadsheet."""

from __future__ import annotations

import datetime as dt
import time
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook as Spreadsheet
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.errors import Problem, RefusedError
from reconcile.intake.workbooks import SheetInfo
from tests.intake.folders import ORDERS, column, read, rejects, source, write
from tests.intake.workbook_files import (
    EMPTY,
    changed,
    number,
    ods,
    opened,
    sheet_xml,
    text,
    xlsx,
    xlsx_of,
)


def refused(path: Path, sheet: str) -> Problem:
    with pytest.raises(RefusedError) as caught:
        opened(path).columns(sheet, 1, [0])
    (problem,) = caught.value.problems
    assert problem.place == path.name
    return problem


def texts(path: Path, at: int = 0) -> list[str]:
    """The texts of a column of an .xlsx of one sheet."""
    return list(opened(path).columns("Export", 1, [at]).texts[at].to_pylist())


Value = str | float | dt.date | dt.time | dt.timedelta | None
VALUES: list[tuple[Value, str]] = [
    (1001, "1001"),
    (1001.0, "1001"),
    (-7, "-7"),
    (0, "0"),
    (0.1, "0.1"),
    (-12.5, "-12.5"),
    (1e-7, "0.0000001"),
    (123456.789, "123456.789"),
    (999_999_999_999_999, "999999999999999"),
    (1_111_222_233_334_444, "1.11122223333444E+15"),
    (9.4e21, "9.4E+21"),
    (-1e15, "-1E+15"),
    (True, "true"),
    (False, "false"),
    ("00123", "00123"),
    ("=1001", "=1001"),
    (" a\nb ", " a\nb "),
    ("<&>\"'é", "<&>\"'é"),
    (dt.date(2026, 10, 3), "2026-10-03"),
    (dt.datetime(2026, 10, 3, tzinfo=None), "2026-10-03"),  # noqa: DTZ001
    (dt.datetime(2026, 10, 3, 14, 5, tzinfo=None), "2026-10-03 14:05:00"),  # noqa: DTZ001
    (dt.datetime(2026, 12, 31, 23, 59, 59, 600_000, tzinfo=None), "2027-01-01 00:00:00"),  # noqa: DTZ001
    (dt.time(14, 5), "14:05:00"),
    (dt.timedelta(hours=30, seconds=1), "30:00:01"),
    (None, ""),
]


@pytest.mark.parametrize("mac", [False, True])
def test_the_texts_of_cells(tmp_path: Path, mac: bool) -> None:  # noqa: FBT001
    book = Spreadsheet()
    if mac:
        book.epoch = CALENDAR_MAC_1904
    sheet = book.active
    assert isinstance(sheet, Worksheet)
    for row, (value, _) in enumerate(VALUES, start=1):
        cell = sheet.cell(row, 1, value)
        if value == "=1001":
            cell.data_type = "s"
    sheet.cell(len(VALUES), 2, "end")
    book.save(tmp_path / "a.xlsx")
    found = opened(tmp_path / "a.xlsx").columns("Sheet", 1, [0])
    assert found.texts[0].to_pylist() == [shown for _, shown in VALUES]
    assert found.rows == len(VALUES)
    kinds = [type(value) for value, _ in VALUES]
    assert found.numbers[0].tolist() == [kind in (int, float) for kind in kinds]
    moments = (dt.date, dt.datetime, dt.time, dt.timedelta)
    assert found.dates[0].tolist() == [kind in moments for kind in kinds]
    assert [row[0] for row in opened(tmp_path / "a.xlsx").head("Sheet", 99)] == [
        shown for _, shown in VALUES
    ]


@pytest.mark.parametrize(
    ("stored", "shown"),
    [
        (b"0.30000000000000004", "0.3"),
        (b"12.990000000000002", "12.99"),
        (b"-0", "0"),
        (b"1234567890.123456", "1234567890.12346"),
        (b"0.000012345678901234567", "0.0000123456789012346"),
        (b"999999999999999.9", "1E+15"),
        (b"1234567890123456789", "1.23456789012346E+18"),
        (b"1E3", "1000"),
    ],
)
def test_numbers_have_fifteen_digits(tmp_path: Path, stored: bytes, shown: str) -> None:
    cells = b'<row r="1"><c r="A1"><v>%b</v></c></row>' % stored
    whole = cells + b'<row r="2"><c r="A2"><v>7</v></c></row>'
    assert texts(sheet_xml(tmp_path / "a.xlsx", whole)) == [shown, "7"]
    mixed = cells + b'<row r="2"><c r="A2" t="str"><v>x</v></c></row>'
    assert texts(sheet_xml(tmp_path / "b.xlsx", mixed)) == [shown, "x"]


def test_a_format_does_not_bring_zeros_back(tmp_path: Path) -> None:
    def fill(sheet: Worksheet) -> None:
        for row, form in enumerate(["00000", '"LL-"0', '0.00 "EUR"', "0%", "General"], start=1):
            sheet.cell(row, 1, 123).number_format = form

    assert texts(xlsx(tmp_path / "a.xlsx", fill)) == ["123"] * 5


def test_rows_are_those_of_the_spreadsheet(tmp_path: Path) -> None:
    def fill(sheet: Worksheet) -> None:
        sheet["C3"] = "Orders of October"
        for at, value in enumerate(["order_ref", "sku", "qty"], start=2):
            sheet.cell(5, at, value)
        for row in range(6, 9):
            sheet.cell(row, 2, f"00{row}")
            sheet.cell(row, 4, row)

    book = opened(xlsx(tmp_path / "a.xlsx", fill))
    assert book.head("Export", 5) == [
        ["", "", "", ""],
        ["", "", "", ""],
        ["", "", "Orders of October", ""],
        ["", "", "", ""],
        ["", "order_ref", "sku", "qty"],
    ]
    found = book.columns("Export", 6, [3, 1, 9])
    assert found.rows == 3
    assert {at: cells.to_pylist() for at, cells in found.texts.items()} == {
        3: ["6", "7", "8"],
        1: ["006", "007", "008"],
        9: ["", "", ""],
    }
    assert found.numbers[3].all()
    assert not found.numbers[1].any()
    assert book.columns("Export", 99, [1]).texts[1].to_pylist() == []
    assert len(book.head("Export", 99)) == 8


def test_sheets_in_their_order(tmp_path: Path) -> None:
    book = Spreadsheet()
    for name, state in (("Übersicht", "visible"), ("A & B", "hidden"), ("'C>'", "veryHidden")):
        sheet = book.create_sheet(name)
        sheet.sheet_state = state
        sheet.append([name])
    book.remove(book.worksheets[0])
    book.create_chartsheet("Chart")
    book.create_sheet("Empty")
    book.save(tmp_path / "a.xlsx")
    found = opened(tmp_path / "a.xlsx")
    names = ["Übersicht", "A & B", "'C>'", "Empty"]
    seen = [True, False, False, True]
    assert found.sheets == tuple(map(SheetInfo, names, seen))
    assert [found.head(name, 2) for name in names[:3]] == [[[name]] for name in names[:3]]
    assert found.head("Empty", 2) == []
    assert found.columns("Empty", 1, [0]).texts[0].to_pylist() == []


@pytest.mark.parametrize(("sheet", "mend"), [("export", "'Export'"), ("Zyx", "Known here")])
def test_a_sheet_that_does_not_exist(tmp_path: Path, sheet: str, mend: str) -> None:
    problem = refused(xlsx_of(tmp_path / "a.xlsx", [["a"]]), sheet)
    assert f"there is no sheet {sheet!r}" in problem.what
    assert mend in problem.mend


def test_hidden_rows(tmp_path: Path) -> None:
    def fill(sheet: Worksheet) -> None:
        for row in range(1, 7):
            sheet.append([row])
        for row in (2, 5):
            sheet.row_dimensions[row].hidden = True

    book = opened(xlsx(tmp_path / "a.xlsx", fill))
    assert book.hidden_rows("Export").tolist() == [2, 5]
    assert book.hidden_rows("Export").dtype == np.int64
    assert book.columns("Export", 1, [0]).rows == 6
    plain = opened(xlsx_of(tmp_path / "b.xlsx", [[1]]))
    assert plain.hidden_rows("Export").tolist() == []


def test_formulas_with_and_without_a_result(tmp_path: Path) -> None:
    rows = b"".join(
        b'<row r="%d">%b</row>' % (row, cells)
        for row, cells in enumerate(
            [
                b'<c r="A1"><f>1+1</f><v>2</v></c><c r="B1"><f>1+1</f></c>',
                b'<c r="A2"><f>1+1</f><v/></c><c r="B2" t="str"><f>""</f><v></v></c>',
                b'<c r="A3"><f t="shared" si="0"/><v>3</v></c><c r="AB3"><f t="shared"/></c>',
                b'<c t="str"><f>"x"</f><v>x</v></c><c><f>A1&gt;1</f><v></v></c>',
            ],
            start=1,
        )
    )
    book = opened(sheet_xml(tmp_path / "a.xlsx", rows))
    assert book.formulas_without_value("Export") == ["B1", "A2", "AB3", "B4"]
    assert book.columns("Export", 1, [0]).texts[0].to_pylist() == ["2", "", "3", "x"]
    many = opened(xlsx_of(tmp_path / "b.xlsx", [["=1+1"]] * 30))
    assert many.formulas_without_value("Export") == [f"A{row}" for row in range(1, 21)]


def test_errors_are_not_blank(tmp_path: Path) -> None:
    def fill(sheet: Worksheet) -> None:
        for row, error in enumerate(["#N/A", "#REF!", "#DIV/0!", "#NAME?", "#VALUE!"], start=1):
            cell = sheet.cell(row, 3, error)
            cell.data_type = "e"
            sheet.cell(row, 1, row)

    path = xlsx(tmp_path / "a.xlsx", fill)
    assert texts(path, 2) == ["#N/A", "#REF!", "#DIV/0!", "#NAME?", "#VALUE!"]
    assert [row[2] for row in opened(path).head("Export", 2)] == ["#N/A", "#REF!"]
    assert opened(path).columns("Export", 4, [2]).texts[2].to_pylist() == ["#NAME?", "#VALUE!"]
    rows = (
        b'<row><c><v>1</v></c><c t="e"><f>NA()</f><v>#N/A</v></c></row>'
        b'<row><c t="e"><f t="shared" si="1"/><v>#REF!</v></c></row>'
    )
    bare = opened(sheet_xml(tmp_path / "b.xlsx", rows)).columns("Export", 1, [0, 1])
    assert bare.texts[0].to_pylist() == ["1", "#REF!"]
    assert bare.texts[1].to_pylist() == ["#N/A", ""]
    assert bare.numbers[0].tolist() == [True, False]


def test_merged_cells_have_one_value(tmp_path: Path) -> None:
    def fill(sheet: Worksheet) -> None:
        sheet["A1"], sheet["C3"] = "1001", "x"
        sheet.merge_cells("A1:B2")

    book = opened(xlsx(tmp_path / "a.xlsx", fill))
    assert book.head("Export", 3) == [["1001", "", ""], ["", "", ""], ["", "", "x"]]


def test_names_with_a_prefix(tmp_path: Path) -> None:
    """Some programs write every name of the XML with a prefix."""
    rows = (
        b'<x:row r="2" hidden="true"><x:c r="B2" t="e"><x:v>#N/A</x:v></x:c>'
        b'<x:c r="C2"><x:f>1</x:f></x:c><x:c r="D2"><x:v>4</x:v></x:c></x:row>'
    )
    space = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    xml = b'<x:worksheet xmlns:x="%b"><x:sheetData>%b</x:sheetData></x:worksheet>' % (space, rows)
    path = xlsx_of(tmp_path / "a.xlsx", [])
    book = opened(changed(path, {"xl/worksheets/sheet1.xml": lambda _: xml}))
    assert book.head("Export", 3)[1] == ["", "#N/A", "", "4"]
    assert book.hidden_rows("Export").tolist() == [2]
    assert book.formulas_without_value("Export") == ["C2"]


def test_a_cell_that_is_too_long(tmp_path: Path) -> None:
    fits = xlsx_of(tmp_path / "a.xlsx", [["x"], ["y" * 32_767]])
    assert len(texts(fits)[1]) == 32_767
    row = b'<row r="%d"><c r="A%d" t="inlineStr"><is><t>%b</t></is></c></row>'
    rows = b"".join(row % (at, at, b"x" * (32_768 if at == 7 else 1)) for at in range(1, 9))
    problem = refused(sheet_xml(tmp_path / "b.xlsx", rows), "Export")
    assert "cell A7 of sheet 'Export' has 32,768 characters" in problem.what
    assert problem.row == 7


def test_an_ods(tmp_path: Path) -> None:
    filler = {"numbercolumnsrepeated": "16370"}
    path = ods(
        tmp_path / "a.ods",
        {
            "(Old)": [([number("1")], {})],
            "A & B": [
                ([], {"numberrowsrepeated": "2"}),
                ([EMPTY, text("order_ref"), text("qty"), filler], {}),
                ([EMPTY, text("00123"), number("12.50", "12,50 €"), filler], {}),
                ([EMPTY, number("1001"), number("7")], {"visibility": "collapse"}),
                ([EMPTY, number("3", numbercolumnsrepeated="2")], {"numberrowsrepeated": "2"}),
                ([EMPTY, {"valuetype": "date", "datevalue": "2026-10-03", "text": "3. Okt."},
                  {"valuetype": "date", "datevalue": "2026-10-03T14:05:00.7"}], {}),
                ([EMPTY, {"valuetype": "time", "timevalue": "PT14H05M00S"},
                  {"valuetype": "boolean", "booleanvalue": "true"}], {"visibility": "filter"}),
                ([EMPTY, {"valuetype": "percentage", "value": "0.05", "text": "5 %"},
                  {"valuetype": "currency", "value": "12.5", "currency": "EUR"}], {}),
                ([EMPTY, number("2", formula="of:=1+1"), {"formula": "of:=1+1"}], {}),
                ([EMPTY, text("#N/A", stringvalue="", formula="of:=NA()"),
                  number("0", "Err:502", formula="of:=1/0")], {}),
                ([], {"numberrowsrepeated": "1048000", "visibility": "collapse"}),
            ],
        },
    )  # fmt: skip
    book = opened(path)
    assert book.sheets == (SheetInfo("(Old)", visible=False), SheetInfo("A & B", visible=True))
    assert book.head("A & B", 4) == [
        ["", "", ""],
        ["", "", ""],
        ["", "order_ref", "qty"],
        ["", "00123", "12.5"],
    ]
    found = book.columns("A & B", 4, [1, 2])
    assert found.texts[1].to_pylist() == [
        "00123", "1001", "3", "3", "2026-10-03", "14:05:00", "0.05", "2", "#N/A",
    ]  # fmt: skip
    assert found.texts[2].to_pylist() == [
        "12.5", "7", "3", "3", "2026-10-03 14:05:01", "true", "12.5", "", "Err:502",
    ]  # fmt: skip
    assert found.numbers[2].tolist() == [True] * 4 + [False] * 2 + [True] + [False] * 2
    assert np.flatnonzero(found.dates[1]).tolist() == [4, 5]
    assert book.hidden_rows("A & B").tolist() == [5, 9]
    assert book.formulas_without_value("A & B") == ["C11"]
    assert book.head("(Old)", 1) == [["1"]]
    assert "there is no sheet 'A'" in refused(path, "A").what


def test_an_ods_as_a_spreadsheet_writes_it(tmp_path: Path) -> None:
    """Spaces, notes, links and errors in the XML of a cell, and cells marked by an extension."""
    rows = (
        b'<table:table-row><table:table-cell office:value-type="string" calcext:value-type='
        b'"string">'
        b"<office:annotation><text:p>a note</text:p></office:annotation>"
        b"<text:p>LL<text:s/>1 <text:span>&amp;</text:span> 2</text:p></table:table-cell>"
        b'<table:table-cell table:formula="of:=1/0" office:value-type="string" '
        b'office:string-value="" calcext:value-type="error"><text:p>#DIV/0!</text:p>'
        b"</table:table-cell></table:table-row>"
    )
    path = changed(
        ods(tmp_path / "a.ods", {"A": [([text("x")], {})]}),
        {
            "content.xml": lambda xml: xml.replace(
                xml[xml.index(b"<table:table-row") : xml.index(b"</table:table>")], rows
            ).replace(b"<office:document-content", b'<office:document-content xmlns:calcext="c"')
        },
    )
    assert opened(path).head("A", 2) == [["LL 1 & 2", "#DIV/0!"]]


def test_time_for_a_large_sheet(tmp_path: Path) -> None:
    cells = b"".join(
        b'<c r="%c{0}" t="str"><v>LL-{0}</v></c><c r="%c{0}"><v>12.{0}</v></c>' % (at, at + 1)
        for at in range(ord("A"), ord("Y"), 2)
    ).decode()
    rows = "".join(
        f'<row r="{row}">' + cells.replace("{0}", str(row)) + "</row>" for row in range(1, 50_001)
    )
    path = sheet_xml(tmp_path / "a.xlsx", rows.encode())
    begun = time.process_time()
    found = opened(path).columns("Export", 2, range(20))
    assert time.process_time() - begun < 8  # about two seconds on an idle machine
    assert found.rows == 49_999
    assert found.texts[18][49_998].as_py() == "LL-50000"
    assert found.texts[19][0].as_py() == "12.2"


@pytest.mark.parametrize("form", ["day-first", "month-first", "text-month", "%d.%m.%Y", "serial"])
def test_dates_of_a_workbook_are_dates_whatever_is_declared(tmp_path: Path, form: str) -> None:
    shown = {
        "day-first": "04.10.2026",
        "month-first": "10/04/2026",
        "text-month": "4 Oct 2026",
        "%d.%m.%Y": "04.10.2026",
        "serial": "46299",
    }[form]
    values = [dt.date(2026, 10, 4), 46299, 46299.5, 20261004, shown, 4.5, dt.time(14, 5)]
    settings = source("orders", f'[source.format]\ndates = "{form}"')
    folder = write(tmp_path, {}, settings)
    rows = [[f"{n}", value, "LAN-1", 1, 2.5, "EUR"] for n, value in enumerate(values)]
    xlsx_of(folder / "orders.xlsx", [ORDERS.split(","), *rows])
    found = read(folder)
    assert column(found.records["orders"], "ordered_date") == [dt.datetime(2026, 10, 4)] * 5  # noqa: DTZ001
    assert [row for _, row, *_ in rejects(found)] == [7, 8]


def test_day_numbers_of_a_workbook_without_any_declaration(tmp_path: Path) -> None:
    folder = write(tmp_path, {})
    rows = [[n, value, "LAN-1", 1, 2.5, "EUR"] for n, value in (("1", 46299), ("2", "4 Oct 2026"))]
    xlsx_of(folder / "orders.xlsx", [ORDERS.split(","), *rows])
    days = column(read(folder).records["orders"], "ordered_date")
    assert days == [dt.datetime(2026, 10, 4)] * 2  # noqa: DTZ001
