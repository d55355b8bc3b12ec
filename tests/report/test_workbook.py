"""The workbook, read back cell by cell."""

from __future__ import annotations

import io
import re
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

from reconcile.report import sheets
from reconcile.report.cells import CELL_LIMIT, CUT_MARK
from reconcile.report.contents import VERDICTS, Contents
from reconcile.report.summary import CAUTION
from reconcile.report.workbook import workbook
from tests.report.results import AS_OF, empty_results, results, with_text

_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


def _open(contents: Contents) -> Workbook:
    return openpyxl.load_workbook(io.BytesIO(workbook(contents)))


def _table(page: Worksheet, heading: str) -> pd.DataFrame:
    """The table whose first heading is this one, down to the first row without a value."""
    rows = [list(row) for row in page.iter_rows(values_only=True)]
    [top] = [place for place, row in enumerate(rows) if row[0] == heading]
    names = [name for name in rows[top] if name is not None]
    body: list[list[Any]] = []
    for row in rows[top + 1 :]:
        if not any(value is not None for value in row):
            break
        body.append(row[: len(names)])
    return pd.DataFrame(body, columns=names, dtype=object)


def _exact(contents: Contents, name: str) -> list[list[tuple[str, str]]]:
    """A sheet as it stands in its part: per row, each cell's type and text."""
    place = ("Today", "Open", "Waiting", "Unknown").index(name) + 1
    with zipfile.ZipFile(io.BytesIO(workbook(contents))) as archive:
        root = ET.fromstring(archive.read(f"xl/worksheets/sheet{place}.xml"))  # noqa: S314
    return [
        [(cell.get("t", ""), "".join(cell.itertext())) for cell in row.iter(f"{_MAIN}c")]
        for row in root.iter(f"{_MAIN}row")
    ]


def test_every_verdict_has_a_sheet_and_every_exception_a_row() -> None:
    contents = results()
    book = _open(contents)
    assert book.sheetnames == [
        *("Today", "Open", "Waiting", "Unknown", "Follows", "Accepted"),
        *("Order lines", "Inputs", "Rejected rows", "Notes", "Rules"),
    ]
    for verdict in VERDICTS:
        expected = contents.exceptions[contents.exceptions["verdict"] == verdict]
        shown = _table(book[verdict.capitalize()], "Due by")
        assert list(shown["Id"]) == list(expected["id"])
        assert [value or "" for value in shown["Document"]] == list(expected["document"])


def test_amounts_are_numbers_with_the_decimals_of_their_currency() -> None:
    page = _open(results())["Open"]
    [column] = [cell.column or 0 for cell in page[2] if cell.value == "Amount"]
    found = [page.cell(row, column) for row in (3, 4, 5, 6, 8, 11)]
    assert [(cell.value, cell.number_format) for cell in found] == [
        (45, "#,##0.00"),
        (1234567.89, "#,##0.00"),
        (3100, "#,##0"),
        (1.25, "#,##0.000"),
        (None, "#,##0"),
        (-0.05, "#,##0.00"),
    ]
    texts = [row[8] for row in _exact(results(), "Open")[2:]]
    assert texts[1] == ("", "1234567.89")
    assert texts[3] == ("", "1.250")


def test_an_amount_of_more_digits_than_a_spreadsheet_keeps_is_a_text() -> None:
    contents = results()
    contents.exceptions.loc[0, "amount_minor"] = 1234567890123456789
    assert _exact(contents, "Open")[2][8] == ("inlineStr", "12345678901234567.89")


def test_dates_are_dates_and_references_are_texts() -> None:
    page = _open(results())["Open"]
    headings = {cell.value: cell.column or 0 for cell in page[2]}
    assert page.cell(3, headings["Due by"]).value == datetime(2026, 10, 21)  # noqa: DTZ001
    assert page.cell(3, headings["Due by"]).number_format == "yyyy-mm-dd"
    for row, text in ((8, "1111222233334444"), (9, "00123"), (11, "10e5")):
        cell = page.cell(row, headings["Document"])
        assert (cell.value, cell.data_type, cell.number_format) == (text, "s", "@")


