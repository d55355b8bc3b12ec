"""Payments without a reference: what adds up to them is suggested, and pays nothing."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reconcile.nightly import run_nightly
from tests.matching.shops import AS_OF, Result, Row, bill, matched, order, payment, written
from tests.matching.test_subsets import every_subset

pytestmark = pytest.mark.no_cover

FUNDED: Row = {"order_total": "90.00", "customer_paid": "90.00"}


@dataclass(frozen=True)
class Night:
    """A run over a small shop: its exceptions by rule, and the orders that are safe to pay."""

    found: list[dict[str, Any]]
    pay: set[str]

    def unpaid(self) -> dict[str, str]:
        """The verdict of every supplier order that is not paid, by reference."""
        return {row["order_ref"]: row["verdict"] for row in self.of("unpaid")}

    def of(self, rule: str) -> list[dict[str, Any]]:
        """The exceptions of one rule, in order of document and reference."""
        mine = [row for row in self.found if row["rule"] == rule]
        return sorted(mine, key=lambda row: (row["document"], row["order_ref"]))


def _records(costs: list[str], payments: list[Row], **more: Row) -> dict[str, list[Row]]:
    """Orders 1, 2, ... that are billed with these costs and paid by the customer, no more."""
    refs = [str(number) for number in range(1, len(costs) + 1)]
    return {
        "orders": [order(ref) | FUNDED | more.get(f"o{ref}", {}) for ref in refs],
        "invoices": [
            bill(f"K{ref}", ref, cost) | more.get(f"b{ref}", {})
            for ref, cost in zip(refs, costs, strict=True)
        ],
        "payments": payments,
    }


def _shop(folder: Path, costs: list[str], payments: list[Row], **more: Row) -> Result:
    return matched(folder, _records(costs, payments, **more))


def _night(folder: Path, costs: list[str], payments: list[Row], **more: Row) -> Night:
    written(folder, _records(costs, payments, **more))
    contents, _ = run_nightly(folder, lambda _: AS_OF, folder / "out", lambda _: None)
    assert contents.proofs["holds"].all(), contents.proofs.to_string()
    assert contents.rejected.empty, contents.rejected.to_string()
    found = contents.exceptions.to_dict("records")
    named = [{str(key): cell for key, cell in row.items()} for row in found]
    return Night(named, set(contents.pay["order_ref"]))


def _ends(shop: Result, name: str = "P1") -> tuple[str, int]:
    """How the payment ended, and what of it is suggested."""
    return _end(shop.payments[name])


def _end(fact: dict[str, Any]) -> tuple[str, int]:
    flags = [flag for flag in ("several_ways", "contested", "gave_up") if fact[flag]]
    return (flags or ["suggested" if fact["suggested"] else "none"])[0], int(fact["suggested"])


# The only set


def test_only_set_is_suggested_and_pays_nothing(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17", "23", "41"], [payment("P1", "33.00")])
    assert _ends(shop) == ("suggested", 3300)
    assert shop.payments["P1"]["unallocated"] == 3300
    assert [shop.money("paid", ref) for ref in "1234"] == ["0.00"] * 4
    assert [shop.fact("perhaps_paid", ref) for ref in "1234"] == [True, False, True, False]
    assert [shop.states[ref, "A"] for ref in "1234"] == ["unknown", "to-pay", "unknown", "to-pay"]


def test_suggestion_names_its_orders_and_their_rows(tmp_path: Path) -> None:
    night = _night(tmp_path, ["10", "17", "23", "41"], [payment("P1", "33.00")])
    [told] = night.of("payment-unmatched")
    assert (told["verdict"], told["amount_minor"], told["document"]) == ("open", 3300, "P1")
    assert told["explanation"].endswith(
        "33.00 EUR reaches no order; it is exactly what is left to pay for orders 1 and 3, "
        "and for no other set of open orders."
    )
    assert told["evidence"].split("; ") == [
        "payments.csv row 2",
        *("invoices.csv row 2", "invoices.csv row 4", "orders.csv row 2", "orders.csv row 4"),
    ]


def test_what_may_be_paid_is_neither_unpaid_nor_safe_to_pay(tmp_path: Path) -> None:
    night = _night(tmp_path, ["10", "17", "23", "41"], [payment("P1", "33.00")])
    assert night.unpaid() == {"1": "unknown", "2": "open", "3": "unknown", "4": "open"}
    assert night.pay == {"2", "4"}
    [told] = [row for row in night.of("unpaid") if row["order_ref"] == "3"]
    assert "without a reference" in told["cause"]
    assert "perhaps paid without a reference by P1 of 2026-03-03" in told["explanation"]
    assert told["evidence"].split("; ") == [
        "orders.csv row 4",
        "invoices.csv row 4",
        "payments.csv row 2",
    ]


def test_the_rest_of_a_deposit_is_what_is_open(tmp_path: Path) -> None:
    payments = [payment("P1", "15.00"), payment("P2", "5.00", "1")]
    night = _night(tmp_path, ["20", "17"], payments)
    [told] = night.of("payment-unmatched")
    assert "for order 1, and for no other" in told["explanation"]
    assert [row["verdict"] for row in night.of("part-paid")] == ["unknown"]
    assert night.pay == {"2"}


def test_long_sets_are_named_in_part(tmp_path: Path) -> None:
    costs = [str(2**power) for power in range(14)]
    night = _night(tmp_path, costs, [payment("P1", str(2**14 - 1))])
    [told] = night.of("payment-unmatched")
    assert "for orders 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12 and 2 more, and" in told["explanation"]
    assert "and 2 more orders rows" in told["evidence"]


# None, several, given up, contested


def test_no_set_leaves_the_payment_without_an_order(tmp_path: Path) -> None:
    night = _night(tmp_path, ["10", "17"], [payment("P1", "11.00")])
    [told] = night.of("payment-unmatched")
    assert (told["verdict"], told["evidence"]) == ("open", "payments.csv row 2")
    assert told["explanation"].endswith("no set of open orders adds up to it.")
    assert night.unpaid() == {"1": "open", "2": "open"}
    assert night.pay == {"1", "2"}


def test_several_sets_are_unknown_with_the_first_two(tmp_path: Path) -> None:
    night = _night(tmp_path, ["10", "17", "27", "12", "41"], [payment("P1", "27.00")])
    [told] = night.of("payment-unmatched")
    assert (told["verdict"], told["amount_minor"]) == ("unknown", 2700)
    assert "more than one set of open orders" in told["cause"]
    assert "for order 3, and also for orders 1 and 2." in told["explanation"]
    assert night.unpaid() == {
        "1": "unknown",
        "2": "unknown",
        "3": "unknown",
        "4": "open",
        "5": "open",
    }
    # Beyond the first two sets nobody looked, so what is small enough is not safe either.
    assert night.pay == {"5"}
    [small] = [row for row in night.of("unpaid") if row["order_ref"] == "4"]
    assert "cannot be ruled out" in small["explanation"]


def test_every_order_of_exactly_that_amount_may_be_paid(tmp_path: Path) -> None:
    night = _night(tmp_path, ["10", "10", "10", "10", "12"], [payment("P1", "10.00")])
    assert night.unpaid() == {
        "1": "unknown",
        "2": "unknown",
        "3": "unknown",
        "4": "unknown",
        "5": "open",
    }
    [told] = night.of("payment-unmatched")
    assert "for order 1, and also for order 2." in told["explanation"]
    assert night.pay == {"5"}


def test_too_many_sets_are_given_up_and_it_is_said(tmp_path: Path) -> None:
    costs = [2_000_003 + 77_777 * number**2 for number in range(45)]
    paid = sum(costs[40:])
    whole = str(paid + 100)  # an order sold below its cost would not be safe to pay
    dear: Row = {"unit_price": whole, "order_total": whole, "customer_paid": whole}
    all_costs = [str(cost) for cost in [*costs, paid + 1]]
    night = _night(tmp_path, all_costs, [payment("P1", str(paid))], o46=dear)
    [told] = night.of("payment-unmatched")
    assert told["verdict"] == "unknown"
    assert "too many sets of open orders" in told["cause"]
    assert "too many sets of the 45 open orders that it could be for" in told["explanation"]
    assert set(night.unpaid().values()) == {"open"}  # none of them is likelier than the others
    assert night.pay == {"46"}
    assert "cannot be ruled out" in night.of("unpaid")[0]["explanation"]


def test_given_up_and_one_order_alone_is_exactly_that(tmp_path: Path) -> None:
    costs = [2_000_003 + 77_777 * number**2 for number in range(45)]
    paid = sum(costs[40:])
    night = _night(tmp_path, [str(cost) for cost in [*costs, paid]], [payment("P1", str(paid))])
    [told] = night.of("payment-unmatched")
    assert told["verdict"] == "unknown"
    assert "though order 46 alone would be exactly that" in told["explanation"]
    assert night.unpaid()["46"] == "unknown"
    assert night.unpaid()["45"] == "open"
    assert night.pay == set()


def test_two_payments_for_one_order_are_both_shown(tmp_path: Path) -> None:
    payments = [payment("P1", "10.00"), payment("P2", "27.00"), payment("P3", "41.00")]
    night = _night(tmp_path, ["10", "17", "41"], payments)
    one, two, three = night.of("payment-unmatched")
    assert [row["verdict"] for row in (one, two, three)] == ["unknown", "unknown", "open"]
    assert "for order 1, but P2 of 2026-03-03 may have paid for the same" in one["explanation"]
    assert "for orders 1 and 2, but P1 of" in two["explanation"]
    assert "payments.csv row 3" in one["evidence"]
    assert night.unpaid() == {"1": "unknown", "2": "unknown", "3": "unknown"}
    assert night.pay == set()


def test_one_payment_made_twice_is_no_suggestion(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17"], [payment("P1", "10.00"), payment("P2", "10.00")])
    assert [_ends(shop, name) for name in ("P1", "P2")] == [("contested", 0)] * 2


def test_two_payments_for_orders_of_their_own_are_two_suggestions(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17"], [payment("P1", "10.00"), payment("P2", "17.00")])
    assert [_ends(shop, name) for name in ("P1", "P2")] == [
        ("suggested", 1000),
        ("suggested", 1700),
    ]


# Which payments, and which orders


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "top-up"},
        {"kind": "refund"},
        {"status": "pending"},
        {"status": "failed"},
        {"order_ref": "99"},
        {"invoice_no": "K9"},
    ],
)
def test_other_payments_suggest_nothing(change: Row, tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17"], [payment("P1", "10.00") | change])
    assert _ends(shop) == ("none", 0)
    assert shop.payments["P1"]["suggestion"] == ""
    assert [shop.fact("perhaps", ref) for ref in "12"] == ["", ""]


@pytest.mark.parametrize(
    ("change", "suggested"),
    [
        pytest.param({"o1": {"ordered_at": "2026-03-03"}}, 1000, id="ordered on the day"),
        pytest.param({"o1": {"ordered_at": "2026-03-04"}}, 0, id="ordered later"),
        pytest.param({"o1": {"cancelled_at": "2026-03-02"}}, 0, id="cancelled before"),
        pytest.param({"o1": {"cancelled_at": "2026-03-03"}}, 1000, id="cancelled on the day"),
        pytest.param({"o1": {"refunded_at": "2026-03-02"}}, 0, id="refunded in full before"),
        pytest.param({"b1": {"currency": "USD"}}, 0, id="another currency"),
        pytest.param(
            {"b1": {"supplier": "alder"}, "o1": {"supplier": "alder"}}, 0, id="another supplier"
        ),
        pytest.param({"b1": {"unit_cost": "9.99"}}, 0, id="a cent less"),
        pytest.param({"b1": {"unit_cost": "0"}}, 0, id="nothing to pay"),
    ],
)
def test_open_orders(change: dict[str, Row], suggested: int, tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17"], [payment("P1", "10.00")], **change)
    assert _ends(shop) == ("suggested" if suggested else "none", suggested)


def test_a_paid_order_is_not_open(tmp_path: Path) -> None:
    shop = _shop(tmp_path, ["10", "17"], [payment("P1", "10.00"), payment("P2", "10.00", "1")])
    assert _ends(shop) == ("none", 0)


def test_an_order_without_a_price_is_not_open(tmp_path: Path) -> None:
    records = _records(["10", "17"], [payment("P1", "10.00")])
    shop = matched(tmp_path, records | {"invoices": records["invoices"][1:]})
    assert _ends(shop) == ("none", 0)


def test_another_spelling_of_the_supplier_is_the_supplier(tmp_path: Path) -> None:
    records = _records(["10", "17"], [payment("P1", "27.00", supplier="Kestrel Goods Co")])
    assert _ends(matched(tmp_path, records)) == ("suggested", 2700)


# Order of rows, size, and the plainest way to do it


def test_order_of_rows_does_not_matter(tmp_path: Path) -> None:
    costs = ["10", "10", "20", "30", "7", "13"]
    payments = [
        payment(f"P{at}", amount) for at, amount in enumerate(["20.00", "37.00", "7", "80"])
    ]
    records = _records(costs, payments)
    turned = {name: rows[::-1] for name, rows in records.items()}
    seen = []
    for at, shop in enumerate((records, turned)):
        result = matched(tmp_path / str(at), shop)
        named = {
            name: (fact["suggestion"], _ends(result, name))
            for name, fact in result.payments.items()
        }
        orders = {ref: result.fact("perhaps", ref) for ref in "123456"}
        seen.append((named, orders))
    assert seen[0] == seen[1]


def test_twenty_thousand_payments_without_a_reference(tmp_path: Path) -> None:
    """And as many open orders: the steps may not suffice for all, and then that is said."""
    rng = np.random.default_rng(11)
    size = 20_000
    days = rng.integers(1, 16, size)
    cents = rng.integers(500, 9_000, size)
    paid = rng.integers(500, 90_000, size)
    orders = [order(str(n), ordered_at=f"2026-03-{days[n]:02d}") for n in range(size)]
    bills = [bill(f"K{n}", str(n), f"{cents[n] / 100:.2f}") for n in range(size)]
    payments = [
        payment(f"P{n}", f"{paid[n] / 100:.2f}", paid_at=f"2026-03-{days[n] + 3:02d}")
        for n in range(size)
    ]
    begun = time.process_time()
    shop = matched(tmp_path, {"orders": orders, "invoices": bills, "payments": payments})
    assert time.process_time() - begun < 60  # it takes 8, of which the searches take 4
    facts = shop.matched.tables["payments"]
    told = facts[["several_ways", "gave_up"]].sum()
    suggested = int((facts["suggested"] > 0).sum())
    assert told["several_ways"] > 5_000
    assert 19_000 < int(told.sum()) + suggested <= size


def test_what_is_suggested_is_what_trying_all_finds(tmp_path: Path) -> None:
    """Hundreds of small cases in one shop, each at a supplier of its own."""
    rng = np.random.default_rng(12)
    cases = [
        (
            rng.integers(1, 13, rng.integers(1, 8)).tolist(),
            rng.integers(1, 41, rng.integers(1, 5)).tolist(),
        )
        for _ in range(400)
    ]
    orders, bills, payments = [], [], []
    for case, (costs, paid) in enumerate(cases):
        name = f"supplier-{case}"
        for at, cents in enumerate(costs):
            ref = f"{case}-{at}"
            orders.append(order(ref, supplier=name))
            bills.append(bill(f"K{ref}", ref, f"{cents / 100:.2f}", supplier=name))
        payments += [
            payment(f"P{case}-{at}", f"{cents / 100:.2f}", supplier=name)
            for at, cents in enumerate(paid)
        ]
    shop = matched(tmp_path, {"orders": orders, "invoices": bills, "payments": payments})
    facts, ends = shop.supplier_orders, shop.payments
    seen = {_assert_case(case, *cases[case], facts, ends) for case in range(len(cases))}
    assert set().union(*seen) == {"none", "suggested", "several_ways", "contested"}


def _assert_case(
    case: int, costs: list[int], paid: list[int], facts: dict[Any, Any], ends: dict[str, Any]
) -> tuple[str, ...]:
    """One supplier against all subsets of its orders; how its payments ended."""
    every = [every_subset(costs, cents) for cents in paid]
    only = [set(found[0]) if len(found) == 1 else set() for found in every]
    perhaps: set[int] = set()
    outcomes = []
    for at, cents in enumerate(paid):
        others = set().union(*(only[other] for other in range(len(paid)) if other != at))
        expected = ("none", "suggested", "several_ways")[min(len(every[at]), 2)]
        if only[at] & others:
            expected = "contested"
        outcomes.append(expected)
        assert _end(ends[f"P{case}-{at}"]) == (expected, cents if expected == "suggested" else 0)
        perhaps |= only[at]
        if len(every[at]) > 1:
            perhaps |= {place for place, cost in enumerate(costs) if cost == cents}
    mine = [facts[f"{case}-{at}", f"supplier-{case}", "EUR"] for at in range(len(costs))]
    flagged = {at for at, fact in enumerate(mine) if fact["perhaps_paid"]}
    doubted = {at for at, fact in enumerate(mine) if fact["not_ruled_out"]}
    assert perhaps <= flagged
    assert not flagged & doubted
    # Every order of any set of any payment is kept from being paid again.
    assert {at for found in every for one in found for at in one} <= flagged | doubted
    return tuple(outcomes)
