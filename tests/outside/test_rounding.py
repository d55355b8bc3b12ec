"""Rounding of money, and splitting it.

Sources: EN 16931-1, BR-CO-10 and BR-CO-16 (each line's amount is rounded to the minor unit, then
the rounded lines are added, exactly). 2.675, 1.005 and 0.285 are the usual examples of decimals
that binary floats hold as slightly less, so that ``round`` gives 2.67, 1.0 and 0.28 (Python
tutorial, Floating-Point Arithmetic: Issues and Limitations). The split of 10.00 is worked out by
hand: 19.99 / 32.48 = 6.1545, 5.00 / 32.48 = 1.5394, 7.49 / 32.48 = 2.3060; whole cents 6.15,
1.53, 2.30 leave two cents for the largest remainders, 1.53|94 and 2.30|60.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from tests.outside.shop_folder import Row, exceptions, nightly, write_shop

if TYPE_CHECKING:
    from pathlib import Path

AS_OF = date(2026, 9, 30)


def _order_line(order_ref: str, sku: str, line_no: int, qty: int = 1) -> dict[str, object]:
    return {
        "order_ref": order_ref,
        "ordered_at": "2026-09-01",
        "line_no": line_no,
        "sku": sku,
        "qty": qty,
        "unit_price": "90.00",
        "currency": "EUR",
        "supplier": "alder",
        "customer_paid_at": "2026-09-01",
    }


def _bill(order_ref: str, sku: str, unit_cost: str, qty: int = 1, **more: str) -> dict[str, object]:
    return {
        "supplier": "alder",
        "invoice_no": f"A-{order_ref}",
        "invoice_date": "2026-09-02",
        "order_ref": order_ref,
        "sku": sku,
        "qty": qty,
        "unit_cost": unit_cost,
        "currency": "EUR",
        **more,
    }


def _payment(order_ref: str, amount: str) -> dict[str, object]:
    return {
        "supplier": "alder",
        "payment_ref": f"P-{order_ref}",
        "paid_at": "2026-09-02",
        "amount": amount,
        "currency": "EUR",
        "order_ref": order_ref,
    }


def _parcel(order_ref: str) -> dict[str, object]:
    return {
        "supplier": "alder",
        "order_ref": order_ref,
        "shipped_at": "2026-09-03",
        "tracking_no": f"LL{order_ref}",
    }


def _run(
    folder: Path,
    orders: list[dict[str, object]],
    invoices: list[dict[str, object]],
    payments: list[dict[str, object]],
) -> list[Row]:
    records = {
        "orders": orders,
        "invoices": invoices,
        "payments": payments,
        "shipments": [_parcel(str(orders[0]["order_ref"]))],
    }
    shop = write_shop(folder / "shop", records)
    return exceptions(nightly(shop, AS_OF, folder / "out"))


def _amounts(rows: list[Row], rule: str) -> dict[tuple[str, str], str]:
    return {
        (row["order_ref"], row["sku"]): row["amount"]
        for row in rows
        if row["rule"] == rule and row["verdict"] == "open"
    }


def test_exact_halves_are_rounded_up(tmp_path: Path) -> None:
    costs = {"R-1": "2.675", "R-2": "1.005", "R-3": "0.285", "R-4": "2.674999", "R-5": "0.125"}
    orders = [_order_line("R-0", "lamp", 1)] + [_order_line(ref, "lamp", 1) for ref in costs]
    invoices = [_bill("R-0", "lamp", "1.00")] + [
        _bill(ref, "lamp", cost) for ref, cost in costs.items()
    ]
    rows = _run(tmp_path, orders, invoices, [_payment("R-0", "1.00")])
    assert _amounts(rows, "unpaid") == {
        ("R-1", ""): "2.68",
        ("R-2", ""): "1.01",
        ("R-3", ""): "0.29",
        ("R-4", ""): "2.67",
        ("R-5", ""): "0.13",
    }


def test_each_line_is_rounded_and_then_added(tmp_path: Path) -> None:
    # Three times 0.335: 0.34 + 0.34 + 0.34. Adding first would give 1.005, so 1.01.
    # Three pieces at 0.335 on one line: 1.005, so 1.01.
    # 7 at 1.0225 and 3 at 0.3331: 7.1575 and 0.9993, so 7.16 + 1.00. Adding first: 8.1568.
    skus = ("lamp", "wick", "oil")
    orders = [_order_line("E-0", "lamp", 1)]
    orders += [_order_line("E-1", sku, place) for place, sku in enumerate(skus, 1)]
    orders += [_order_line("E-2", "lamp", 1, 3)]
    orders += [_order_line("E-3", "lamp", 1, 7), _order_line("E-3", "wick", 2, 3)]
    invoices = [_bill("E-0", "lamp", "1.00")]
    invoices += [_bill("E-1", sku, "0.335") for sku in skus]
    invoices += [_bill("E-2", "lamp", "0.335", 3)]
    invoices += [_bill("E-3", "lamp", "1.0225", 7), _bill("E-3", "wick", "0.3331", 3)]
    rows = _run(tmp_path, orders, invoices, [_payment("E-0", "1.00")])
    assert _amounts(rows, "unpaid") == {
        ("E-1", ""): "1.02",
        ("E-2", ""): "1.01",
        ("E-3", ""): "8.16",
    }


def test_paid_is_split_by_largest_remainder(tmp_path: Path) -> None:
    # 10.00 is all that is payable for 19.99 + 5.00 + 7.49 since a credit, which belongs to no
    # line of the order, takes off 22.48. It is paid, and nothing of it is sent.
    skus = {"lamp": "19.99", "wick": "5.00", "oil": "7.49"}
    orders = [_order_line("S-0", "lamp", 1)]
    orders += [_order_line("S-1", sku, place) for place, sku in enumerate(skus, 1)]
    invoices = [_bill("S-0", "lamp", "1.00")]
    invoices += [_bill("S-1", sku, cost) for sku, cost in skus.items()]
    invoices += [_bill("S-1", "goodwill", "22.48", kind="credit")]
    rows = _run(tmp_path, orders, invoices, [_payment("S-0", "1.00"), _payment("S-1", "10.00")])
    assert _amounts(rows, "unfulfilled") == {
        ("S-1", "lamp"): "6.15",
        ("S-1", "wick"): "1.54",
        ("S-1", "oil"): "2.31",
    }


def test_equal_remainders_go_to_the_first_lines(tmp_path: Path) -> None:
    # 3.02 for three lines of 1.00 each: 1.00 each, and two cents in line order. The line numbers
    # run against the order of the rows. Overpaid by 0.02, which is a claim of its own.
    places = {"wick": 3, "oil": 2, "lamp": 1}
    orders = [_order_line("T-0", "lamp", 1)]
    orders += [_order_line("T-1", sku, place) for sku, place in places.items()]
    invoices = [_bill("T-0", "lamp", "1.00")]
    invoices += [_bill("T-1", sku, "1.00") for sku in places]
    rows = _run(tmp_path, orders, invoices, [_payment("T-0", "1.00"), _payment("T-1", "3.02")])
    assert _amounts(rows, "unfulfilled") == {
        ("T-1", "lamp"): "1.01",
        ("T-1", "oil"): "1.01",
        ("T-1", "wick"): "1.00",
    }
    assert _amounts(rows, "overpaid") == {("T-1", ""): "0.02"}
