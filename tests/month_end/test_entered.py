"""Rows of the bank that no record of the shop has, and that the merchant's own books have."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.month_end.clean import MAIN, MONTH
from tests.month_end.shops import Records, month_end, write_shop
from tests.month_end.small import BEGIN, COST, book, books, small

pytestmark = pytest.mark.no_cover

BOOKS = "bank-to-books"
LEFT = BEGIN - 4 * COST


def _with_rent(charge: int = -250) -> Records:
    records = small()
    book(records, date(2026, 10, 5), -40_000, "Rent 10/2026")
    book(records, date(2026, 10, 30), charge, "Entgelt")
    return records


@pytest.mark.parametrize(
    ("entered", "wrong"),
    [
        (-40_250, []),
        (-40_000, [("charge-not-booked", MAIN, "-2.50")]),
        (-250, [("payment-not-booked", MAIN, "-400.00")]),
        (0, [("charge-not-booked", MAIN, "-2.50"), ("payment-not-booked", MAIN, "-400.00")]),
    ],
)
def test_what_is_entered_is_not_proposed_again(
    entered: int, wrong: list[tuple[str, str, str]], tmp_path: Path
) -> None:
    records = _with_rent()
    books(records, LEFT + entered)
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.figures(BOOKS)[2:] == ("0.00", "agrees")
    assert found.items(BOOKS, "error", "entry") == wrong
    there = [item["text"] for item in found.balance(BOOKS)["items"] if item["nature"] == "listed"]
    assert len(there) == 2 - len(wrong)
    assert all("The books have it" in text for text in there)
    # No record has the rent, whatever the books have.
    assert found.wrong["payments-to-bank"] == [("not-recorded", MAIN, "-400.00")]


def test_books_that_have_some_other_amount_differ(tmp_path: Path) -> None:
    records = _with_rent()
    books(records, LEFT - 40_001)
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.figures(BOOKS)[3] == "differs"
    assert ("not-explained", "", "400.01") in found.items(BOOKS, "error")


def test_what_could_be_entered_in_two_ways_is_not_settled(tmp_path: Path) -> None:
    """A charge as large as the rent: nobody can say which of them the books have."""
    records = _with_rent(charge=-40_000)
    books(records, LEFT - 40_000)
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.figures(BOOKS)[2:] == ("400.00", "differs")
    assert ("not-explained", "", "400.00") in found.items(BOOKS, "error")
