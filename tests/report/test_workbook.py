"""The workbook, read back cell by cell."""

from __future__ import annotations

import io
import re
import textwrap
import zipfile
from collections import Counter
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from xml.etree import ElementTree as ET

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.workbook.workbook import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.checks.catalogue import load_catalogue
from reconcile.report.cells import CELL_LIMIT, CUT_MARK, LINE_POINTS, PADDING
from reconcile.report.contents import Contents
from reconcile.report.summary import CAUTION
from reconcile.report.workbook import workbook
from tests.report.results import AS_OF, empty_results, lines_of, results, with_text

pytestmark = pytest.mark.no_cover

_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_LISTS = ("Hold", "Pay", "Chase", "Claim", "Post", "Check")


def _open(contents: Contents) -> Workbook:
    return openpyxl.load_workbook(io.BytesIO(workbook(contents)), data_only=True)


def _table(page: Worksheet, heading: str) -> pd.DataFrame:
    """The table whose first heading is this one, down to the first row without a value."""
    rows = [list(row) for row in page.iter_rows(values_only=True)]
    [top] = [place for place, row in enumerate(rows) if row[0] == heading]
    at = [place for place, name in enumerate(rows[top]) if name]
    body: list[list[Any]] = []
    for row in rows[top + 1 :]:
        if not any(row[place] is not None for place in at):
            break
        body.append([row[place] for place in at])
    return pd.DataFrame(body, columns=[rows[top][place] for place in at], dtype=object)


def _exact(contents: Contents, name: str) -> list[list[tuple[str, str]]]:
    """A sheet as it stands in its part: per row, each cell's type and text."""
    data = workbook(contents)
    place = openpyxl.load_workbook(io.BytesIO(data)).sheetnames.index(name) + 1
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        root = ET.fromstring(archive.read(f"xl/worksheets/sheet{place}.xml"))  # noqa: S314
    return [
        [(cell.get("t", ""), "".join(cell.itertext())) for cell in row.iter(f"{_MAIN}c")]
        for row in root.iter(f"{_MAIN}row")
    ]


def test_every_list_has_a_sheet_and_every_exception_a_row() -> None:
    contents = results()
    book = _open(contents)
    assert book.sheetnames == [
        *("Today", *_LISTS, "Waiting", "Unknown", "Follows", "Accepted", "Cleared", "Totals"),
        *("Order lines", "Evidence", "Proof", "Inputs", "Input sums", "Rejected rows", "Notes"),
        *("Rules", "Figures"),
    ]
    found = contents.exceptions
    for verdict in ("waiting", "unknown", "follows", "accepted"):
        shown = _table(book[verdict.capitalize()], "Due by")
        assert list(shown["Id"]) == list(found[found["verdict"] == verdict]["id"])
    to_act = found[found["verdict"] == "open"]
    shown = _table(book["Evidence"], "List")
    assert sorted(shown["Id"]) == sorted(to_act["id"])
    for name in _LISTS:
        rows = _table(book[name], "Due by")
        assert len(rows) == (to_act["list"] == name.lower()).sum()
    assert list(_table(book["Cleared"], "Amount")["Cleared by"]) == [
        "new or changed rows in the payments"
    ]


def test_lists_are_in_the_order_of_deadline_and_money() -> None:
    contents = results()
    contents.exceptions["list"] = "chase"
    contents.exceptions.loc[:9, "due_by"] = pd.Timestamp("2026-10-20")
    contents.exceptions.loc[2, "due_by"] = pd.Timestamp("2026-10-19")
    contents.exceptions.loc[4, "due_by"] = pd.NaT
    shown = _table(_open(contents)["Chase"], "Due by")
    # 3,100 yen are less than 20 euros; what has no amount comes last of its day, no day last
    assert list(shown["Order"]) == [
        *("LL-1003", "LL-1002", "LL-1001", "LL-1004", "LL-1008", "9999", "LL-1006", "LL-1007"),
        *(None, "LL-1005"),
    ]


