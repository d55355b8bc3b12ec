"""Paid too much, it seems: what no invoice bills so far is told, for the payment may be for it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.matching.said import exceptions
from tests.matching.shops import Result, Row, bill, matched, order, payment, quote

pytestmark = pytest.mark.no_cover

NONE_LEFT = "too much."


def _sentences(shop: Result, *rules: str) -> dict[str, str]:
    """What the rules say of each order, behind how much it is."""
    found = exceptions(shop, names=rules)
    endings = found["explanation"].str.replace(r"^.* EUR too much", "too much", regex=True)
    return dict(zip(found["order_ref"], endings, strict=True))


def test_goods_that_are_paid_and_billed_later_are_told(tmp_path: Path) -> None:
    """Of five orders that are paid in full one invoice bills a part, and of one it bills all."""
    records: dict[str, list[Row]] = {
        "orders": [
            *(order("1", sku) for sku in "AB"),  # B is not billed
            order("2", "A", 3),  # one of three is billed
            *(order("3", sku) for sku in "ABC"),  # B and C are not, C is refunded
            *(order("4", sku) for sku in "AaA"),  # one SKU on three lines
            order("5", "A"),  # all is billed
            order("6", "A"),  # nothing is: quotes tell what is payable
            *(order("7", sku) for sku in "AB"),  # and not more than what is billed is paid
            order("8", "A", supplier="alder"),  # the other supplier bills nothing
            order("8", "A"),
        ],
        "quotes": [quote(sku) for sku in "ABC"],
        "invoices": [
            *(bill("K1", ref, "10.00") for ref in "12345"),
            bill("K2", "7", "10.00"),
            bill("K3", "8", "10.00"),
        ],
        "payments": [
            *(payment(f"P{ref}", "30.00", ref) for ref in "123456"),
            payment("P7", "10.00", "7"),
            payment("P8", "30.00", "8"),
        ],
    }
    records["orders"][5]["refunded_qty"] = 1
    shop = matched(tmp_path, records)
    assert _sentences(shop, "overpaid") == {
        "1": "too much; not billed so far: 1 of B.",
        "2": "too much; not billed so far: 2 of A.",
        "3": "too much; not billed so far: 1 of B.",
        "4": "too much; not billed so far: 2 of a.",
        "5": NONE_LEFT,
        "6": NONE_LEFT,
        "8": NONE_LEFT,
    }
    assert shop.fact("unbilled", "7") == ""


def test_of_several_payments_and_of_many_goods(tmp_path: Path) -> None:
    skus = [f"S{at:02}" for at in range(15)]
    records = {
        "orders": [order("1", sku) for sku in skus],
        "quotes": [quote(sku) for sku in skus],
        "invoices": [bill("K1", "1", "10.00", "S00")],
        "payments": [payment("P1", "75.00", "1"), payment("P2", "75.00", "1")],
    }
    [sentence] = _sentences(matched(tmp_path, records), "double-paid").values()
    names = ", ".join(f"1 of {sku}" for sku in skus[1:13])
    assert sentence == f"too much; not billed so far: {names} and 2 more."


def test_a_kit_is_billed_where_one_of_its_parts_is(tmp_path: Path) -> None:
    parts: list[Row] = [
        {"sku": "KIT", "supplier": "kestrel", "supplier_sku": sku, "units": 1} for sku in "XY"
    ]
    records = {
        "orders": [order("1", "KIT"), order("2", "KIT", 2)],
        "sku_map": parts,
        "invoices": [
            *(bill("K1", "1", "5.00", sku) for sku in "XY"),
            *(bill("K1", "2", "5.00", sku) for sku in "XY"),
        ],
        "payments": [payment("P1", "20.00", "1"), payment("P2", "20.00", "2")],
    }
    assert _sentences(matched(tmp_path, records), "overpaid") == {
        "1": NONE_LEFT,
        "2": "too much; not billed so far: 1 of KIT.",
    }
