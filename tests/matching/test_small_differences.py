"""Differences within the tolerance, added up by supplier, currency and month of the invoice."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

from tests.matching.said import exceptions, said
from tests.matching.shops import SETTINGS, Result, Row, bill, matched, order, quote

LIMITS = ("1.00", "10")
TOLERANCE = '\n[tolerance]\nabsolute = "1.00"\npercent = "10"\n'
RULE = "small-differences-add-up"
NOTHING: list[str] = []


def shop(folder: Path, excess: list[str], **more: object) -> Result:
    """Orders of one unit quoted at 20.00, each billed by so much more."""
    orders, bills = [], []
    for number, above in enumerate(excess, 1):
        orders.append(order(str(number)))
        cost = Decimal("20.00") + Decimal(above)
        bills.append(bill(f"K{number}", str(number), str(cost)) | more)
    records: dict[str, list[Row]] = {
        "orders": orders,
        "invoices": bills,
        "quotes": [quote(cost="20.00")],
    }
    assert "[tolerance]" not in SETTINGS
    return matched(folder, records, TOLERANCE)


def test_they_add_up_beyond_the_limit_and_are_silent_at_it(tmp_path: Path) -> None:
    at_limit = shop(tmp_path / "at", ["1.00"] * 10)
    assert said(at_limit, RULE, LIMITS) == NOTHING
    beyond = shop(tmp_path / "beyond", [*["1.00"] * 10, "0.01"])
    assert said(beyond, RULE, LIMITS) == ["open info 10.01 EUR"]
    assert said(beyond, "overcharged", LIMITS) == NOTHING


def test_what_is_beyond_the_tolerance_has_its_own_rule(tmp_path: Path) -> None:
    found = shop(tmp_path, [*["1.00"] * 10, "1.01"])
    assert said(found, RULE, LIMITS) == NOTHING
    assert said(found, "overcharged", LIMITS) == ["K11 A open stop 1.01 EUR"]


def test_months_stand_apart(tmp_path: Path) -> None:
    orders = [order(str(number), ordered_at="2026-02-27") for number in range(1, 13)]
    bills = [
        bill(f"K{number}", str(number), "21.00", invoice_date=day)
        for number, day in enumerate(["2026-02-28"] * 6 + ["2026-03-01"] * 6, 1)
    ]
    records: dict[str, list[Row]] = {
        "orders": orders,
        "invoices": bills,
        "quotes": [quote(cost="20.00")],
    }
    assert said(matched(tmp_path, records, TOLERANCE), RULE, LIMITS) == NOTHING


def test_totals_that_do_not_add_up_count_too(tmp_path: Path) -> None:
    found = shop(tmp_path / "above", ["0.00"] * 11, line_total="21.00")
    assert said(found, RULE, LIMITS) == ["open info 11.00 EUR"]
    # Those that are too low are no one's loss.
    found = shop(tmp_path / "below", ["0.00"] * 11, line_total="19.00")
    assert said(found, RULE, LIMITS) == NOTHING


def test_evidence_names_the_lines(tmp_path: Path) -> None:
    found = exceptions(shop(tmp_path, ["1.00"] * 15), LIMITS).query(f"rule == '{RULE}'")
    [places] = found["evidence"]
    assert places.startswith("invoices.csv row 2; invoices.csv row 3; ")
    assert places.endswith("invoices.csv row 13; and 3 more invoices rows")


def test_a_month_of_a_supplier_names_no_order(tmp_path: Path) -> None:
    found = exceptions(shop(tmp_path, ["1.00"] * 15), LIMITS).query(f"rule == '{RULE}'")
    assert found["order_ref"].tolist() == [""]
    assert found["supplier"].tolist() == ["kestrel"]
