"""Which quote is valid for a line: country, quantity, and the days on which it holds."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from tests.matching.said import exceptions
from tests.matching.shops import Result, Row, bill, matched, order, parcel, quote

pytestmark = pytest.mark.no_cover


def _agreed(folder: Path, quotes: list[Row], **line: object) -> str:
    return _shop(folder, quotes, **line).money("agreed", "1")


def _shop(folder: Path, quotes: list[Row], **line: object) -> Result:
    return matched(folder, {"orders": [order("1") | line], "quotes": quotes})


def test_country_goes_before_any_country(tmp_path: Path) -> None:
    quotes = [quote(cost="10.00"), quote(cost="12.00", ship_to_country="ie")]
    assert _agreed(tmp_path / "ie", quotes, ship_to_country="IE") == "12.00"
    assert _agreed(tmp_path / "de", quotes, ship_to_country="DE") == "10.00"
    assert _agreed(tmp_path / "none", quotes, ship_to_country="") == "10.00"


def test_country_goes_before_a_quantity_break(tmp_path: Path) -> None:
    quotes = [
        quote(cost="8.00", min_qty=5, ship_to_country=""),
        quote(cost="12.00", min_qty="", ship_to_country="IE"),
    ]
    assert _agreed(tmp_path, quotes, qty=5, ship_to_country="IE") == "60.00"


def test_quote_for_another_country_is_none(tmp_path: Path) -> None:
    quotes = [quote(ship_to_country="DE")]
    assert _shop(tmp_path, quotes, ship_to_country="IE").supplier_orders.keys() == {
        ("1", "kestrel", "")
    }


@pytest.mark.parametrize(
    ("qty", "agreed"),
    [(1, "10.00"), (4, "40.00"), (5, "45.00"), (9, "81.00"), (10, "80.00")],
)
def test_highest_break_that_is_reached_counts(qty: int, agreed: str, tmp_path: Path) -> None:
    quotes = [
        quote(cost="10.00", min_qty=""),
        quote(cost="9.00", min_qty=5),
        quote(cost="8.00", min_qty=10),
    ]
    assert _agreed(tmp_path, quotes, qty=qty) == agreed


@pytest.mark.parametrize(
    ("ordered", "agreed"),
    [
        ("2026-02-28", ""),
        ("2026-03-01", "10.00"),
        ("2026-03-10", "10.00"),
        ("2026-03-11", "11.00"),
    ],
)
def test_first_and_last_day_are_within(ordered: str, agreed: str, tmp_path: Path) -> None:
    quotes = [
        quote(cost="10.00", valid_from="2026-03-01", valid_to="2026-03-10"),
        quote(cost="11.00", valid_from="2026-03-11", valid_to=""),
    ]
    # The last case is ordered after the night: its row is not known yet.
    ordered = min(ordered, "2026-03-20")
    shop = _shop(tmp_path, quotes, ordered_at=ordered)
    code = "EUR" if agreed else ""
    assert shop.money("agreed", "1", code=code) == agreed


def test_latest_that_became_valid_counts(tmp_path: Path) -> None:
    quotes = [
        quote(cost="10.00", valid_from="2026-01-01"),
        quote(cost="11.00", valid_from="2026-02-01"),
        quote(cost="12.00", valid_from="2026-03-02"),
    ]
    assert _agreed(tmp_path, quotes) == "11.00"


def test_two_that_are_as_good_and_differ_are_none(tmp_path: Path) -> None:
    quotes = [quote(cost="10.00", currency="EUR"), quote(cost="11.00", currency="USD")]
    assert _agreed_or_nothing(_shop(tmp_path, quotes)) == ""


def test_two_that_say_the_same_are_one(tmp_path: Path) -> None:
    quotes = [
        quote(cost="10.00", min_qty=""),
        quote(cost="10.00", min_qty=1),
    ]
    assert _agreed(tmp_path, quotes) == "10.00"


def _agreed_or_nothing(shop: Result) -> str:
    [code] = [key[2] for key in shop.supplier_orders]
    return shop.money("agreed", "1", code=code)


def test_shipping_counts_once_and_again_for_each_further_unit(tmp_path: Path) -> None:
    quotes = [quote(cost="10.00", shipping="4.20", shipping_next="1.10")]
    assert _agreed(tmp_path / "one", quotes) == "14.20"
    assert _agreed(tmp_path / "three", quotes, qty=3) == "36.40"


def test_goods_are_rounded_before_shipping_is_added(tmp_path: Path) -> None:
    assert _agreed(tmp_path, [quote(cost="3.125", shipping="4.20")]) == "7.33"
    assert _agreed(tmp_path, [quote(cost="3.1249", shipping="4.20")]) == "7.32"


def test_what_was_given_back_is_not_agreed_unless_it_was_sent(tmp_path: Path) -> None:
    line = order("1", qty=3, refunded_qty=1)
    shop = matched(tmp_path / "open", {"orders": [line], "quotes": [quote()]})
    assert shop.money("agreed", "1") == "20.00"
    records = {"orders": [line], "quotes": [quote()], "shipments": [parcel("1", qty=3)]}
    assert matched(tmp_path / "sent", records).money("agreed", "1") == "30.00"


def test_one_line_without_a_quote_leaves_the_order_without_a_price(tmp_path: Path) -> None:
    lines = [order("1", "A", line_no=1), order("1", "NEW", line_no=2)]
    shop = matched(tmp_path / "open", {"orders": lines, "quotes": [quote()]})
    assert shop.money("payable", "1", code="") == ""
    # Where that line is refunded, nothing of it has to be paid.
    lines[1]["refunded_qty"] = 1
    shop = matched(tmp_path / "refunded", {"orders": lines, "quotes": [quote()]})
    assert shop.money("payable", "1") == "10.00"


def test_bill_goes_before_the_quote(tmp_path: Path) -> None:
    records = {
        "orders": [order("1")],
        "quotes": [quote()],
        "invoices": [bill("K1", "1", "12.00", shipping="1.00", tax="0.50", other_charges="0.25")],
    }
    shop = matched(tmp_path, records)
    assert shop.money("payable", "1") == "13.75"
    assert shop.money("billed", "1") == "13.75"


def test_days_to_dispatch_come_from_the_quote_else_the_supplier(tmp_path: Path) -> None:
    records = {
        "orders": [order("1"), order("2", "B", supplier="alder"), order("3", "C")],
        "quotes": [quote(dispatch_days=7), quote("B", supplier="alder"), quote("C")],
    }
    shop = matched(tmp_path, records)
    assert shop.lines["1", "A"]["dispatch_days"] == 7
    assert shop.lines["2", "B"]["dispatch_days"] == 5
    assert pd.isna(shop.lines["3", "C"]["dispatch_days"])


@pytest.mark.parametrize(
    ("bad", "verdict"),
    [
        ({"unit_cost": "ten"}, "unknown"),
        ({"unit_cost": "ten", "sku": " a "}, "unknown"),
        ({"sku": ""}, "unknown"),
        ({"unit_cost": "ten", "sku": "C"}, "open"),
    ],
)
def test_a_quote_that_could_not_be_read_is_no_proof_that_there_is_none(
    bad: Row, verdict: str, tmp_path: Path
) -> None:
    records = {
        "orders": [order("1")],
        "invoices": [bill("K1", "1", "10.00")],
        "quotes": [quote("B"), quote() | bad],
    }
    found = exceptions(matched(tmp_path, records, rejects=1), names=["no-quote"])
    assert list(found["verdict"]) == [verdict]
