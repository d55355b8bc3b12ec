"""What is not known is neither met nor failed, and a limit is met exactly."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.checks.catalogue import load_catalogue
from reconcile.checks.conditions import Condition, compare_fact, resolved
from reconcile.checks.verdicts import judge
from reconcile.facts.orders import SUPPLIER_ORDERS
from reconcile.shop import Tolerance
from tests.checks.cases import fact_frame, night, outcome, row_of

COMPARE = {
    "above": lambda left, right: left > right,
    "at-least": lambda left, right: left >= right,
    "below": lambda left, right: left < right,
    "at-most": lambda left, right: left <= right,
}
PAID_TWICE = load_catalogue()["double-paid"]


def _told(condition: Condition, frame: pd.DataFrame) -> list[tuple[bool, bool]]:
    holds, missing = compare_fact(condition, SUPPLIER_ORDERS, frame, Tolerance())
    return list(zip(holds.tolist(), missing.tolist(), strict=True))


@given(
    st.lists(st.one_of(st.none(), st.integers(-300, 300)), min_size=1),
    st.sampled_from(sorted(COMPARE)),
    st.integers(-300, 300),
)
def test_amounts_compare_in_minor_units_of_their_currency(
    amounts: list[int | None], comparison: str, limit: int
) -> None:
    one = fact_frame(SUPPLIER_ORDERS, {})
    frame = pd.concat([one] * (2 * len(amounts)), ignore_index=True)
    frame["paid"] = pd.Series(amounts + amounts, dtype="Int64")
    frame["currency"] = ["EUR"] * len(amounts) + ["JPY"] * len(amounts)
    condition = Condition("paid", comparison, Decimal(limit))
    expected = [
        (amount is not None and COMPARE[comparison](amount, limit * scale), amount is None)
        for scale in (100, 1)
        for amount in amounts
    ]
    assert _told(condition, frame) == expected


@pytest.mark.parametrize("comparison", ["yes", "no"])
def test_flag_that_is_not_known_is_neither_yes_nor_no(comparison: str) -> None:
    frame = fact_frame(SUPPLIER_ORDERS, {}, ("funded",))
    assert _told(Condition("funded", comparison), frame) == [(False, True)]


def test_known_is_always_told() -> None:
    condition = Condition("payable", "known")
    assert _told(condition, fact_frame(SUPPLIER_ORDERS, {}, ("payable",))) == [(False, False)]
    assert _told(condition, fact_frame(SUPPLIER_ORDERS, {})) == [(True, False)]


def test_setting_stands_for_the_value() -> None:
    condition = Condition("paid", "below", setting="floor")
    frame = fact_frame(SUPPLIER_ORDERS, {"paid": "4.99"})
    for floor, holds in ((4, False), (5, True)):
        settled = resolved(condition, {"floor": floor}, date(2026, 3, 20))
        assert _told(settled, frame) == [(holds, False)]


@pytest.mark.parametrize(
    ("day", "within", "expected"),
    [
        ("2026-03-15", 5, (True, False)),
        ("2026-03-14", 5, (False, False)),
        ("2026-03-20", 5, (True, False)),
        ("0001-01-01", 0, (True, False)),
        ("1995-01-01", 10**9, (True, False)),
        (None, 5, (False, True)),
        (None, 0, (False, True)),
    ],
)
def test_within_days_counts_back_from_the_day_of_the_run(
    day: str | None, within: int, expected: tuple[bool, bool]
) -> None:
    condition = Condition("customer_paid_date", "within-days", setting="within_days")
    settled = resolved(condition, {"within_days": within}, date(2026, 3, 20))
    frame = fact_frame(SUPPLIER_ORDERS, {"customer_paid_date": day})
    assert _told(settled, frame) == [expected]


def test_one_of_several_that_holds_decides_whatever_the_others_are() -> None:
    facts = {"excess_paid": "40.00", "repeated_payment": True, "paid": "80.00"}
    case = {"facts": facts, "not_known": ["covered_without_one_payment"]}
    assert outcome(PAID_TWICE, case, row_of(PAID_TWICE, case)).gives == "open"


def test_one_of_several_that_is_not_known_leaves_it_unknown() -> None:
    case = {"facts": {"excess_paid": "40.00"}, "not_known": ["covered_without_one_payment"]}
    assert outcome(PAID_TWICE, case, row_of(PAID_TWICE, case)).gives == "unknown"
    # A condition that fails settles it: nobody needs to know the rest.
    case["facts"] = {"excess_paid": "0.00"}
    assert outcome(PAID_TWICE, case, row_of(PAID_TWICE, case)).gives == "nothing"


def test_rules_say_nothing_about_empty_tables() -> None:
    for rule in load_catalogue().values():
        empty = fact_frame(rule.table, {}).iloc[:0]
        assert judge(rule, empty, night({})).empty


def test_rows_keep_their_place_and_their_own_verdict() -> None:
    rule = load_catalogue()["unpaid"]
    facts = {"funded": True, "live": 1, "to_pay": True, "payable": "40.00"}
    days = ["2026-03-01", None, "2026-03-19", "2026-03-02"]
    frame = pd.concat(
        [fact_frame(SUPPLIER_ORDERS, {**facts, "prepay_date": day}) for day in days],
        ignore_index=True,
    )
    frame.loc[3, "live"] = 0
    found = judge(rule, frame, night({}))
    assert list(found["at"]) == [0, 1, 2]
    assert list(found["verdict"]) == ["open", "unknown", "waiting"]
    assert list(found["cause"]) == ["", "due_date in the invoices", ""]
    assert np.isnat(found["due_by"].to_numpy()[1])


def test_business_days_skip_the_holidays_of_the_supplier_alone() -> None:
    rule = load_catalogue()["unfulfilled"]
    facts = {"paid_in_full": True, "live": 1, "last_paid_date": "2026-03-02"}
    own = fact_frame(rule.table, facts, ("dispatch_days",))
    frame = pd.concat([own, own.assign(supplier="alder")], ignore_index=True)
    run = replace(night({}), holidays={"kestrel": (date(2026, 3, 4),)})
    due = judge(rule, frame, run)["due_by"].dt.strftime("%Y-%m-%d")
    assert list(due) == ["2026-03-06", "2026-03-05"]