def test_a_date_that_programs_count_differently_is_a_text() -> None:
    contents = results()
    contents.exceptions.loc[0, "due_by"] = pd.Timestamp("1900-02-28")
    contents.exceptions.loc[1, "due_by"] = pd.Timestamp("1900-03-01")
    rows = _exact(contents, "Open")
    assert rows[2][0] == ("inlineStr", "1900-02-28")
    assert rows[3][0] == ("", "61")


def test_today_begins_with_what_is_new_and_what_was_cleared() -> None:
    contents = results()
    contents.exceptions.loc[contents.exceptions["verdict"] == "open", "change"] = "new"
    cells = [str(cell.value) for [cell] in _open(contents)["Today"]["A1:A40"]]
    new = int((contents.exceptions["verdict"] == "open").sum())
    begin = cells.index(f"New since 2026-10-30: {new}")
    end = cells.index("Cleared since 2026-10-30: 1")
    assert begin < end < cells.index("What to do")
    assert cells[end + 2] == "LL-7"
    alone = _open(results(night_before=None))["Today"]
    assert not any("since" in str(cell.value) for [cell] in alone["A1:A40"])


def test_today_adds_up_to_the_open_exceptions_and_never_across() -> None:
    contents = results(night_before=None)
    to_act = contents.exceptions[contents.exceptions["verdict"] == "open"]
    page = _open(contents)["Today"]
    money = _table(page, "Class")
    shown = {
        (row["Class"], row["Currency"]): (Decimal(str(row["Amount"])), row["How many"])
        for row in money.to_dict("records")
    }
    assert shown == {
        ("stop", "EUR"): (Decimal("20"), 1),
        ("claim", "BHD"): (Decimal("1.25"), 1),
        ("claim", "EUR"): (Decimal("1234577.88"), 2),
        ("claim", "JPY"): (Decimal("3100"), 1),
        ("owed", "EUR"): (Decimal("45"), 1),
        ("at-risk", "EUR"): (Decimal("-0.05"), 1),
    }
    work = _table(page, "List")
    files = work["What it is"].str.contains("safe to pay|ready to post")
    assert Counter(to_act["list"]) == Counter(
        work[~files].groupby("List")["How many"].sum().to_dict()
    )
    assert list(work[files]["Where"]) == ["lists/pay.csv", "lists/post.csv"]
    assert list(_table(page, "Order")["What"]) == list(to_act["title"].head(10))
    states = _table(page, "State")
    assert dict(zip(states["State"], states["Lines"], strict=True)) == dict(
        Counter(contents.order_lines["state"])
    )


def _today(contents: Contents) -> list[str]:
    return [str(cell.value) for [cell] in _open(contents)["Today"]["A1:A14"]]


def test_today_says_whether_it_can_be_trusted() -> None:
    contents = results()
    assert _today(contents)[:5] == [
        "Lantern Lane: what to do on 2026-10-31",
        CAUTION,
        "Every row is accounted for; proofs that hold: 2 of 2.",
        "Rows rejected, and in no figure: 1 of 26 (see Rejected rows).",
        "Exceptions that these files cannot decide: 1 (see Unknown).",
    ]
    contents.proofs.loc[1, "holds"] = False
    assert _today(contents)[2].startswith("PROOF FAILED, do not act on this report: Settled")


def test_a_quiet_night_says_so_on_every_sheet() -> None:
    contents = empty_results()
    book = _open(contents)
    assert "There is nothing to do." in _today(contents)
    first = {page.title: page["A1"].value for page in book.worksheets[1:]}
    assert first == {
        "Open": "Nothing is open.",
        "Waiting": "Nothing is waiting.",
        "Unknown": "Nothing is unknown: the files could decide every rule.",
        "Follows": "No exception follows from another.",
        "Order lines": "There are no order lines.",
        "Inputs": "What was read",
        "Rejected rows": "No row was rejected.",
        "Notes": "Nothing else was found.",
        "Rules": "Rules: 1.",
    }


