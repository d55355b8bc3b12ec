"""Invoice lines that do not add up, and lines for what nobody ordered."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.matching.said import exceptions, said
from tests.matching.shops import Result, Row, bill, matched, order, payment

pytestmark = pytest.mark.no_cover

NOTHING: list[str] = []


def shop(folder: Path, bills: list[Row], **more: list[Row]) -> Result:
    """One order of one unit of A."""
    return matched(folder, {"orders": [order("1")], "invoices": bills, **more})


# The sum of a line: EN 16931, BR-CO-10, each line half up to the minor unit


@pytest.mark.parametrize(
    ("total", "expected"),
    [
        ("14.20", ["K1 A open stop"]),
        ("15.94", ["K1 A open stop"]),
        ("15.95", NOTHING),
        ("15.96", ["K1 A open stop 0.01 EUR"]),
        ("", NOTHING),
    ],
)
def test_total_is_what_the_parts_add_up_to(total: str, expected: list[str], tmp_path: Path) -> None:
    parts: Row = {"shipping": "4.20", "tax": "0.50", "other_charges": "0.25"}
    bills = [bill("K1", "1", "11.00", line_total=total) | parts]
    assert said(shop(tmp_path, bills), "invoice-arithmetic") == expected


def test_half_a_minor_unit_is_rounded_up(tmp_path: Path) -> None:
    for total, expected in (("3.13", NOTHING), ("3.12", ["K1 A open stop"])):
        bills = [bill("K1", "1", "3.125", line_total=total)]
        assert said(shop(tmp_path / total, bills), "invoice-arithmetic") == expected


def test_total_that_was_paid_is_a_claim(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00", line_total="13.00")]
    found = shop(tmp_path, bills, payments=[payment("P1", "13.00", "1")])
    assert said(found, "invoice-arithmetic") == ["K1 A open claim 3.00 EUR"]


@pytest.mark.parametrize(
    ("total", "expected"),
    [
        ("12.00", NOTHING),
        ("-12.00", NOTHING),
        ("11.00", ["C1 A open stop 1.00 EUR"]),
        ("-13.00", ["C1 A open stop"]),
    ],
)
def test_credit_of_less_than_its_parts_is_too_little(
    total: str, expected: list[str], tmp_path: Path
) -> None:
    bills = [
        bill("K1", "1", "12.00", line_total="12.00", kind=""),
        bill("C1", "1", "12.00", line_total=total, kind="credit"),
    ]
    assert said(shop(tmp_path, bills), "invoice-arithmetic") == expected


def test_order_that_is_not_known_does_not_matter(tmp_path: Path) -> None:
    bills = [bill("K1", "99", "10.00", line_total="11.00")]
    assert said(shop(tmp_path, bills), "invoice-arithmetic") == ["K1 A open stop 1.00 EUR"]


# What was not ordered


def test_sku_that_is_not_on_the_order_is_told(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00"), bill("K1", "1", "7.00", "B", shipping="1.00")]
    assert said(shop(tmp_path / "open", bills), "not-ordered") == ["K1 B open stop 8.00 EUR"]
    found = shop(tmp_path / "paid", bills, payments=[payment("P1", "18.00", "1")])
    assert said(found, "not-ordered") == ["K1 B open claim 8.00 EUR"]
    [told] = exceptions(found).query("rule == 'not-ordered'").to_dict("records")
    assert told["evidence"] == "invoices.csv row 3; orders.csv row 2; payments.csv row 2"


def test_sku_is_compared_cleaned(tmp_path: Path) -> None:
    assert said(shop(tmp_path, [bill("K1", "1", "10.00", " a ")]), "not-ordered") == NOTHING


def test_line_that_was_credited_is_silent(tmp_path: Path) -> None:
    wrong = bill("K1", "1", "7.00", "B", kind="")
    credit = bill("C1", "1", "7.00", "B", kind="credit", invoice_date="2026-03-04")
    assert said(shop(tmp_path / "both", [wrong, credit]), "not-ordered") == NOTHING
    assert said(shop(tmp_path / "alone", [wrong]), "not-ordered") == ["K1 B open stop 7.00 EUR"]


def test_replacement_is_silent(tmp_path: Path) -> None:
    assert said(shop(tmp_path, [bill("K1", "1-R", "7.00", "B")]), "not-ordered") == NOTHING


def test_order_that_is_in_no_export_is_told_by_its_own_rule(tmp_path: Path) -> None:
    found = shop(tmp_path, [bill("K1", "99", "7.00", "B")])
    assert said(found, "not-ordered") == NOTHING
    assert said(found, "unknown-order") == ["K1 B open at-risk 7.00 EUR"]


def test_line_of_another_supplier_may_be_by_another_name(tmp_path: Path) -> None:
    records = {
        "orders": [order("1", line_no=1), order("1", "B", line_no=2, supplier="alder")],
        "invoices": [bill("K1", "1", "7.00", "B")],
    }
    assert said(matched(tmp_path, records), "not-ordered") == ["K1 B unknown stop 7.00 EUR"]


@pytest.mark.parametrize(
    ("sku", "expected"),
    [
        ("K-A", NOTHING),
        ("k-b", NOTHING),
        ("A", NOTHING),
        ("K-C", ["K1 K-C open stop 7.00 EUR"]),
    ],
)
def test_supplier_s_own_skus_are_on_the_order(
    sku: str, expected: list[str], tmp_path: Path
) -> None:
    mapped: list[Row] = [
        {"sku": "A", "supplier": "kestrel", "supplier_sku": "K-A", "units": 2},
        {"sku": "A", "supplier": "kestrel", "supplier_sku": "K-B", "units": 1},
        {"sku": "C", "supplier": "kestrel", "supplier_sku": "K-C", "units": 1},
    ]
    found = shop(tmp_path, [bill("K1", "1", "7.00", sku)], sku_map=mapped)
    assert said(found, "not-ordered") == expected
