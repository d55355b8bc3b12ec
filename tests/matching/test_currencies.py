"""A supplier order that is billed in another currency than it is quoted or paid in."""

from __future__ import annotations

from pathlib import Path

from tests.matching.said import exceptions, said
from tests.matching.shops import Row, bill, matched, order, payment, quote

NOTHING: list[str] = []


def _said(folder: Path, bills: list[Row], **more: list[Row]) -> list[str]:
    shop = matched(folder, {"orders": [order("1")], "invoices": bills, **more})
    return said(shop, "currency-differs")


def test_one_currency_is_silent_and_another_is_told(tmp_path: Path) -> None:
    quotes = [quote()]
    paid = [payment("P1", "10.00", "1")]
    one = [bill("K1", "1", "10.00")]
    assert _said(tmp_path / "one", one, quotes=quotes, payments=paid) == NOTHING
    other = [bill("K1", "1", "10.00", currency="USD")]
    assert _said(tmp_path / "other", other, quotes=quotes) == ["open info"]
    assert _said(tmp_path / "paid", other, payments=paid) == ["open info"]
    assert _said(tmp_path / "neither", other) == NOTHING


def test_it_says_in_which_currencies(tmp_path: Path) -> None:
    records: dict[str, list[Row]] = {
        "orders": [order("1")],
        "invoices": [bill("K1", "1", "10.00", currency="USD")],
        "quotes": [quote()],
        "payments": [payment("P1", "9.00", "1", currency="GBP")],
    }
    found = exceptions(matched(tmp_path, records)).query("rule == 'currency-differs'")
    [told] = found["explanation"]
    assert told == (
        "kestrel bills order 1 in USD, last on 2026-03-02; currency of the quotes: EUR; "
        "currency of the payments: GBP."
    )


def test_supplier_that_quotes_in_both_currencies_is_silent(tmp_path: Path) -> None:
    quotes = [quote(), quote(cost="11.00", currency="USD")]
    bills = [bill("K1", "1", "11.00", currency="USD")]
    assert _said(tmp_path, bills, quotes=quotes) == NOTHING


def test_payment_by_the_number_of_an_invoice_in_another_currency(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00", currency="USD")]
    paid = payment("P1", "9.00", "", "K1")
    assert _said(tmp_path / "settled", bills, payments=[paid]) == ["open info"]
    pending = paid | {"status": "pending"}
    assert _said(tmp_path / "pending", bills, payments=[pending]) == NOTHING
    same = paid | {"currency": "USD"}
    assert _said(tmp_path / "same", bills, payments=[same]) == NOTHING


def test_two_bills_of_two_currencies_that_are_both_paid_are_silent(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00"), bill("K2", "1", "11.00", currency="USD")]
    paid = [payment("P1", "10.00", "1"), payment("P2", "11.00", "1", currency="USD")]
    assert _said(tmp_path, bills, payments=paid) == NOTHING


def test_bill_that_was_credited_and_written_again_is_silent(tmp_path: Path) -> None:
    bills = [
        bill("K1", "1", "11.00", currency="USD", kind=""),
        bill("C1", "1", "11.00", currency="USD", kind="credit"),
        bill("K2", "1", "10.00", kind=""),
    ]
    assert _said(tmp_path, bills, quotes=[quote()]) == NOTHING