def test_rows_of_lists_lead_to_their_evidence_and_back() -> None:
    book = openpyxl.load_workbook(io.BytesIO(workbook(results())))
    for name in _LISTS:
        page = book[name]
        [column] = [cell.column for cell in page[2] if cell.value == "Evidence"]
        for row in range(3, 3 + len(_table(page, "Due by"))):
            cell = page.cell(row, column)
            assert cell.hyperlink is not None
            sheet, place = str(cell.hyperlink.location).replace("'", "").split("!")
            back = book[sheet][place]
            assert back.hyperlink.location == f"'{name}'!A{row}"
            assert cell.value == f"Evidence, row {back.row}"
    lines = [cell for [cell] in book["Evidence"]["B3:B12"] if cell.hyperlink]
    for cell in lines:
        sheet, place = str(cell.hyperlink.location).replace("'", "").split("!")
        assert book[sheet][place].offset(0, 1).value == cell.value
    assert len(lines) == 4


def test_amounts_are_numbers_with_the_decimals_of_their_currency() -> None:
    book = _open(results())
    found = [book["Pay"]["B3"], *(cell for [cell] in book["Claim"]["B3:B4"])]
    found += [cell for [cell] in book["Chase"]["B3:B5"]] + [book["Check"]["B4"]]
    assert [(cell.value, cell.number_format) for cell in found] == [
        (45, "#,##0.00"),
        (1234567.89, "#,##0.00"),
        (3100, "#,##0"),
        (None, "#,##0"),
        (1.25, "#,##0.000"),
        (9.99, "#,##0.00"),
        (None, "#,##0"),
    ]
    assert _exact(results(), "Claim")[2][1] == ("", "1234567.89")
    assert _exact(results(), "Chase")[3][1] == ("", "1.250")


def test_an_amount_of_more_digits_than_a_spreadsheet_keeps_is_a_text() -> None:
    contents = results()
    contents.exceptions.loc[0, "amount_minor"] = 1234567890123456789
    assert _exact(contents, "Pay")[2][1] == ("inlineStr", "12345678901234567.89")


def test_dates_are_dates_and_references_are_texts() -> None:
    book = _open(results())
    assert book["Pay"]["A3"].value == datetime(2026, 10, 21)  # noqa: DTZ001
    assert book["Pay"]["A3"].number_format == "yyyy-mm-dd"
    for name, text in (("Chase", "1111222233334444"), ("Check", "10e5")):
        page = book[name]
        [column] = [cell.column for cell in page[2] if cell.value == "Document"]
        [cell] = [page.cell(row, column) for row in (3, 4) if page.cell(row, column).value]
        assert (cell.value, cell.data_type, cell.number_format) == (text, "s", "@")
    shown = _table(book["Post"], "Due by")
    assert list(shown["Tracking number to post"]) == ["1111222233334444"]


def test_a_date_that_programs_count_differently_is_a_text() -> None:
    contents = results()
    contents.exceptions.loc[1, "due_by"] = pd.Timestamp("1900-02-28")
    contents.exceptions.loc[2, "due_by"] = pd.Timestamp("1900-03-01")
    rows = _exact(contents, "Claim")
    assert rows[2][0] == ("inlineStr", "1900-02-28")
    assert rows[3][0] == ("", "61")