def test_inputs_show_where_every_row_went() -> None:
    page = _open(results())["Inputs"]
    proofs = _table(page, "Unit")
    assert list(proofs["Left"]) == [26, 12345.67]
    assert list(proofs["Holds"]) == ["yes", "yes"]
    rows = [row for row in page.iter_rows(values_only=True) if row[0] == "kestrel-bills"]
    assert rows[0][2:10] == (9, 4, 0, 1, 0, 0, 0, 4)
    assert rows[1][2:5] == (4, 3100, "JPY")


def test_tables_can_be_filtered_and_printed() -> None:
    for page in _open(results()).worksheets:
        assert page.page_setup.orientation == "landscape"
        assert (page.page_setup.fitToWidth, page.page_setup.fitToHeight) == (1, 0)
        if page.title in ("Today", "Inputs"):
            assert page.auto_filter.ref is None
        else:
            assert page.freeze_panes == "A3"
            assert page.print_title_rows == "$2:$2"
            assert page.auto_filter.ref == f"A2:{page.dimensions.split(':')[1]}"


def test_a_sheet_beyond_its_limit_says_where_the_rest_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheets, "CAP", 4)
    book = _open(results())
    assert book["Open"]["A1"].value == (
        "Open exceptions; act on these: 10. The first 4 are here, the most urgent first; "
        "the other 6 are in exceptions.csv only."
    )
    shown = _table(book["Open"], "Due by")
    assert list(shown["Order"]) == ["LL-1001", "LL-1002", "LL-1003", "LL-1004"]
    assert list(_table(book["Order lines"], "State")["State"]) == [
        *("to-pay", "to-ship", "unknown", "in-transit")
    ]


def test_a_text_beyond_a_cell_is_cut_where_everybody_sees_it() -> None:
    contents = results()
    contents.exceptions.loc[0, "explanation"] = "x" * (CELL_LIMIT + 1)
    contents.exceptions.loc[1, "explanation"] = "\U0001f3ee" * CELL_LIMIT
    contents.exceptions.loc[2, "explanation"] = "y" * CELL_LIMIT
    shown = _table(_open(contents)["Open"], "Due by")["Explanation"]
    assert shown[0] == "x" * (CELL_LIMIT - len(CUT_MARK)) + CUT_MARK
    assert shown[1].endswith("\U0001f3ee" + CUT_MARK)
    assert len(shown[1].encode("utf-16-le")) // 2 in (CELL_LIMIT - 1, CELL_LIMIT)
    assert shown[2] == "y" * CELL_LIMIT


@pytest.mark.parametrize("text", ["=1+1", "=cmd|' /C calc'!A0", "+1", "-1", "@SUM(A1)", "{=1}"])
def test_no_text_becomes_a_formula(text: str) -> None:
    book = _open(with_text(results(), text))
    cells = [cell for page in book.worksheets for row in page.iter_rows() for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "n", "d"}
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
    contents.exceptions["explanation"] = pd.Series(texts, dtype="str")
    found = [row[11][1] for row in _exact(contents, "Open")[2:]]
    expected = [
        re.sub("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", text)
        for text in texts[:10]
    ]
    assert [_as_a_spreadsheet_reads(text) for text in found] == expected


def test_the_same_night_gives_the_same_bytes() -> None:
    assert workbook(results()) == workbook(results(seconds={"intake": 99.0}))


def test_a_workbook_is_dated_by_the_night_it_shows() -> None:
    book = _open(results())
    assert book.properties.created == book.properties.modified == datetime(2026, 10, 31)  # noqa: DTZ001
    assert date(2026, 10, 31) == AS_OF
