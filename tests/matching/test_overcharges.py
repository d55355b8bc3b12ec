"""Billed prices against quotes: what is too much, and what only looks so."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.matching.said import exceptions, said
from tests.matching.shops import Result, Row, bill, matched, order, payment, quote

pytestmark = pytest.mark.no_cover

NOTHING: list[str] = []


def shop(
    folder: Path,
    bills: list[Row],
    quotes: list[Row] | None = None,
    orders: list[Row] | None = None,
    **more: list[Row],
) -> Result:
    """One order of one unit to Ireland, quoted at 10.00 and 4.20, unless told otherwise."""
    return matched(
        folder,
        {
            "orders": orders or [order("1", ship_to_country="IE")],
            "quotes": quotes or [quote(shipping="4.20", shipping_next="1.40")],
            "invoices": bills,
            **more,
        },
    )


def test_unit_cost_above_the_quote_is_told_and_its_equal_is_not(tmp_path: Path) -> None:
    at_quote = shop(tmp_path / "at", [bill("K1", "1", "10.00", shipping="4.20")])
    assert said(at_quote, "overcharged") == NOTHING
    above = shop(tmp_path / "above", [bill("K1", "1", "10.01", shipping="4.20")])
    assert said(above, "overcharged") == ["K1 A open stop 0.01 EUR"]
    below = shop(tmp_path / "below", [bill("K1", "1", "9.99", shipping="4.20")])
    assert said(below, "overcharged") == NOTHING


def test_shipping_above_the_quote_is_told(tmp_path: Path) -> None:
    above = shop(tmp_path, [bill("K1", "1", "10.00", shipping="5.00")])
    assert said(above, "overcharged") == ["K1 A open stop 0.80 EUR"]


def test_shipping_of_further_units_is_quoted_too(tmp_path: Path) -> None:
    orders = [order("1", qty=3)]
    right = shop(
        tmp_path / "right", [bill("K1", "1", "10.00", qty=3, shipping="7.00")], None, orders
    )
    assert said(right, "overcharged") == NOTHING
    above = shop(
        tmp_path / "above", [bill("K1", "1", "10.00", qty=3, shipping="7.01")], None, orders
    )
    assert said(above, "overcharged") == ["K1 A open stop 0.01 EUR"]


def test_shipping_that_no_quote_mentions_is_not_compared(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00", shipping="5.00")]
    assert said(shop(tmp_path, bills, [quote()]), "overcharged") == NOTHING


def test_paid_makes_it_a_claim_and_paid_in_part_does_not(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "12.00", shipping="4.20")]
    paid = shop(tmp_path / "paid", bills, payments=[payment("P1", "16.20", "1")])
    assert said(paid, "overcharged") == ["K1 A open claim 2.00 EUR"]
    part = shop(tmp_path / "part", bills, payments=[payment("P1", "14.20", "1")])
    assert said(part, "overcharged") == ["K1 A open stop 2.00 EUR"]


@pytest.mark.parametrize(
    ("qty", "cost", "expected"),
    [
        (4, "10.00", NOTHING),
        (4, "10.50", ["K1 A open stop 2.00 EUR"]),
        (5, "9.00", NOTHING),
        (5, "10.00", ["K1 A open stop 5.00 EUR"]),
    ],
)
def test_quantity_break_decides(qty: int, cost: str, expected: list[str], tmp_path: Path) -> None:
    quotes = [quote(cost="10.00", min_qty=""), quote(cost="9.00", min_qty=5)]
    bills = [bill("K1", "1", cost, qty=qty)]
    assert said(shop(tmp_path, bills, quotes, [order("1", qty=qty)]), "overcharged") == expected


def test_quantity_break_is_that_of_the_order_and_not_of_the_invoice(tmp_path: Path) -> None:
    quotes = [quote(cost="10.00", min_qty=""), quote(cost="9.00", min_qty=5)]
    orders = [order("1", qty=6)]
    halves = [bill("K1", "1", "9.00", qty=3), bill("K2", "1", "9.00", qty=3)]
    assert said(shop(tmp_path / "right", halves, quotes, orders), "overcharged") == NOTHING
    halves = [bill("K1", "1", "10.00", qty=3), bill("K2", "1", "10.00", qty=3)]
    found = said(shop(tmp_path / "above", halves, quotes, orders), "overcharged")
    assert found == ["K1 A open stop 3.00 EUR", "K2 A open stop 3.00 EUR"]


def test_unit_given_back_before_it_was_billed_has_the_break_of_the_rest(tmp_path: Path) -> None:
    quotes = [quote(cost="10.00", min_qty=""), quote(cost="9.00", min_qty=5)]
    orders = [order("1", qty=5, refunded_qty=1)]
    four = shop(tmp_path / "four", [bill("K1", "1", "10.00", qty=4)], quotes, orders)
    assert said(four, "overcharged") == NOTHING
    five = shop(tmp_path / "five", [bill("K1", "1", "10.00", qty=5)], quotes, orders)
    assert said(five, "overcharged") == ["K1 A open stop 5.00 EUR"]


@pytest.mark.parametrize(
    ("ordered", "expected"),
    [("2026-03-01", ["K1 A open stop 2.00 EUR"]), ("2026-03-02", NOTHING)],
)
def test_day_of_the_order_decides_and_not_that_of_the_invoice(
    ordered: str, expected: list[str], tmp_path: Path
) -> None:
    quotes = [
        quote(cost="10.00", valid_from="", valid_to="2026-03-01"),
        quote(cost="12.00", valid_from="2026-03-02", valid_to=""),
    ]
    orders = [order("1", ordered_at=ordered)]
    bills = [bill("K1", "1", "12.00", invoice_date="2026-03-05")]
    assert said(shop(tmp_path, bills, quotes, orders), "overcharged") == expected


# The tolerance, "whichever is less": University of Michigan, Voucher Approval Policies, 30 % or 300


@pytest.mark.parametrize(
    ("quoted", "billed", "expected"),
    [
        ("500.00", "650.00", NOTHING),
        ("500.00", "650.01", ["K1 A open stop 150.01 EUR"]),
        ("2000.00", "2300.00", NOTHING),
        ("2000.00", "2300.01", ["K1 A open stop 300.01 EUR"]),
    ],
)
def test_tolerance_is_the_lesser_of_both_limits(
    quoted: str, billed: str, expected: list[str], tmp_path: Path
) -> None:
    found = shop(tmp_path, [bill("K1", "1", billed)], [quote(cost=quoted)])
    assert said(found, "overcharged", ("300", "30")) == expected


def test_fractions_of_a_cent_are_rounded_line_by_line(tmp_path: Path) -> None:
    quotes = [quote(cost="3.125")]
    orders = [order("1", qty=3)]
    bills = [bill("K1", "1", "3.13", qty=3)]
    # 9.39 and not 9.38
    found = said(shop(tmp_path / "above", bills, quotes, orders), "overcharged")
    assert found == ["K1 A open stop 0.01 EUR"]
    bills = [bill("K1", "1", "3.125", qty=3)]
    assert said(shop(tmp_path / "right", bills, quotes, orders), "overcharged") == NOTHING


# Look-alikes, each with its other half


def test_corrected_invoice_with_its_credit_is_silent(tmp_path: Path) -> None:
    wrong = bill("K1", "1", "11.00", shipping="4.20")
    credit = bill("C1", "1", "11.00", shipping="4.20", kind="credit", invoice_date="2026-03-04")
    right = bill("K2", "1", "10.00", shipping="4.20", invoice_date="2026-03-05")
    both = shop(
        tmp_path / "both", [wrong | {"kind": "invoice"}, credit, right | {"kind": "invoice"}]
    )
    assert said(both, "overcharged") == NOTHING
    alone = shop(tmp_path / "alone", [wrong])
    assert said(alone, "overcharged") == ["K1 A open stop 1.00 EUR"]


def test_credit_of_the_difference_is_silent_and_of_a_part_leaves_the_rest(tmp_path: Path) -> None:
    wrong = bill("K1", "1", "11.00", shipping="4.20", kind="")
    for given, expected in (("1.00", NOTHING), ("0.60", ["K1 A open stop 0.40 EUR"])):
        credit = bill("C1", "1", given, kind="credit", invoice_date="2026-03-04")
        found = said(shop(tmp_path / given, [wrong, credit]), "overcharged")
        assert found == expected


def test_credit_for_the_whole_order_counts_too(tmp_path: Path) -> None:
    wrong = bill("K1", "1", "11.00", shipping="4.20", kind="")
    credit = bill("C1", "1", "1.00", sku="PRICE", kind="credit", invoice_date="2026-03-04")
    assert said(shop(tmp_path, [wrong, credit]), "overcharged") == NOTHING


def test_unit_that_was_credited_leaves_the_excess_of_the_others(tmp_path: Path) -> None:
    wrong = bill("K1", "1", "11.00", qty=3, kind="")
    credit = bill("C1", "1", "11.00", qty=1, kind="credit", invoice_date="2026-03-04")
    found = said(shop(tmp_path, [wrong, credit], [quote()], [order("1", qty=3)]), "overcharged")
    assert found == ["K1 A open stop 2.00 EUR"]


def test_replacement_has_no_price(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "10.00"), bill("K2", "1-R", "15.00")]
    assert said(shop(tmp_path, bills), "overcharged") == NOTHING


def test_units_billed_twice_are_told_by_their_own_rule(tmp_path: Path) -> None:
    bills = [
        bill("K1", "1", "11.00", shipping="4.20"),
        bill("K2", "1", "11.00", shipping="4.20", invoice_date="2026-03-09"),
    ]
    found = shop(tmp_path, bills)
    assert said(found, "overcharged") == ["K1 A open stop 1.00 EUR"]
    assert said(found, "billed-twice") == ["A open stop 15.20 EUR"]


def test_two_parts_of_one_order_share_the_shipping(tmp_path: Path) -> None:
    orders = [order("1", qty=2)]
    halves = [
        bill("K1", "1", "10.00", shipping="4.20"),
        bill("K2", "1", "10.00", shipping="1.40", invoice_date="2026-03-04"),
    ]
    assert said(shop(tmp_path / "right", halves, None, orders), "overcharged") == NOTHING
    halves[1]["shipping"] = "4.20"
    found = said(shop(tmp_path / "above", halves, None, orders), "overcharged")
    assert found == ["K2 A open stop 2.80 EUR"]


def test_lower_total_takes_the_excess_off(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "11.00", shipping="4.20", line_total="14.20")]
    assert said(shop(tmp_path, bills), "overcharged") == NOTHING


# What cannot be told


def test_two_quotes_that_are_as_good_and_differ_are_unknown(tmp_path: Path) -> None:
    quotes = [quote(cost="10.00"), quote(cost="12.00")]
    between = shop(tmp_path / "between", [bill("K1", "1", "11.00")], quotes)
    assert said(between, "overcharged") == ["K1 A unknown stop"]
    lowest = shop(tmp_path / "lowest", [bill("K1", "1", "10.00")], quotes)
    assert said(lowest, "overcharged") == NOTHING


def test_order_without_country_is_unknown_unless_the_lowest_is_billed(tmp_path: Path) -> None:
    quotes = [
        quote(cost="10.00", ship_to_country="IE"),
        quote(cost="12.00", ship_to_country="US"),
    ]
    orders = [order("1")]
    dear = shop(tmp_path / "dear", [bill("K1", "1", "12.00")], quotes, orders)
    assert said(dear, "overcharged") == ["K1 A unknown stop"]
    assert said(dear, "no-quote") == NOTHING
    cheap = shop(tmp_path / "cheap", [bill("K1", "1", "10.00")], quotes, orders)
    assert said(cheap, "overcharged") == NOTHING


def test_shop_without_quotes_says_nothing_of_prices(tmp_path: Path) -> None:
    records = {"orders": [order("1")], "invoices": [bill("K1", "1", "99.00")]}
    found = matched(tmp_path, records)
    for rule in ("overcharged", "no-quote", "wrong-country-rate"):
        assert said(found, rule) == NOTHING


# The rate of another country

RATES = [
    quote(cost="10.00", ship_to_country="IE", shipping="4.20"),
    quote(cost="10.30", ship_to_country="DE", shipping="6.80"),
    quote(cost="11.10", ship_to_country="US", shipping="14.60"),
]


def test_rate_of_another_country_is_the_cause_of_the_excess(tmp_path: Path) -> None:
    found = shop(tmp_path, [bill("K1", "1", "10.30", shipping="6.80")], RATES)
    assert said(found, "wrong-country-rate") == ["K1 A open stop 2.90 EUR"]
    assert said(found, "overcharged") == ["K1 A follows stop 2.90 EUR"]
    [told] = [
        row["explanation"]
        for row in exceptions(found).to_dict("records")
        if row["rule"] == "wrong-country-rate"
    ]
    assert "the rate for DE; the order of 2026-03-01 goes to IE" in told


@pytest.mark.parametrize(
    ("cost", "shipping"), [("10.30", "6.79"), ("10.31", "6.80"), ("10.30", "14.60")]
)
def test_price_that_is_no_country_s_is_only_too_high(
    cost: str, shipping: str, tmp_path: Path
) -> None:
    found = shop(tmp_path, [bill("K1", "1", cost, shipping=shipping)], RATES)
    assert said(found, "wrong-country-rate") == NOTHING
    assert len(said(found, "overcharged")) == 1


def test_cheaper_rate_of_another_country_is_nobody_s_loss(tmp_path: Path) -> None:
    orders = [order("1", ship_to_country="US")]
    found = shop(tmp_path, [bill("K1", "1", "10.00", shipping="4.20")], RATES, orders)
    assert said(found, "wrong-country-rate") == NOTHING
    assert said(found, "overcharged") == NOTHING


# No quote


def test_supplier_with_quotes_and_none_for_it(tmp_path: Path) -> None:
    orders = [order("1", ship_to_country="FR")]
    found = shop(tmp_path / "country", [bill("K1", "1", "10.30")], RATES, orders)
    assert said(found, "no-quote") == ["K1 A open info 10.30 EUR"]
    assert said(found, "overcharged") == NOTHING
    other = [quote(supplier="alder")]
    found = shop(tmp_path / "supplier", [bill("K1", "1", "10.30")], other)
    assert said(found, "no-quote") == NOTHING


def test_quote_that_begins_on_the_day_of_the_order_is_one(tmp_path: Path) -> None:
    for begins, expected in (("2026-03-01", NOTHING), ("2026-03-02", ["K1 A open info 10.00 EUR"])):
        found = shop(tmp_path / begins, [bill("K1", "1", "10.00")], [quote(valid_from=begins)])
        assert said(found, "no-quote") == expected


# Through the SKU map

PACK: list[Row] = [{"sku": "A", "supplier": "kestrel", "supplier_sku": "K-A", "units": 6}]
KIT: list[Row] = [
    {"sku": "A", "supplier": "kestrel", "supplier_sku": "K-A", "units": 2},
    {"sku": "A", "supplier": "kestrel", "supplier_sku": "K-B", "units": 1},
]


def test_pack_is_quoted_by_the_supplier_s_unit_or_by_the_shop_s(tmp_path: Path) -> None:
    for name, quotes in (("theirs", [quote("K-A", "2.00")]), ("ours", [quote("A", "12.00")])):
        right = shop(
            tmp_path / name / "right", [bill("K1", "1", "2.00", "K-A", 6)], quotes, sku_map=PACK
        )
        assert said(right, "overcharged") == NOTHING
        assert said(right, "no-quote") == NOTHING
        above = shop(
            tmp_path / name / "above", [bill("K1", "1", "2.01", "K-A", 6)], quotes, sku_map=PACK
        )
        assert said(above, "overcharged") == ["K1 A open stop 0.06 EUR"]


def test_break_of_a_pack_counts_in_the_units_of_the_quote(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "2.00", "K-A", 6)]
    theirs = [quote("K-A", "2.00", min_qty=""), quote("K-A", "1.90", min_qty=6)]
    found = shop(tmp_path / "theirs", bills, theirs, sku_map=PACK)
    assert said(found, "overcharged") == ["K1 A open stop 0.60 EUR"]
    ours = [quote("A", "12.00", min_qty=""), quote("A", "11.40", min_qty=6)]
    found = shop(tmp_path / "ours", bills, ours, sku_map=PACK)
    assert said(found, "overcharged") == NOTHING


def test_parts_of_a_kit_are_compared_with_their_own_quotes(tmp_path: Path) -> None:
    quotes = [quote("K-A", "2.00"), quote("K-B", "5.00")]
    bills = [bill("K1", "1", "2.00", "K-A", 2), bill("K1", "1", "5.50", "K-B", 1)]
    found = shop(tmp_path, bills, quotes, sku_map=KIT)
    assert said(found, "overcharged") == ["K1 A open stop 0.50 EUR"]
    assert said(found, "not-ordered") == NOTHING


def test_kit_is_agreed_at_the_quotes_of_its_parts(tmp_path: Path) -> None:
    quotes = [quote("K-A", "2.00"), quote("K-B", "5.00")]
    records = {"orders": [order("1", qty=3)], "quotes": quotes, "sku_map": KIT}
    assert matched(tmp_path / "all", records).money("agreed", "1") == "27.00"
    # Three kits need six of the one part: its break is reached.
    breaks = [*(row | {"min_qty": ""} for row in quotes), quote("K-A", "1.50", min_qty=6)]
    found = matched(tmp_path / "break", records | {"quotes": breaks})
    assert found.money("agreed", "1") == "24.00"
    found = matched(tmp_path / "one", records | {"quotes": quotes[:1]})
    assert found.money("payable", "1", code="") == ""


def test_kit_that_is_quoted_whole_has_a_quote(tmp_path: Path) -> None:
    bills = [bill("K1", "1", "2.00", "K-A", 2), bill("K1", "1", "5.00", "K-B", 1)]
    found = shop(tmp_path, bills, [quote("A", "9.00")], sku_map=KIT)
    assert said(found, "no-quote") == NOTHING
    assert said(found, "overcharged") == NOTHING
