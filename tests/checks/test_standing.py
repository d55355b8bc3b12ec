"""How conditions stand agrees with what a rule says, and its words carry the numbers."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from reconcile.checks.catalogue import configured, load_catalogue
from reconcile.checks.standing import just_missed, numbers, standings
from reconcile.checks.verdicts import Setting, judge
from reconcile.shop import Tolerance
from tests.checks.cases import fact_frame, night

RULES = load_catalogue()
CASES = [(name, case) for name, rule in RULES.items() for case in rule.examples]


def _run(absolute: str = "0", percent: str = "0") -> Setting:
    tolerance = Tolerance(Decimal(absolute), Decimal(percent))
    return Setting(date(2026, 3, 20), {}, {}, tolerance)


def _lacking(name: str, facts: dict[str, object], run: Setting, *unknown: str) -> list[str]:
    """What alone kept the rule from firing, in words."""
    rule = RULES[name]
    row = fact_frame(rule.table, facts, unknown)
    return [one.said for one in just_missed(standings(rule, row, run))]


@pytest.mark.parametrize(("name", "case"), CASES, ids=[f"{n}: {c['name']}" for n, c in CASES])
def test_a_rule_names_a_row_exactly_where_no_condition_fails(name: str, case: dict) -> None:  # type: ignore[type-arg]
    changed, _ = configured({name: RULES[name]}, {name: case.get("settings", {})})
    row = fact_frame(RULES[name].table, case["facts"], tuple(case.get("not_known", ())))
    found = standings(changed[name], row, night(case))
    asked = [one.holds for one in found if not one.alternative]
    some = [one.holds for one in found if one.alternative]
    failed = False in asked or (bool(some) and all(one is False for one in some))
    assert judge(changed[name], row, night(case)).empty == failed
    if not failed:
        assert just_missed(found) == []


def test_one_lacking_condition_is_said_with_its_numbers() -> None:
    facts: dict[str, object] = {"payable": "40.00", "paid": "40.00", "payments": 1}
    assert _lacking("overpaid", facts, _run()) == [
        "paid beyond payable: 0.00 EUR, not above 0.00 EUR"
    ]
    row = fact_frame(RULES["overpaid"].table, facts)
    shown = numbers(RULES["overpaid"], row, {"excess_paid"})
    assert shown == ["paid 40.00 EUR", "payable 40.00 EUR"]


def test_a_gap_within_the_tolerance_says_so() -> None:
    facts: dict[str, object] = {"payable": "40.00", "paid": "40.40", "excess_paid": "0.40"}
    assert _lacking("overpaid", facts, _run("0.40", "1")) == [
        "paid beyond payable: 0.40 EUR, within the tolerance of 0.40 and 1 % of what is billed "
        "less duplicate billing, 40.00 EUR"
    ]
    assert _lacking("overpaid", facts, _run("0.39", "1")) == []


def test_flags_are_said_as_they_stand() -> None:
    sent: dict[str, object] = {"shipped": 1, "arrived": True}
    [said] = _lacking("late-delivery", sent, _run())
    assert said.startswith("all that was sent of the line has arrived")
    unpaid: dict[str, object] = {"live": 1, "shipped": 0, "paid_in_full": False}
    [said] = _lacking("unfulfilled", unpaid, _run())
    assert said.startswith("not so: paid covers payable")


def test_of_conditions_of_which_one_is_enough_all_are_said() -> None:
    facts: dict[str, object] = {"payable": "40.00", "paid": "50.00", "excess_paid": "10.00"}
    said = _lacking("double-paid", facts, _run())
    assert len(said) == 3
    assert all(one.startswith("not so: ") for one in said)


def test_two_lacking_conditions_are_no_near_miss() -> None:
    assert _lacking("unfulfilled", {"live": 1, "shipped": 1, "paid_in_full": False}, _run()) == []
    # One payment in full: nothing is too much, and nothing was paid again.
    assert _lacking("double-paid", {"payable": "40.00", "paid": "40.00"}, _run()) == []


def test_what_is_not_known_is_no_near_miss() -> None:
    facts: dict[str, object] = {"live": 1, "to_pay": True, "paid": "1.00"}
    assert _lacking("unpaid", facts, _run(), "funded") == []
    assert _lacking("unpaid", facts | {"funded": True}, _run()) == [
        "settled payments less refunds received: 1.00 EUR, above 0.00 EUR"
    ]


def test_a_rule_of_one_condition_has_missed_by_a_number_above_0_only() -> None:
    facts: dict[str, object] = {"overcharge": "0.10", "quoted_amount": "40.00"}
    [said] = _lacking("overcharged", facts, _run("1", "1"))
    assert "0.10 EUR, within the tolerance" in said
    assert _lacking("overcharged", facts | {"overcharge": "0.00"}, _run("1", "1")) == []
    assert _lacking("currency-differs", {}, _run()) == []


def test_days_are_counted_to_a_date() -> None:
    facts: dict[str, object] = {"late_days": 3, "delivered_date": "2026-02-17"}
    [said] = _lacking("delivered-late", facts, _run())
    assert said.endswith(": 2026-02-17, before 2026-02-18")
