"""The workbook of the cash check, opened again: headings on every page, nothing cut off."""

from __future__ import annotations

import shutil

import openpyxl
import pytest
from openpyxl.workbook import Workbook

from tests.month_end.shops import month_end
from tests.shops.sample import FOLDER


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Workbook:
    folder = tmp_path_factory.mktemp("book") / "shop"
    shutil.copytree(FOLDER, folder, ignore=shutil.ignore_patterns("out", "history.db"))
    month_end(folder, "2026-10")
    return openpyxl.load_workbook(folder / "out" / "2026-10" / "cash-check.xlsx")


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
