"""What a supplier gives back, in money or by a credit, and what another supplier bills."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.matching.said import RULES, exceptions, said
from tests.matching.shops import Row, bill, matched, order, parcel, payment, quote

pytestmark = pytest.mark.no_cover

QUOTES = [quote(), quote("B", "20.00")]
BILL: Row = {"kind": "invoice"}
LATER: Row = BILL | {"invoice_date": "2026-03-05"}


def _credit(cost: str, qty: int = 1) -> Row:
    return bill("C1", "1", cost, qty=qty, kind="credit", invoice_date="2026-03-03")


def test_a_refund_of_several_orders_may_be_for_each_of_them(tmp_path: Path) -> None:
    records = {
        "orders": [order("1", cancelled_at="2026-03-02"), order("2"), order("3"), order("4")],
        "quotes": QUOTES,
        "payments": [
            payment("P1", "10.00", "1"),
            payment("P2", "15.00", "2"),
            *(payment(f"P{n}", "10.00", "3", paid_at=f"2026-03-0{n}") for n in (3, 4)),
            payment("P5", "12.00", "4"),
        ],
        "shipments": [],
    }
    rules = ("refunded-but-paid", "overpaid", "double-paid")
    told = [("1", rules[0]), ("2", rules[1]), ("3", rules[2]), ("4", rules[1])]
    back = [payment("R1", "25.00", "1;2;3", kind="refund")]
    cause = "a refund that names the order and could not be allocated: see payment-unmatched"
    for name, more in (("kept", []), ("back", back)):
        shop = matched(tmp_path / name, records | {"payments": [*records["payments"], *more]})
        found = exceptions(shop, names=(*rules, "payment-unmatched")).query("verdict != 'follows'")
        mine = found[found["rule"].isin(rules)].sort_values("order_ref")
        mine = mine.drop_duplicates("order_ref")
        assert list(zip(mine["order_ref"], mine["rule"], strict=True)) == told
        unsure = 3 if more else 0
        assert list(mine["verdict"]) == ["unknown"] * unsure + ["open"] * (4 - unsure)
        assert list(mine["cause"][:unsure]) == [cause] * unsure
        strays = found[found["rule"] == "payment-unmatched"]["explanation"]
        assert len(strays) == len(more)
        assert strays.str.startswith("Of the refund from kestrel of 25.00 EUR on 2026-03-03").all()


def test_a_credit_of_the_price_hides_no_second_invoice(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00") | BILL, _credit("1.00")]
    again = bill("K2", "1", "10.00") | LATER
    records = {"orders": [order("1")], "quotes": QUOTES, "invoices": [*bills, again]}
    shop = matched(tmp_path / "twice", records)
    assert said(shop, "billed-twice") == ["A open stop 10.00 EUR"]
    assert shop.money("payable", "1") == "9.00"
    shop = matched(tmp_path / "once", records | {"invoices": bills})
    assert said(shop, "billed-twice") == []
    assert shop.money("payable", "1") == "9.00"
    assert next(iter(shop.matched.lines.pieces()))["billed"].tolist() == [1]


@pytest.mark.parametrize(("wrong", "right"), [("12.00", "10.00"), ("10.00", "10.00")])
def test_a_credit_of_a_billed_unit_makes_room_for_the_right_invoice(
    wrong: str, right: str, tmp_path: Path
) -> None:
    bills = [
        bill("K1", "1", wrong) | BILL,
        _credit(wrong),
        bill("K2", "1", right) | LATER,
    ]
    shop = matched(tmp_path, {"orders": [order("1")], "quotes": QUOTES, "invoices": bills})
    assert said(shop, "billed-twice") == []
    assert shop.money("payable", "1") == "10.00"


def test_a_credit_gives_back_the_units_of_its_own_cost(tmp_path: Path) -> None:
    """Two units at 10.00 and two at 9.00, where two are ordered: of the dearer one comes back."""
    bills = [
        bill("K1", "1", "10.00", qty=2) | BILL,
        bill("K2", "1", "9.00", qty=2) | LATER,
        _credit("10.00"),
    ]
    records = {"orders": [order("1", qty=2)], "quotes": QUOTES, "invoices": bills}
    assert said(matched(tmp_path, records), "billed-twice") == ["A open stop 9.00 EUR"]


def test_goods_of_another_suppliers_line_are_told(tmp_path: Path) -> None:
    """Billed and paid by both: the money of the one that has no line reaches no order."""
    theirs = bill("A1", "1", "10.00", supplier="alder")
    records = {
        "orders": [order("1"), order("2"), order("2", "B", supplier="alder"), order("3")],
        "quotes": QUOTES,
        "invoices": [
            bill("K1", "1", "10.00"),
            theirs,
            theirs | {"order_ref": "2"},
            theirs | {"order_ref": "2", "sku": "B"},
            theirs | {"order_ref": "3", "sku": "C"},
        ],
        "payments": [
            payment("P1", "10.00", "1"),
            payment("P2", "10.00", "1", supplier="alder"),
            payment("P3", "20.00", "2", supplier="alder"),
        ],
    }
    shop = matched(tmp_path, records)
    found = exceptions(shop, names=["not-ordered"])
    assert list(zip(found["order_ref"], found["sku"], found["verdict"], strict=True)) == [
        ("3", "C", "open"),
        ("1", "A", "unknown"),
        ("2", "A", "unknown"),
    ]
    assert list(found["cause"][1:]) == [RULES["not-ordered"].unknown[0].cause] * 2
    endings = found["explanation"].str.partition(" is on no line of ")[2]
    assert list(endings) == [
        "order 3.",
        "order 1 that it supplies, but on one of kestrel.",
        "order 2 that it supplies, but on one of kestrel.",
    ]
    assert said(shop, "payment-unmatched") == ["P2 open at-risk 10.00 EUR"]


def test_whoever_was_paid_for_the_goods_another_supplier_is_not_paid_again(tmp_path: Path) -> None:
    theirs: Row = {"supplier": "alder"}
    records = {
        "orders": [order("1"), order("2")],
        "quotes": QUOTES,
        "invoices": [bill("A1", "1", "10.00") | theirs],
        "payments": [payment("P1", "10.00", "1") | theirs],
        "shipments": [parcel("1") | theirs],
    }
    found = exceptions(matched(tmp_path, records), names=["unpaid"])
    told = zip(found["order_ref"], found["supplier"], found["verdict"], strict=True)
    assert sorted(told) == [("1", "kestrel", "unknown"), ("2", "kestrel", "open")]


def test_a_line_without_a_supplier_is_of_whoever_bills_it(tmp_path: Path) -> None:
    records = {
        "orders": [order("1", supplier="")],
        "invoices": [bill("A1", "1", "10.00", supplier="alder")],
    }
    assert said(matched(tmp_path, records), "not-ordered") == []