def test_today_adds_up_to_the_open_exceptions_and_never_across() -> None:
    contents = results()
    to_act = contents.exceptions[contents.exceptions["verdict"] == "open"]
    page = _open(contents)["Today"]
    money = _table(page, "Class")
    shown = {
        (row["Class"], row["Currency"]): (Decimal(str(row["Open now"])), row["Rows"])
        for row in money.head(7).to_dict("records")
    }
    assert shown == {
        ("stop", "EUR"): (Decimal(20), 1),
        ("claim", "BHD"): (Decimal("1.25"), 1),
        ("claim", "EUR"): (Decimal("1234577.88"), 2),
        ("claim", "JPY"): (Decimal(3100), 1),
        ("claim", "USD"): (Decimal(0), 0),
        ("owed", "EUR"): (Decimal(45), 1),
        ("at-risk", "EUR"): (Decimal("-0.05"), 1),
    }
    moved = money.set_index(["Class", "Currency"])
    assert moved.T[("owed", "EUR")].tolist()[2:7] == [57.5, 0, 0, -12.5, 0]
    assert moved.T[("claim", "USD")].tolist()[2:7] == [5, 0, 0, -5, 0]
    urgent = _table(page, "Due by")
    # High before medium before low; then by deadline
    assert list(urgent["List"]) == [
        *("claim", "claim", "pay", "check", "hold", "chase", "chase", "check", "post", "chase"),
    ]
    work = _table(page, "List").head(8)
    counts = dict(zip(work["List"], work["Open"], strict=True))
    assert {name: count for name, count in counts.items() if count} == Counter(to_act["list"])


def test_today_shows_the_order_lines_by_state() -> None:
    contents = results()
    rows = list(_open(contents)["Today"].iter_rows(values_only=True))
    [top] = [at for at, row in enumerate(rows) if row[6] == "State"]
    found = {row[6]: row[9] for row in rows[top + 1 : top + 11]}
    assert {name: count for name, count in found.items() if count} == Counter(
        lines_of(contents)["state"]
    )


def _today(contents: Contents) -> list[str]:
    return [str(cell.value) for [cell] in _open(contents)["Today"]["A1:A20"]]


def test_today_says_whether_it_can_be_trusted() -> None:
    contents = results()
    assert [line for line in _today(contents)[:9] if line != "None"] == [
        "Lantern Lane: what to do on 2026-10-31",
        CAUTION,
        "Can this be trusted?",
        "Every row and amount is accounted for: 2 of 2 proofs hold (sheet Proof).",
        "Rows rejected, and in no figure: 1 of 26 (sheet Rejected rows).",
        "The files reach: orders to 2026-10-31, invoices to 2026-10-31.",
        "Exceptions that these files cannot decide: 1 (sheet Unknown).",
    ]
    contents.proofs.loc[1, "holds"] = False
    assert any(
        line.startswith("PROOF FAILED, do not act on this report: Settled")
        for line in _today(contents)
    )


def test_a_quiet_night_says_so_and_has_no_empty_sheet() -> None:
    contents = empty_results()
    book = _open(contents)
    assert "There is nothing to do." in _today(contents)
    assert book.sheetnames == ["Today", "Rules", "Figures"]


def test_inputs_show_where_every_row_went() -> None:
    book = _open(results())
    proofs = _table(book["Proof"], "Unit")
    assert list(proofs["Left"]) == [26, 12345.67]
    assert list(proofs["Holds"]) == ["yes", "yes"]
    files, sums = (
        [row for row in book[name].iter_rows(values_only=True) if row[0] == "kestrel-bills"]
        for name in ("Inputs", "Input sums")
    )
    assert files[0][2:10] == (9, 4, 0, 1, 0, 0, 0, 4)
    assert sums[0][2:6] == ("line_total", 4, 3100, "JPY")


def test_sheets_have_named_tables_headings_in_sight_and_a_printed_page() -> None:
    book = openpyxl.load_workbook(io.BytesIO(workbook(results())))
    names = []
    for page in book.worksheets:
        assert (page.page_setup.fitToWidth, page.page_setup.paperSize) == (1, 9)
        assert not page.merged_cells.ranges
        if page.title == "Today":
            assert page.page_setup.fitToHeight == 1
            assert page.page_setup.orientation == "portrait"
            continue
        assert page.page_setup.fitToHeight == 0
        assert page.freeze_panes == "A3"
        assert page.print_title_rows == "$2:$2"
        for table in page.tables.values():
            names.append(table.displayName)
            top = page[table.ref][0]
            assert [cell.value for cell in top] == [one.name for one in table.tableColumns]
            assert len({cell.value for cell in top}) == len(top)
    assert len(set(names)) == len(names)
    assert {"PayList", "PayTotals", "OpenTotals", "OrderLines", "Evidence", "Rules"} <= set(names)


