"""One debit for many payments that are recorded one by one, and rows that move nothing."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.month_end.clean import LAST, MAIN, MONTH
from tests.month_end.shops import Records, month_end, write_shop
from tests.month_end.small import BEGIN, COST, book, books, payment, small

pytestmark = pytest.mark.no_cover

TO_BANK, BOOKS = "payments-to-bank", "bank-to-books"
NAMED = {"counterparty": "Kestrel Goods Co"}


def _in_one(payments: list[int], debit: int) -> Records:
    """Payments of one day, and the one debit of Kestrel's on the day after."""
    records, day = small(1), date(2026, 10, 20)
    records["payments"] += [
        payment(f"KP-{2001 + at}", day, amount) for at, amount in enumerate(payments)
    ]
    book(records, date(2026, 10, 21), -debit, "Kestrel Goods Co", **NAMED)
    book(records, LAST, -100, "Fee")
    books(records, BEGIN - COST - sum(payments))
    return records


def test_a_debit_that_is_all_of_many_payments_is_suggested(tmp_path: Path) -> None:
    """More than are searched for a sum: all of them together are the only set."""
    amounts = [COST + at for at in range(40)]
    found = month_end(write_shop(tmp_path, _in_one(amounts, sum(amounts))), MONTH)
    assert found.items(TO_BANK) == [("suggested", MAIN, "0.00")]
    assert found.figures(TO_BANK) == ("827.80", "827.80", "0.00", "unknown")


def test_a_debit_that_several_sets_of_a_suppliers_payments_add_up_to(tmp_path: Path) -> None:
    """Three of four equal payments: which of them is not in the bank, nobody can say."""
    found = month_end(write_shop(tmp_path, _in_one([COST] * 4, 3 * COST)), MONTH)
    tied = [("tied-record", f"KP-{2001 + at}", "20.00") for at in range(4)]
    assert found.items(TO_BANK) == [*tied, ("tied-row", MAIN, "-60.00")]
    assert found.figures(TO_BANK) == ("100.00", "80.00", "20.00", "unknown")


def test_a_debit_of_nobody_known_takes_no_payments_with_it(tmp_path: Path) -> None:
    records = _in_one([COST] * 4, 3 * COST)
    records["bank"][2] |= {"counterparty": "", "reference": "77"}
    found = month_end(write_shop(tmp_path, records), MONTH)
    missing = [("not-in-bank", f"KP-{2001 + at}", "20.00") for at in range(4)]
    assert found.items(TO_BANK, "error") == [*missing, ("not-recorded", MAIN, "-60.00")]


def test_what_moves_nothing_is_no_error(tmp_path: Path) -> None:
    """A notice of the bank, a payment of nothing, and a payout of which nothing was left."""
    records = small()
    book(records, date(2026, 10, 30), 0, "Info 4711")
    records["payments"].append(payment("KP-9001", date(2026, 10, 2), 0))
    part = {"payout_ref": "LP-0001", "paid_on": date(2026, 10, 16), "currency": "EUR"}
    records["payouts"] = [
        part | {"kind": kind, "amount": amount, "order_ref": order}
        for kind, amount, order in (
            ("sale", "50.00", "LL-1001"), ("chargeback", "-50.00", "LL-1001"),
            ("payout", "0.00", ""),
        )
    ]  # fmt: skip
    found = month_end(write_shop(tmp_path, records), MONTH)
    for check in (TO_BANK, BOOKS, "statement-runs", "payout-adds-up"):
        assert (found.items(check, "error", "timing"), found.figures(check)[3]) == ([], "agrees")
    assert found.items("payouts-to-bank") == []
    assert sum(place["rows"] for place in found.value["places"]) == 4
