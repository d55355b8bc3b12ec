"""What the month's figures could not see is told, and money taken back by a bank is named."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.month_end.clean import (
    MAIN,
    MONTH,
    booking,
    clean,
    closing,
    price,
    rebalance,
    row_of,
    text,
)
from tests.month_end.shops import Found, Records, Row, month_end, write_shop

pytestmark = pytest.mark.no_cover

CHECK = "customers-to-payouts"


def _taken_back(records: Records, number: int, amount: int) -> None:
    """The customer's bank takes money back; the processor bears it, so that all else agrees."""
    week: Row = {"payout_ref": "WEEK-0002", "paid_on": date(2026, 10, 15), "currency": "EUR"}
    chargeback = week | {"kind": "chargeback", "order_ref": f"LL-{number}", "amount": text(-amount)}
    records["payouts"] += [chargeback, week | {"kind": "adjustment", "amount": text(amount)}]


def _refunded(records: Records, number: int, amount: int) -> None:
    row = row_of(records, "orders", "order_ref", f"LL-{number}")
    row |= {"refunded_at": date(2026, 10, 14), "refunded": text(amount), "refunded_qty": "0"}


def test_what_a_customers_bank_takes_back_is_named(tmp_path: Path) -> None:
    records = clean()
    _taken_back(records, 1006, price(1006))
    found = month_end(write_shop(tmp_path / "untold", records), MONTH)
    named = ("chargeback-not-in-orders", "LL-1006", "-50.42")
    assert found.wrong == {CHECK: [named]}
    assert found.figures(CHECK, "refunds") == ("10.00", "60.42", "-50.42", "differs")
    _refunded(records, 1006, price(1006))
    found = month_end(write_shop(tmp_path / "told", records), MONTH)
    assert found.wrong == {}
    assert found.figures(CHECK, "refunds") == ("60.42", "60.42", "0.00", "agrees")


def test_given_back_and_taken_back_is_twice(tmp_path: Path) -> None:
    """The order of a refund that the processor shows, whose customer went to the bank as well."""
    records = clean()
    _taken_back(records, 1004, 1000)
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.wrong == {CHECK: [("chargeback-not-in-orders", "LL-1004", "-10.00")]}


def test_a_dispute_that_was_won_comes_back(tmp_path: Path) -> None:
    records = clean()
    _taken_back(records, 1006, price(1006))
    _taken_back(records, 1006, -price(1006))
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.wrong == {}
    assert found.figures(CHECK, "refunds") == ("10.00", "10.00", "0.00", "agrees")


def test_the_way_from_opening_to_closing_has_no_plug(tmp_path: Path) -> None:
    """A row that could not be read: what it moved is shown, and the opening stays as stated."""
    records = clean()
    row = row_of(records, "bank", "reference", "WEEK-0002 Sales")
    missing = str(row["amount"])
    row["amount"] = f"{missing}.1"
    found = month_end(write_shop(tmp_path, records), MONTH)
    [bridge] = [each for each in found.value["bridge"] if each["account"] == MAIN]
    assert bridge["opening"] == "5000.00"
    assert bridge["closing"] == closing(records, MAIN)
    assert bridge["not_explained"] == missing
    assert found.figures("statement-runs", MAIN)[2] == f"-{missing}"
    assert found.value["notes"][0] == (
        "Could not be read, so that nothing here knows of them: 1 row of bank."
    )
    assert found.value["notes"][0].removesuffix(".") in found.text


def _notes(found: Found) -> list[str]:
    notes = found.value["notes"]
    assert all(note.removesuffix(".") in found.text for note in notes)
    return [str(note) for note in notes]


def test_files_that_end_before_the_month_are_told(tmp_path: Path) -> None:
    records = clean()
    # The last order is of the 20th, the last booking of the 25th.
    ends = "Files that end before the month does: bank on 2026-10-25, orders on 2026-10-20."
    found = month_end(write_shop(tmp_path / "short", records), MONTH)
    assert _notes(found) == [ends]
    late = records["orders"][0] | {"order_ref": "LL-2000", "ordered_at": date(2026, 11, 1)}
    records["orders"].append(late)
    records["bank"].append(booking(MAIN, date(2026, 11, 2), -500, "Fee"))
    rebalance(records, MAIN)
    found = month_end(write_shop(tmp_path / "whole", records), MONTH)
    assert _notes(found) == []


def test_a_month_that_the_bank_does_not_reach_proves_nothing(tmp_path: Path) -> None:
    found = month_end(write_shop(tmp_path, clean()), "2026-11")
    of_the_bank = ("statement-runs", "bank-to-books", "payments-to-bank", "payouts-to-bank")
    told = {
        (each["check"], each["verdict"], each["cause"])
        for each in found.value["balances"]
        if each["check"] in of_the_bank and each["account"] in ("", MAIN)
    }
    cause = "The bank's rows end on 2026-10-25, before the month begins."
    assert told == {(check, "unknown", cause) for check in of_the_bank}
    assert found.value["bridge"] == []


@pytest.mark.parametrize(
    "words", ["Kontoführungsentgelt 10/2026", "Entgeltabschluss", "Bankgebühren"]
)
def test_charges_in_german_are_charges(words: str, tmp_path: Path) -> None:
    records = clean()
    records["bank"].append(booking(MAIN, date(2026, 10, 30), -990, words))
    rebalance(records, MAIN)
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.wrong["bank-to-books"] == [("charge-not-booked", MAIN, "-9.90")]
    assert "payments-to-bank" not in found.wrong
