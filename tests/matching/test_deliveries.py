"""Deliveries: what was promised, what arrived, what the storefront shows; and their look-alikes."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from reconcile.checks.catalogue import load_catalogue
from reconcile.checks.verdicts import Setting, judge
from reconcile.shop import Tolerance
from tests.matching.shops import AS_OF, Result, Row, bill, matched, order, parcel, payment, quote

pytestmark = pytest.mark.no_cover

RULES = load_catalogue()
Cells = dict[str, Any]


def said(shop: Result, rule: str, as_of: date = AS_OF) -> list[str]:
    """The verdicts of a rule on a shop, in the order of its fact table."""
    run = Setting(as_of, dict(shop.intake.covered), {}, Tolerance())
    found = judge(RULES[rule], shop.matched.tables[RULES[rule].table.name], run)
    return [str(verdict) for verdict in found["verdict"]]


def shop(folder: Path, orders: list[Row], parcels: list[Row], *paid: Row, **more: Any) -> Result:
    """Orders with an agreed price of 10.00, what was paid for them and what was sent."""
    records = {"orders": orders, "payments": list(paid), "shipments": parcels}
    return matched(folder, records | {"quotes": more.pop("quotes", [quote()])}, **more)


def day(fact: Any) -> str:
    return "" if pd.isna(fact) else f"{fact:%Y-%m-%d}"


PAID = payment("P1", "10.00", "1")

# What was promised


@pytest.mark.parametrize(
    ("line", "quoted", "supplier", "expected"),
    [
        ({"promised_by": "2026-03-10"}, {"delivery_days": 7}, "delivery_days = 9", "2026-03-10"),
        ({}, {"delivery_days": 7}, "delivery_days = 9", "2026-03-11"),
        ({}, {"delivery_days": 0}, "delivery_days = 9", "2026-03-04"),
        ({}, {}, "delivery_days = 9", "2026-03-13"),
        ({}, {}, "", "2026-03-19"),
    ],
    ids=["promised", "the quote's days", "a quote of no day", "the supplier's", "the usual"],
)
def test_promise(tmp_path: Path, line: Cells, quoted: Cells, supplier: str, expected: str) -> None:
    orders = [order("1", supplier="birch", **line)]
    sent = [parcel("1", supplier="birch", delivered_at="")]
    prices = [quote(supplier="birch", **quoted)]
    extra = f"[suppliers.birch]\n{supplier}\n"
    found = shop(tmp_path, orders, sent, quotes=prices, extra=extra)
    assert day(found.lines["1", "A"]["promised_date"]) == expected


def test_promise_counts_from_the_last_parcel(tmp_path: Path) -> None:
    sent = [parcel("1"), parcel("1", shipped_at="2026-03-06", tracking_no="T2")]
    line = shop(tmp_path, [order("1", qty=2)], sent).lines["1", "A"]
    assert day(line["promised_date"]) == "2026-03-21"


def test_nothing_sent_and_nothing_promised_is_no_promise(tmp_path: Path) -> None:
    assert day(shop(tmp_path, [order("1")], []).lines["1", "A"]["promised_date"]) == ""


# Late, lost, delivered late


def _under_way(folder: Path, promised: str, *more: Row, delivered: str = "") -> Result:
    sent = [parcel("1", delivered_at=delivered), *more]
    return shop(folder, [order("1", promised_by=promised)], sent, PAID)


@pytest.mark.parametrize(
    ("promised", "late", "lost"),
    [
        ("2026-03-20", "waiting", "waiting"),
        ("2026-03-19", "open", "waiting"),
        ("2026-03-05", "open", "waiting"),
        ("2026-03-04", "open", "open"),
    ],
)
def test_late_after_the_promise_and_lost_after_fifteen_days(
    tmp_path: Path, promised: str, late: str, lost: str
) -> None:
    found = _under_way(tmp_path, promised)
    assert (said(found, "late-delivery"), said(found, "lost")) == ([late], [lost])
    assert found.lines["1", "A"]["share_of_paid"] == 1000


def test_delivered_is_neither_late_nor_lost(tmp_path: Path) -> None:
    found = _under_way(tmp_path, "2026-03-04", delivered="2026-03-19")
    assert said(found, "late-delivery") == said(found, "lost") == []
    assert said(found, "delivered-late") == ["open"]
    assert found.lines["1", "A"]["late_days"] == 15


def test_delivered_on_the_promised_day_is_not_late(tmp_path: Path) -> None:
    found = _under_way(tmp_path, "2026-03-19", delivered="2026-03-19")
    assert said(found, "delivered-late") == []


def test_one_of_two_parcels_on_its_way_is_late(tmp_path: Path) -> None:
    there = parcel("1", delivered_at="2026-03-09")
    lines = [order("1", qty=2, promised_by="2026-03-10")]
    under_way = parcel("1", shipped_at="2026-03-05", tracking_no="T2", delivered_at="")
    found = shop(tmp_path, lines, [there, under_way], PAID)
    assert said(found, "late-delivery") == ["open"]
    assert said(found, "delivered-late") == []


def test_replacement_that_arrived_is_the_end_of_it(tmp_path: Path) -> None:
    again = parcel("1-R", shipped_at="2026-03-14", tracking_no="T2", delivered_at="2026-03-18")
    found = _under_way(tmp_path, "2026-03-04", again)
    assert said(found, "late-delivery") == said(found, "lost") == []
    assert said(found, "over-shipped") == []


def test_replacement_under_way_has_its_own_days(tmp_path: Path) -> None:
    again = parcel("1-R", shipped_at="2026-03-14", tracking_no="T2", delivered_at="")
    found = _under_way(tmp_path, "2026-03-04", again)
    assert day(found.lines["1", "A"]["promised_date"]) == "2026-03-29"
    assert said(found, "lost") == ["waiting"]


def test_shipments_without_deliveries_tell_nothing(tmp_path: Path) -> None:
    found = shop(tmp_path, [order("1", promised_by="2026-03-05")], [parcel("1")], PAID)
    assert said(found, "late-delivery") == ["unknown"]
    assert said(found, "lost") == ["waiting"]
    assert said(found, "delivered-late") == []


def test_lost_goods_are_claimed_though_the_customer_got_the_money(tmp_path: Path) -> None:
    line = order("1", promised_by="2026-03-04", refunded_at="2026-03-18", refunded="90.00")
    found = shop(tmp_path, [line], [parcel("1", delivered_at="")], PAID)
    assert found.lines["1", "A"]["live"] == 0
    assert said(found, "lost") == ["open"]


# Sent after the end


@pytest.mark.parametrize(
    ("end", "sent", "expected"),
    [
        ({"cancelled_at": "2026-03-03"}, "2026-03-04", ["open"]),
        ({"cancelled_at": "2026-03-04"}, "2026-03-04", []),
        ({"cancelled_at": "2026-03-05"}, "2026-03-04", []),
        ({"refunded_at": "2026-03-03", "refunded": "90.00"}, "2026-03-04", ["open"]),
        ({"refunded_at": "2026-03-03", "refunded": "9.00"}, "2026-03-04", []),
        ({"refunded_at": "2026-03-03", "refunded_qty": 1}, "2026-03-04", ["open"]),
        (
            {"cancelled_at": "2026-03-06", "refunded_at": "2026-03-03", "refunded": "9.00"},
            "2026-03-04",
            [],
        ),
        (
            {"cancelled_at": "2026-03-06", "refunded_at": "2026-03-03", "refunded": "90.00"},
            "2026-03-04",
            ["open"],
        ),
        ({"refunded": "90.00"}, "2026-03-04", ["unknown"]),
        ({}, "2026-03-04", []),
    ],
    ids=[
        "cancelled the day before", "cancelled that day", "sent, then cancelled",
        "refunded in full", "a goodwill refund", "every unit refunded",
        "some refunded, later cancelled", "all refunded, later cancelled", "no date", "no end",
    ],
)  # fmt: skip
def test_sent_after_the_end(tmp_path: Path, end: Cells, sent: str, expected: list[str]) -> None:
    found = shop(tmp_path, [order("1", **end)], [parcel("1", shipped_at=sent)], PAID)
    assert said(found, "sent-after-cancel") == expected
    if expected == ["open"]:
        assert found.money("paid", "1") == "10.00"


def test_second_parcel_after_the_end_counts(tmp_path: Path) -> None:
    sent = [parcel("1"), parcel("1", shipped_at="2026-03-09", tracking_no="T2")]
    found = shop(tmp_path, [order("1", qty=2, cancelled_at="2026-03-06")], sent, PAID)
    assert said(found, "sent-after-cancel") == ["open"]
    assert day(found.fact("sent_after_date", "1")) == "2026-03-09"


def test_replacement_after_a_refund_is_another_matter(tmp_path: Path) -> None:
    sent = [parcel("1"), parcel("1-R", shipped_at="2026-03-12", tracking_no="T2")]
    line = order("1", refunded_at="2026-03-10", refunded="90.00")
    assert said(shop(tmp_path, [line], sent, PAID), "sent-after-cancel") == []


def test_goods_under_another_suppliers_name_are_told_once(tmp_path: Path) -> None:
    sent = [parcel("1", supplier="alder")]
    found = shop(tmp_path, [order("1", cancelled_at="2026-03-03")], sent, PAID)
    assert said(found, "sent-after-cancel") == ["open"]
    assert found.fact("sent_after_end", "1") is True


def test_money_in_two_currencies_is_told_once(tmp_path: Path) -> None:
    both = [PAID, payment("P2", "3.00", "1", currency="USD")]
    found = shop(tmp_path, [order("1", cancelled_at="2026-03-03")], [parcel("1")], *both)
    assert len(found.matched.tables["supplier_orders"]) == 2
    assert said(found, "sent-after-cancel") == ["open"]


# Over-shipped


@pytest.mark.parametrize(
    ("sent", "extra"),
    [
        ([parcel("1", qty=3)], 1),
        ([parcel("1", qty=2), parcel("1", shipped_at="2026-03-06", tracking_no="T2")], 1),
        ([parcel("1"), parcel("1", shipped_at="2026-03-06", tracking_no="T2")], 0),
        ([parcel("1", qty=2), parcel("1-R", shipped_at="2026-03-06", tracking_no="T2")], 0),
        ([parcel("1", sku="", qty=""), parcel("1", sku="", qty="", tracking_no="T2")], 0),
    ],
    ids=["too many", "twice", "split", "replaced", "two parcels of the whole order"],
)
def test_units_beyond_the_ordered_ones(tmp_path: Path, sent: list[Row], extra: int) -> None:
    found = shop(tmp_path, [order("1", qty=2)], sent)
    assert found.lines["1", "A"]["extra"] == extra
    assert said(found, "over-shipped") == (["open"] if extra else [])


def test_packs_count_in_our_units(tmp_path: Path) -> None:
    packs = [{"sku": "A", "supplier": "kestrel", "supplier_sku": "K-A", "units": 6}]
    records = {"orders": [order("1", qty=2)], "shipments": [parcel("1", "K-A", qty=12)]}
    assert said(matched(tmp_path / "a", records | {"sku_map": packs}), "over-shipped") == []
    records["shipments"] = [parcel("1", "K-A", qty=18)]
    assert said(matched(tmp_path / "b", records | {"sku_map": packs}), "over-shipped") == ["open"]


# Shown as sent


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ({"sent_at": "2026-03-18"}, ["open"]),
        ({"sent_at": "2026-03-19"}, ["waiting"]),
        ({"tracking_no": "T1", "tracking_posted_at": "2026-03-18"}, ["open"]),
        ({"tracking_no": "T1"}, ["unknown"]),
        ({"sent_at": "2026-03-18", "cancelled_at": "2026-03-19"}, []),
        ({}, []),
    ],
    ids=["two days ago", "yesterday", "a number", "no date", "cancelled", "not shown"],
)
def test_shown_as_sent_and_never_sent(tmp_path: Path, line: Cells, expected: list[str]) -> None:
    found = shop(tmp_path, [order("1", **line)], [], PAID)
    assert said(found, "posted-not-shipped") == expected


@pytest.mark.parametrize(
    "sent", [parcel("1"), parcel("1", sku="", qty=""), parcel("1-R"), parcel("1", tracking_no="")]
)
def test_any_parcel_of_the_line_is_a_shipment(tmp_path: Path, sent: Row) -> None:
    found = shop(tmp_path, [order("1", sent_at="2026-03-05")], [sent], PAID)
    assert said(found, "posted-not-shipped") == []


def test_second_line_that_was_not_sent_is_told_alone(tmp_path: Path) -> None:
    lines = [order("1", sent_at="2026-03-05"), order("1", "B", sent_at="2026-03-05")]
    found = shop(tmp_path, lines, [parcel("1")], payment("P1", "20.00", "1"),
                 quotes=[quote(), quote("B")])  # fmt: skip
    assert said(found, "posted-not-shipped") == ["open"]
    assert found.lines["1", "B"]["share_of_paid"] == 1000


def test_bills_count_for_the_share(tmp_path: Path) -> None:
    records = {
        "orders": [order("1", sent_at="2026-03-05"), order("1", "B", sent_at="2026-03-05")],
        "invoices": [bill("K1", "1", "30.00"), bill("K1", "1", "10.00", "B")],
        "payments": [payment("P1", "40.00", "1")],
        "shipments": [parcel("2")],
    }
    found = matched(tmp_path, records)
    shares = [found.lines["1", sku]["share_of_paid"] for sku in "AB"]
    assert shares == [3000, 1000]


def test_what_has_arrived_of_several_parcels_is_said(tmp_path: Path) -> None:
    sent = [
        parcel(ref, tracking_no=f"T{at}", delivered_at="2026-03-10" if at < there else "")
        for ref, parcels, there in (("1", 2, 0), ("2", 2, 1), ("3", 3, 2), ("4", 1, 1))
        for at in range(parcels)
    ]
    again = parcel("1", tracking_no="T9", delivered_at="2026-03-10", replacement="yes")
    records = {"orders": [order(ref, qty=3) for ref in "12345"], "shipments": [*sent, again]}
    shop = matched(tmp_path, records)
    assert [shop.lines[ref, "A"]["delivery"] for ref in "12345"] == [
        "no delivery is known",
        "of 2 parcels 1 is known to have arrived",
        "of 3 parcels 2 are known to have arrived",
        "of 1 parcel 1 is known to have arrived",
        "no delivery is known",
    ]
