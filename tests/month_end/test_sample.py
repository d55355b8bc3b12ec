"""The sample shop's months say what its README lists, and nothing else."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import openpyxl
import pytest
from openpyxl.workbook import Workbook

from tests.month_end.clean import cents
from tests.month_end.shops import Found, month_end
from tests.shops.sample import FOLDER, MONEY_FILE
from tests.shops.sample_money import MONTHS

pytestmark = pytest.mark.no_cover

# The two sides are apart by this alone: nobody can say that something is wrong.
_UNREAD = "what the processor shows of the order that cannot be read"
KEYS = ("check", "account", "currency")
Rows = list[dict[str, str]]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sample") / "shop"
    ignored = shutil.ignore_patterns("out", "history.db")
    return Path(shutil.copytree(FOLDER, folder, ignore=ignored))


@pytest.fixture(scope="module")
def checked(shop: Path) -> dict[str, Found]:
    return {month: month_end(shop, month) for month in MONTHS}


@pytest.fixture(scope="module")
def book(shop: Path, checked: dict[str, Found]) -> Workbook:
    return openpyxl.load_workbook(shop / "out" / max(checked) / "cash-check.xlsx")


def _told(month: str) -> Rows:
    with MONEY_FILE.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["month"] == month]


def _items(found: Found) -> list[tuple[str, ...]]:
    """Every item that is no ordinary part of a figure."""
    return sorted(
        (*(each[key] for key in KEYS), item["what"], item["name"], str(cents(item["amount"])))
        for each in found.value["balances"]
        for item in each["items"]
        if item["nature"] != "listed"
    )


@pytest.mark.parametrize("month", MONTHS)
def test_a_month_says_what_the_readme_lists(checked: dict[str, Found], month: str) -> None:
    found, told = checked[month], _told(month)
    keys = (*KEYS, "what", "name", "amount")
    assert _items(found) == sorted(tuple(row[key] for key in keys) for row in told if row["what"])
    stories: dict[tuple[str, str], set[str]] = {}
    for row in told:
        if row["differs"] == "True":
            stories.setdefault((row["check"], row["account"]), set()).add(row["story"])
    apart = {(*key, "unknown" if why == {_UNREAD} else "differs") for key, why in stories.items()}
    lost = {(row["check"], row["account"], "unknown") for row in told if int(row["amount"]) == 0}
    said = {(check, account, word) for (check, account, _), word in found.verdicts.items()}
    assert {each for each in said if each[2] != "agrees"} == apart | lost


def test_the_readme_has_every_line_of_the_list() -> None:
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    months = page.split("## The cash check")[1].split("### ")[1:]
    for month, part in zip(MONTHS, months, strict=True):
        told = _told(month)
        assert part.startswith(month)
        for row in told:
            assert f"| {row['story']} |" in part
            assert f"`{row['check']}`" in part
            if row["name"] and sum(each["story"] == row["story"] for each in told) == 1:
                assert row["name"] in part


# The workbook, opened again: headings on every page, nothing cut off


def test_headings_are_on_every_page_of_the_last_table(book: Workbook) -> None:
    page = book["Supplier accounts"]
    heading = int(str(page.print_title_rows).split("$")[-1])
    assert [cell.value for cell in page[heading]][:4] == ["Account", "What", "Currency", "Amount"]
    assert page.auto_filter.ref == f"A{heading}:J{page.max_row}"
    assert book["Cash check"].print_title_rows is None
    assert book["Inputs"].print_title_rows != book["Supplier accounts"].print_title_rows


def test_the_chart_stands_beside_its_tables_and_below_what_is_wider(book: Workbook) -> None:
    page = book["Margin"]
    [chart] = page._charts  # type: ignore[attr-defined]
    row = chart.anchor._from.row + 1
    above = [cell.value for cells in page.iter_rows(max_row=row - 1, min_col=8) for cell in cells]
    assert "Cause" in above
    below = [cell.value for cells in page.iter_rows(min_row=row, min_col=8) for cell in cells]
    assert set(below) <= {None}


def test_every_amount_has_room(book: Workbook) -> None:
    """An amount that does not fit its column is shown as ####."""
    for page in book:
        for cells in page.iter_rows():
            for cell in cells:
                if isinstance(cell.value, int | float) and cell.number_format.startswith("#"):
                    digits = len(cell.number_format.partition(".")[2])
                    shown = f"{cell.value:,.{digits}f}"
                    width = page.column_dimensions[cell.column_letter].width
                    assert len(shown) < width, (page.title, cell.coordinate, shown)
