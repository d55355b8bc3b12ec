"""What looks across orders that share no document is found in portions too."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.matching.shops import AS_OF, Row, bill, order, payment, quote, written
from tests.test_portions import at_once, in_portions, same

Records = dict[str, list[Row]]
COUNT = 5


def orders(*costs: str) -> Records:
    """An order for each cost, billed at it on an invoice of its own."""
    return {
        "orders": [order(str(at)) for at, _ in enumerate(costs, 1)],
        "invoices": [bill(f"K{at}01", str(at), cost) for at, cost in enumerate(costs, 1)],
    }


CASES: dict[str, tuple[Records, str]] = {
    "a payment without a reference for two open orders": (
        orders("20.00", "30.00", "7.00") | {"payments": [payment("P1", "50.00")]},
        "payment-unmatched",
    ),
    "a second payment of an amount that reached its order": (
        orders("40.00", "55.00")
        | {"payments": [payment("P1", "40.00", "1"), payment("P2", "40.00", paid_at="2026-03-05")]},
        "possible-double-payment",
    ),
    "invoices of several orders that could be what was paid": (
        {
            "orders": [order(str(at)) for at in range(1, 5)],
            "invoices": [
                *(bill("K1", str(at), "50.00") for at in (1, 2)),
                *(bill("K2", str(at), "50.00") for at in (3, 4)),
                *(bill(f"C{at}", str(at), "50.00", kind="credit") for at in range(1, 5)),
            ],
            "payments": [
                payment(f"P{day}", "100.00", paid_at=f"2026-03-0{day}") for day in (5, 6, 7)
            ],
        },
        "possible-double-payment",
    ),
    "references a slip of the hand apart": (
        orders("40.00", "70.00")
        | {"payments": [payment("P1", "40.00", "", "K101"), payment("P2", "40.00", "", "K101A")]},
        "possible-double-payment",
    ),
    "a refund that names an unknown invoice": (
        orders("40.00")
        | {
            "payments": [
                payment("P1", "40.00", "1"),
                payment("P2", "40.00", paid_at="2026-03-05"),
                payment("P3", "40.00", paid_at="2026-03-05"),
                payment("R1", "40.00", "", "X9", kind="refund", paid_at="2026-03-09"),
            ]
        },
        "possible-double-payment",
    ),
    "one tracking number for two orders": (
        orders("40.00", "50.00")
        | {
            "shipments": [
                {"supplier": "kestrel", "order_ref": str(at), "shipped_at": f"2026-03-0{at + 3}"}
                | {"sku": "A", "qty": 1, "tracking_no": "KX123456789", "carrier": "Post"}
                for at in (1, 2)
            ],
        },
        "tracking-reused",
    ),
    "small differences of one month": (
        {
            "orders": [order(str(at)) for at in range(1, 10)],
            "quotes": [quote(cost="40.00")],
            "invoices": [
                bill("K9", "9", "40.00"),
                *(bill(f"K{at}", str(at), "40.03") for at in range(1, 9)),
            ],
            "payments": [payment("P9", "40.00", "9")],
        },
        "small-differences-add-up",
    ),
}
SMALL = """
[tolerance]
absolute = "0.05"
percent = "1"
[rules.small-differences-add-up]
limit = 0
"""


@pytest.mark.no_cover
@pytest.mark.parametrize("case", CASES)
def test_what_looks_across_orders_is_found_in_portions_too(case: str, tmp_path: Path) -> None:
    records, rule = CASES[case]
    whole = at_once(written(tmp_path / "shop", records, SMALL), AS_OF)
    assert (whole.exceptions["rule"] == rule).any(), whole.exceptions["rule"].tolist()
    (tmp_path / "aside").mkdir()
    same(whole, *in_portions(whole, COUNT, tmp_path / "aside"))


def test_a_shop_without_a_row_is_one_portion(tmp_path: Path) -> None:
    whole = at_once(written(tmp_path / "shop", {"orders": [], "payments": []}, SMALL), AS_OF)
    assert not len(whole.matched.lines)
    (tmp_path / "aside").mkdir()
    same(whole, *in_portions(whole, COUNT, tmp_path / "aside"))
