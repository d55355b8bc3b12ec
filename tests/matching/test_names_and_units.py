"""Suppliers under several names, packs and kits that are paid, credits, top-ups, stores."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.matching.said import said
from tests.matching.shops import Row, bill, matched, order, parcel, payment, quote

pytestmark = pytest.mark.no_cover

SPELLINGS = ("kestrel", "Kestrel Goods Co", "KESTREL GOODS CO", " kestrel ")


@pytest.mark.parametrize("name", SPELLINGS)
def test_supplier_is_one_under_each_of_its_names(name: str, tmp_path: Path) -> None:
    """In every record: orders, quotes, bills, payments, parcels and the SKU map."""
    shop = matched(
        tmp_path,
        {
            "orders": [order("1", supplier="kestrel"), order("2", "PACK", supplier=name)],
            "quotes": [quote(supplier=name), quote("K-P", "2.00", supplier="kestrel")],
            "sku_map": [{"sku": "PACK", "supplier": name, "supplier_sku": "K-P", "units": 6}],
            "invoices": [bill("K1", "1", "10.00", supplier=name)],
            "payments": [
                payment("P1", "10.00", "", "K1", supplier="kestrel"),
                payment("P2", "12.00", "2", supplier=name),
            ],
            "shipments": [
                parcel("1", supplier=name),
                parcel("2", "K-P", 6, supplier=name, tracking_no="T2"),
            ],
        },
    )
    assert set(shop.supplier_orders) == {("1", "kestrel", "EUR"), ("2", "kestrel", "EUR")}
    assert [shop.money("payable", ref) for ref in "12"] == ["10.00", "12.00"]
    assert [shop.money("paid", ref) for ref in "12"] == ["10.00", "12.00"]
    assert [shop.lines[key]["shipped"] for key in (("1", "A"), ("2", "PACK"))] == [1, 1]
    assert said(shop, "unpaid") == said(shop, "payment-unmatched") == []


def test_a_name_that_nobody_declared_is_another_supplier(tmp_path: Path) -> None:
    records: dict[str, list[Row]] = {"orders": [order("1")], "quotes": [quote()]}
    paid = payment("P1", "10.00", "1", supplier="Kestrel Goods Company")
    shop = matched(tmp_path, records | {"payments": [paid]})
    assert shop.money("paid", "1") == "0.00"
    assert len(said(shop, "payment-unmatched")) == 1


@pytest.mark.parametrize(("units", "verdicts"), [(6, []), (5, ["A open claim 9.00 EUR"])])
def test_packs_are_billed_paid_and_sent_in_the_suppliers_units(
    units: int, verdicts: list[str], tmp_path: Path
) -> None:
    """Two of ours are six of theirs each: 12 at 1.50, paid whole, and one pack is not full."""
    shop = matched(
        tmp_path,
        {
            "orders": [order("1", qty=2)],
            "sku_map": [{"sku": "A", "supplier": "kestrel", "supplier_sku": "K-A", "units": 6}],
            "invoices": [bill("K1", "1", "1.50", "K-A", 12)],
            "payments": [payment("P1", "18.00", "", "K1")],
            "shipments": [parcel("1", "K-A", 6), parcel("1", "K-A", units, tracking_no="T2")],
        },
    )
    assert (shop.money("payable", "1"), shop.money("paid", "1")) == ("18.00", "18.00")
    assert shop.money("duplicate_billing", "1") == "0.00"
    assert said(shop, "short-shipped") == verdicts


def test_kit_without_a_bill_is_agreed_by_the_quotes_of_its_parts(tmp_path: Path) -> None:
    kit = [
        {"sku": "KIT", "supplier": "kestrel", "supplier_sku": "LAMP", "units": 1},
        {"sku": "KIT", "supplier": "kestrel", "supplier_sku": "WICK", "units": 3},
    ]
    shop = matched(
        tmp_path,
        {
            "orders": [order("1", "KIT", 2), order("2", "LAMP")],
            "sku_map": kit,
            "quotes": [quote("LAMP", "8.00"), quote("WICK", "0.50")],
            "payments": [payment("P1", "19.00"), payment("P2", "8.00", "2")],
        },
    )
    assert shop.money("payable", "1") == "19.00"
    assert shop.payments["P1"]["suggested"] == 1900


def test_credit_is_of_the_goods_that_it_names_whatever_its_number(tmp_path: Path) -> None:
    """Two invoices for two orders; the credit note of one comes under a number of its own."""
    bills = [
        bill("K1", "1", "10.00", qty=2),
        bill("K2", "2", "10.00", qty=2),
        bill("C7", "2", "10.00", qty=1, kind="credit"),
    ]
    orders = [order("1", qty=2), order("2", qty=2, refunded_qty=1)]
    payments = [payment("P1", "20.00", "", "K1"), payment("P2", "10.00", "", "K2;C7")]
    shop = matched(tmp_path, {"orders": orders, "invoices": bills, "payments": payments})
    assert [shop.money("payable", ref) for ref in "12"] == ["20.00", "10.00"]
    assert [shop.money("paid", ref) for ref in "12"] == ["20.00", "10.00"]
    assert said(shop, "part-paid") == said(shop, "overpaid") == []


def test_credit_after_payment_is_too_much_paid_until_it_is_given_back(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00", qty=2), bill("C7", "1", "10.00", qty=1, kind="credit")]
    records: dict[str, list[Row]] = {"orders": [order("1", qty=2)], "invoices": bills}
    paid = payment("P1", "20.00", "", "K1")
    shop = matched(tmp_path / "kept", records | {"payments": [paid]})
    assert shop.money("excess_paid", "1") == "10.00"
    back = payment("R1", "10.00", "", "C7", kind="refund")
    shop = matched(tmp_path / "back", records | {"payments": [paid, back]})
    assert shop.money("excess_paid", "1") == "0.00"


@pytest.mark.parametrize("orders", ["", "1"])
def test_top_up_of_a_wallet_is_for_no_order(orders: str, tmp_path: Path) -> None:
    """Neither allocated, nor suggested, nor told as a payment that reaches no order."""
    records: dict[str, list[Row]] = {"orders": [order("1")], "quotes": [quote()]}
    shop = matched(
        tmp_path, records | {"payments": [payment("P1", "10.00", orders, kind="top-up")]}
    )
    assert shop.money("paid", "1") == "0.00"
    assert said(shop, "payment-unmatched") == []
    assert shop.payments["P1"]["suggested"] == 0
    assert said(shop, "unpaid") == ["open owed 10.00 EUR"]


def test_one_number_in_two_stores_is_two_sets(tmp_path: Path) -> None:
    orders = [order("1", store="ie"), order("1", store="de"), order("2", "B", store="de")]
    records: dict[str, list[Row]] = {"orders": orders, "quotes": [quote(), quote("B", "7.00")]}
    shop = matched(tmp_path / "one", records | {"payments": [payment("P1", "10.00")]})
    assert shop.payments["P1"]["several_ways"]
    shop = matched(tmp_path / "all", records | {"payments": [payment("P1", "27.00")]})
    assert shop.payments["P1"]["suggested"] == 2700


def test_two_currencies_are_never_one_sum(tmp_path: Path) -> None:
    """10 EUR and 17 USD are open: 27 of either is nothing that is open."""
    orders = [order("1"), order("2", "B")]
    quotes = [quote(), quote("B", "17.00", currency="USD")]
    for code, paid, suggested in (
        ("EUR", "27.00", 0),
        ("USD", "27.00", 0),
        ("EUR", "10.00", 1000),
        ("USD", "17.00", 1700),
        ("USD", "10.00", 0),
    ):
        records = {"orders": orders, "quotes": quotes}
        move = payment("P1", paid, currency=code)
        shop = matched(tmp_path / f"{code}{paid}", records | {"payments": [move]})
        assert shop.payments["P1"]["suggested"] == suggested


def test_supplier_that_only_a_bill_tells_is_the_one_that_is_paid(tmp_path: Path) -> None:
    """No supplier in the orders: the bill names it, and the payment finds the order."""
    orders = [order("1", supplier=""), order("2", supplier="")]
    bills = [bill("K1", "1", "10.00"), bill("A1", "2", "10.00", supplier="alder")]
    payments = [payment("P1", "10.00")]
    shop = matched(tmp_path, {"orders": orders, "invoices": bills, "payments": payments})
    assert shop.payments["P1"]["suggested"] == 1000
    assert shop.fact("perhaps_paid", "1")
    assert not shop.fact("perhaps_paid", "2", "alder")
