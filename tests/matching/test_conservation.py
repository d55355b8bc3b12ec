"""Random small shops: nothing that goes in is lost, doubled or moved to another currency."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.matching.states import STATES
from tests.matching.shops import Result, Row, bill, matched, order, parcel, payment, quote

pytestmark = pytest.mark.no_cover

REFS = [str(number) for number in range(1, 6)]
SUPPLIERS = st.sampled_from(["kestrel", "kestrel", "alder"])
CODES = st.sampled_from(["EUR", "EUR", "EUR", "USD"])
CENTS = st.integers(1, 30).map(lambda cents: f"{cents / 10:.2f}")
SKUS = st.sampled_from("ABC")
DAYS = st.integers(2, 19).map(lambda day: f"2026-03-{day:02d}")
NAMED = st.lists(st.sampled_from([*REFS, "99"]), max_size=3, unique=True).map(";".join)
INVOICES = ["K1", "K2", "K3"]

ORDERS = st.fixed_dictionaries(
    {
        "qty": st.integers(0, 3),
        "supplier": st.sampled_from(["kestrel", "alder", ""]),
        "customer_paid_at": st.sampled_from(["2026-03-01", "2026-03-01", ""]),
        "refunded_qty": st.sampled_from(["", "", 1]),
        "tracking_no": st.sampled_from(["", "T1"]),
    }
)
BILLS = st.fixed_dictionaries(
    {
        "supplier": SUPPLIERS,
        "invoice_no": st.sampled_from(INVOICES),
        "invoice_date": DAYS,
        "order_ref": st.sampled_from([*REFS, "1-R", "99"]),
        "sku": SKUS,
        "qty": st.integers(0, 3),
        "unit_cost": CENTS,
        "currency": CODES,
        "kind": st.sampled_from(["invoice", "invoice", "credit"]),
        "shipping": st.sampled_from(["", "1.00"]),
    }
)
PAYMENTS = st.fixed_dictionaries(
    {
        "supplier": SUPPLIERS,
        "paid_at": DAYS,
        "amount": CENTS,
        "currency": CODES,
        "order_ref": st.one_of(st.just(""), st.sampled_from(REFS), NAMED),
        "invoice_no": st.sampled_from(["", *INVOICES, "K1;K2"]),
        "status": st.sampled_from(["", "settled", "settled", "pending", "failed"]),
        "kind": st.sampled_from(["", "payment", "payment", "refund", "top-up"]),
    }
)
PARCELS = st.fixed_dictionaries(
    {
        "supplier": SUPPLIERS,
        "order_ref": st.sampled_from([*REFS, "1-R", "99"]),
        "shipped_at": DAYS,
        "sku": st.sampled_from(["A", "B", "C", ""]),
        "qty": st.sampled_from(["", 1, 2, 5]),
        "tracking_no": st.sampled_from(["", "T1", "T2"]),
    }
)


@st.composite
def shops(draw: st.DrawFn) -> dict[str, list[Row]]:
    """Up to ten order lines of five orders, with bills, payments and parcels at random."""
    pairs = st.tuples(st.sampled_from(REFS), SKUS)
    keys = draw(st.lists(pairs, min_size=1, max_size=10, unique=True))
    lines = [order(ref, sku) | draw(ORDERS) for ref, sku in keys]
    for record in lines:  # of the whole order: the same on every line
        record["customer_paid_at"] = "2026-03-01" if str(record["order_ref"]) < "4" else ""
    found: dict[str, list[Row]] = {"orders": lines}
    found["invoices"] = [bill("", "", "") | row for row in draw(st.lists(BILLS, max_size=8))]
    paid = draw(st.lists(PAYMENTS, max_size=8))
    found["payments"] = [payment(f"P{at}", "") | row for at, row in enumerate(paid)]
    found["shipments"] = [parcel("") | row for row in draw(st.lists(PARCELS, max_size=8))]
    if draw(st.booleans()):
        found["quotes"] = [quote("A"), quote("B", supplier="alder", currency="USD")]
    return found


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Path]:
    """A new folder on every call."""
    return lambda: tmp_path_factory.mktemp("shop")


def _cents(row: Row) -> int:
    return int(Decimal(str(row["amount"])) * 100)


@settings(max_examples=10)
@given(shops())
def test_nothing_is_lost_or_doubled(
    fresh: Callable[[], Path], records: dict[str, list[Row]]
) -> None:
    shop = matched(fresh(), records)
    _assert_money(shop, records)
    _assert_lines(shop, records)
    _assert_goods(shop)


def _assert_money(shop: Result, records: dict[str, list[Row]]) -> None:
    """Settled payments less refunds reach the orders, or are left, by currency."""
    table = shop.matched.tables["supplier_orders"]
    payments = shop.payments
    assert set(payments) == {str(row["payment_ref"]) for row in records["payments"]}
    held: Counter[str] = Counter()
    for row in records["payments"]:
        fact = payments[str(row["payment_ref"])]
        amount = _cents(row)
        assert fact["amount"] == amount
        assert 0 <= fact["unallocated"] <= amount
        used = amount - fact["unallocated"]
        counts = row["status"] in ("", "settled") and row["kind"] != "top-up"
        assert counts or used == 0
        held[str(row["currency"])] += -used if row["kind"] == "refund" else used
    # Money at a supplier who has nothing to do with the order is told as not allocated.
    paid = table[table["backed"]].groupby("currency")["paid"].sum()
    for code in ("EUR", "USD"):
        assert held[code] == int(paid.get(code, 0))
    over = table["payable"].notna() & (table["paid"] > table["payable"])
    gap = table["paid"] - table["payable"]
    assert (table["excess_paid"][over] == gap[over]).all()
    assert (table["unpaid_rest"] * table["excess_paid"] == 0).all()


def _assert_lines(shop: Result, records: dict[str, list[Row]]) -> None:
    """Each order line once, in one state of the closed list, with its share of the money."""
    expected = Counter((str(row["order_ref"]), str(row["sku"])) for row in records["orders"])
    [lines] = shop.matched.lines.pieces()
    assert Counter(zip(lines["order_ref"], lines["sku"], strict=True)) == expected
    facts = shop.matched.tables["order_lines"]
    assert len(facts) == len(records["orders"])
    assert set(lines["state"]) <= set(STATES)
    table = shop.matched.tables["supplier_orders"]
    main = table[table["main"]].set_index("supplier_order")
    assert not main.index.has_duplicates
    shares = facts.groupby("supplier_order")["share_of_paid"].sum()
    assert (shares == main["paid"].clip(lower=0).reindex(shares.index)).all()


def _assert_goods(shop: Result) -> None:
    facts = shop.matched.tables["order_lines"]
    assert (facts["shipped"] >= 0).all()
    assert (facts["live"] <= facts["ordered"]).all()
    assert (facts["missing"] == (facts["live"] - facts["shipped"]).clip(lower=0)).all()
    bills = shop.matched.tables["supplier_order_lines"]
    beyond = (bills["billed_qty"] - bills["ordered"]).clip(lower=0)
    assert (bills["duplicate_qty"] == beyond).all()


@settings(max_examples=4)
@given(shops())
def test_order_of_rows_changes_nothing(
    fresh: Callable[[], Path], records: dict[str, list[Row]]
) -> None:
    turned = {record: rows[::-1] for record, rows in records.items()}
    one, other = matched(fresh(), records), matched(fresh(), turned)
    assert _comparable(one.supplier_orders) == _comparable(other.supplier_orders)
    assert _comparable(one.lines) == _comparable(other.lines)
    assert one.states == other.states
    assert one.strays == other.strays


def _comparable(facts: Mapping[Any, dict[str, Any]]) -> dict[Any, dict[str, str]]:
    """Facts as text, without the numbers that stand for positions."""
    return {
        key: {name: str(cell) for name, cell in row.items() if not name.endswith("order")}
        for key, row in facts.items()
    }
