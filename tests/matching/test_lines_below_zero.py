"""Lines of bills that come to less than nothing give something back, whatever their kind says."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.month_end.supplier_account import ledger_of
from tests.matching.said import exceptions, said
from tests.matching.shops import Result, Row, bill, matched, order, parcel, payment, quote

pytestmark = pytest.mark.no_cover

KINDS = ("", "credit")


def _back(invoice: str, cost: str, kind: str, qty: int = 1) -> Row:
    return bill(invoice, "1", cost, kind=kind, invoice_date="2026-03-03", qty=qty)


def _shop(folder: Path, *bills: Row, paid: str = "10.00") -> Result:
    records = {
        "orders": [order("1", tracking_no="T1", order_total="90.00", customer_paid="90.00")],
        "quotes": [quote()],
        "invoices": list(bills),
        "payments": [payment("P1", paid, "1")],
        "shipments": [parcel("1", delivered_at="2026-03-06")],
    }
    return matched(folder, records)


@pytest.mark.parametrize(
    ("names", "kind", "written"),
    [
        (("I1", "I2", "I3"), "", {}),
        (("I9", "I2", "I3"), "", {}),
        (("I1", "I9", "I3"), "", {}),
        (("I9", "I2", "I3"), "invoice", {}),
        (("I9", "I2", "I3"), "credit", {}),
        (("I9", "I2", "I3"), "", {"line_total": "-10.00"}),
        (("I9", "I2", "I3"), "", {"unit_cost": "10.00", "line_total": "-10.00"}),
    ],
)
def test_bill_given_back_and_made_anew_is_billed_once(
    names: tuple[str, str, str], kind: str, written: Row, tmp_path: Path
) -> None:
    first, back, again = names
    shop = _shop(
        tmp_path,
        bill(first, "1", "10.00"),
        _back(back, "-10.00", kind) | written,
        bill(again, "1", "10.00"),
    )
    assert exceptions(shop).empty
    assert (shop.money("payable", "1"), shop.money("duplicate_billing", "1")) == ("10.00", "0.00")
    assert next(iter(shop.matched.lines.pieces()))["billed"].tolist() == [1]


@pytest.mark.parametrize("kind", KINDS)
def test_line_below_zero_at_another_cost_takes_money_off_the_price(
    kind: str, tmp_path: Path
) -> None:
    shop = _shop(tmp_path, bill("I1", "1", "12.00"), _back("I2", "-2.00", kind))
    assert exceptions(shop).empty
    assert (shop.money("payable", "1"), shop.money("paid", "1")) == ("10.00", "10.00")
    assert next(iter(shop.matched.lines.pieces()))["billed"].tolist() == [1]


@pytest.mark.parametrize("kind", KINDS)
def test_line_below_zero_alone_is_no_bill(kind: str, tmp_path: Path) -> None:
    shop = _shop(tmp_path, _back("I2", "-2.00", kind), paid="8.00")
    assert (shop.money("agreed", "1"), shop.money("payable", "1")) == ("10.00", "8.00")


def test_discount_on_a_line_of_goods_is_no_credit(tmp_path: Path) -> None:
    shop = _shop(tmp_path, bill("I1", "1", "12.00", other_charges="-2.00"))
    assert shop.money("payable", "1") == "10.00"
    assert next(iter(shop.matched.lines.pieces()))["billed"].tolist() == [1]


def test_refund_of_what_a_line_below_zero_gives_back(tmp_path: Path) -> None:
    shop = _shop(tmp_path, bill("I1", "1", "10.00"), _back("I2", "-10.00", ""))
    assert said(shop, "overpaid") == ["open claim 10.00 EUR"]


def test_supplier_ledger_calls_it_a_credit(tmp_path: Path) -> None:
    shop = _shop(tmp_path, bill("I1", "1", "12.00"), _back("I2", "-2.00", ""))
    ledger = ledger_of(shop.matched, shop.intake.records["invoices"], None, ("a",) * 9)
    assert dict(zip(ledger["name"], ledger["kind"], strict=True)) == {
        "I1": "invoice",
        "I2": "credit",
    }


def test_units_below_zero_are_rejected_with_what_to_do(tmp_path: Path) -> None:
    records = {"orders": [order("1")], "invoices": [_back("I2", "10.00", "credit", qty=-1)]}
    shop = matched(tmp_path, records, rejects=1)
    [expected] = shop.intake.rejected["expected"]
    assert expected.endswith("; a credit has its minus in the amount, or is one by its kind")