def test_a_sheet_beyond_its_limit_says_where_the_rest_is() -> None:
    contents = results(report_rows=1)
    book = _open(contents)
    assert book["Chase"]["A1"].value == (
        "Ask the supplier: 3. The first 1 are here, the most urgent first; "
        "the other 2 are in lists/chase.csv only. Totals below."
    )
    assert list(_table(book["Chase"], "Due by")["Order"]) == ["LL-1006"]
    assert [name for name in book.sheetnames if name.startswith("Evidence")] == [
        "Evidence",
        *(f"Evidence {number}" for number in range(2, 7)),
    ]
    totals = _table(book["Totals"], "List")
    assert set(totals["Agrees"]) == {"yes"}
    chase = totals[totals["List"] == "chase"].set_index(["Class", "Currency"])
    assert chase.T[("claim", "EUR")].tolist()[1:8] == [0, 0, 1, 9.99, 1, 9.99, 1]
    assert sum(totals["Rows in all"]) == 10


def test_order_lines_are_those_that_are_not_finished_or_have_an_exception() -> None:
    contents = results()
    lines_of(contents).loc[1, "order_ref"] = "LL-7777"
    shown = _table(_open(contents)["Order lines"], "State")
    assert list(shown["State"]) == ["to-pay", "to-ship", "unknown", "in-transit"]
    lines_of(contents).loc[1, "order_ref"] = "LL-1012"  # delivered, and a decision covers it
    shown = _table(_open(contents)["Order lines"], "State")
    assert list(shown["State"])[-1] == "delivered"


def test_order_lines_say_how_many_open_exceptions_they_have() -> None:
    contents = results()
    # One of the line, one of its whole order; what is not open, or of another line, does not count.
    contents.exceptions.loc[[4, 5], "order_ref"] = "LL-1004"
    contents.exceptions.loc[5, "sku"] = ""
    shown = _table(_open(contents)["Order lines"], "State").set_index("Order")
    assert dict(shown["Open exceptions"]) == {
        "LL-1001": 1,
        "LL-1002": 1,
        "LL-1003": 1,
        "LL-1004": 2,
        "LL-1009": 0,
    }
    assert "Store" in shown.columns
    lines_of(contents)["store"] = ""
    assert "Store" not in _table(_open(contents)["Order lines"], "State").columns


def test_the_most_urgent_decisions_show_every_title_whole() -> None:
    titles = sorted((rule.title for rule in load_catalogue().values()), key=len)[-10:]
    contents = results()
    contents.exceptions["title"] = [*titles, *[""] * (len(contents.exceptions) - len(titles))]
    shown = {cell.value for row in _open(contents)["Today"].iter_rows() for cell in row}
    assert set(titles) <= shown


def test_no_heading_needs_more_than_two_lines() -> None:
    book = _open(results())
    for page in book.worksheets[1:]:
        for table in page.tables.values():
            for cell in page[table.ref][0]:
                width = page.column_dimensions[cell.column_letter].width
                lines = len(textwrap.wrap(str(cell.value), int(width) - PADDING))
                assert lines <= 2, (page.title, cell.value)
                assert lines == 1 or page.row_dimensions[cell.row].height == 2 * LINE_POINTS


def test_rules_that_the_shop_changed_are_marked() -> None:
    rules = _table(_open(results())["Rules"], "Rule")
    assert list(rules["By the shop"]) == ["CHANGED"]


def test_figures_are_those_of_the_open_exceptions() -> None:
    page = _open(results())["Figures"]
    ages = _table(page, "Days old")
    assert list(ages.columns) == [
        *("Days old", "stop, EUR", "claim, EUR", "owed, EUR", "at-risk, EUR"),
    ]
    assert list(ages["claim, EUR"]) == [0, 0, 1234627.09, 0, 0, 0]
    nights = _table(page, "Night")
    assert list(nights["Open exceptions"]) == [2, 10]


def test_a_text_beyond_a_cell_is_cut_where_everybody_sees_it() -> None:
    contents = results()
    contents.exceptions.loc[3, "explanation"] = "x" * (CELL_LIMIT + 1)
    contents.exceptions.loc[4, "explanation"] = "\U0001f3ee" * CELL_LIMIT
    contents.exceptions.loc[5, "explanation"] = "y" * CELL_LIMIT
    shown = _table(_open(contents)["Chase"], "Due by").set_index("Order")["Explanation"]
    assert shown["LL-1004"] == "x" * (CELL_LIMIT - len(CUT_MARK)) + CUT_MARK
    assert shown["LL-1005"].endswith("\U0001f3ee" + CUT_MARK)
    assert len(shown["LL-1005"].encode("utf-16-le")) // 2 in (CELL_LIMIT - 1, CELL_LIMIT)
    assert shown["LL-1006"] == "y" * CELL_LIMIT


@pytest.mark.parametrize("text", ["=1+1", "=cmd|' /C calc'!A0", "+1", "-1", "@SUM(A1)", "{=1}"])
def test_no_text_becomes_a_formula(text: str) -> None:
    data = workbook(with_text(results(), text))
    book = openpyxl.load_workbook(io.BytesIO(data))
    cells = [cell for page in book.worksheets for row in page.iter_rows() for cell in row]
    plain = openpyxl.load_workbook(io.BytesIO(workbook(results())))
    ours = {cell.value for page in plain for row in page.iter_rows() for cell in row}
    formulas = {cell.value for cell in cells if cell.data_type == "f"}
    assert formulas <= ours
    assert len(formulas) > 40
    assert {cell.data_type for cell in cells} <= {"s", "n", "d", "f"}
    assert {cell.data_type for cell in cells if cell.value == text} == {"s"}
    assert sum(cell.value == text for cell in cells) > 100


def _as_a_spreadsheet_reads(text: str) -> str:
    """ECMA-376, part 1, 22.4.2.4: _x0041_ stands for the character with that number."""
    return re.sub(r"_x([0-9A-Fa-f]{4})_", lambda found: chr(int(found[1], 16)), text)


@settings(max_examples=12)
@given(
    st.lists(
        st.text(st.characters(exclude_categories=["Cs"]))
        | st.text(st.sampled_from("=_x0041&<>\"'\r\n\t\x00\x1f\ufffe ]"), max_size=12),
        min_size=14,
        max_size=14,
    )
)
def test_any_text_comes_back_as_it_was(texts: list[str]) -> None:
    contents = results()
    contents.exceptions["explanation"] = pd.Series(texts, dtype="str") + "."
    contents.exceptions["list"], contents.exceptions["due_by"] = "chase", pd.NaT
    contents.exceptions["amount_minor"] = contents.exceptions["amount_home_minor"] = 1
    found = [row[9][1] for row in _exact(contents, "Chase")[2:12]]
    expected = [
        re.sub("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", text) + "."
        for text in texts[:10]
    ]
    assert [_as_a_spreadsheet_reads(text) for text in found] == expected


def test_the_same_night_gives_the_same_bytes() -> None:
    assert workbook(results()) == workbook(results(seconds={"intake": 99.0}))


def test_a_workbook_is_dated_by_the_night_it_shows() -> None:
    book = _open(results())
    assert book.properties.created == book.properties.modified == datetime(2026, 10, 31)  # noqa: DTZ001
    assert date(2026, 10, 31) == AS_OF
