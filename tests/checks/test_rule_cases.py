"""Every case of every rule file, and whether the cases would notice a change of the rule."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from reconcile.checks.catalogue import Rule, load_catalogue
from reconcile.checks.conditions import Condition
from reconcile.facts import Table
from tests.checks.cases import GIVES, KEYS, differences, holds, outcome, row_of

RULES = load_catalogue()
CASES = [(rule, case) for rule in RULES.values() for case in rule.examples]
PARTS = ("when", "when_any", "unknown", "waiting")
NUMERIC = ("above", "at-least", "below", "at-most")
OTHERS: Mapping[str, tuple[str, ...]] = {
    "yes": ("no",),
    "no": ("yes",),
    "known": ("at-most",),
    "equal": (),
    "beyond-tolerance": ("above", "at-most"),
    "within-days": ("known",),
    **{name: tuple(other for other in NUMERIC if other != name) for name in NUMERIC},
}


@pytest.mark.parametrize(
    ("rule", "case"), CASES, ids=[f"{rule.name}: {case['name']}" for rule, case in CASES]
)
def test_case(rule: Rule, case: Mapping[str, Any]) -> None:
    assert set(case) <= KEYS
    assert case["gives"] in GIVES
    assert differences(case, outcome(rule, case, row_of(rule, case))) == {}


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
def test_cases_show_every_verdict_that_the_rule_can_give(rule: Rule) -> None:
    asked = [*rule.when, *rule.when_any]
    can = {"nothing": True, "open": True}
    can["waiting"] = bool(rule.due or rule.waiting)
    can["unknown"] = bool(
        rule.unknown
        or rule.needs
        or any(rule.table.facts[one.fact].missing for one in asked if one.comparison != "known")
    )
    assert {case["gives"] for case in rule.examples} == {name for name in can if can[name]}


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
def test_cases_have_names_of_their_own(rule: Rule) -> None:
    names = [case["name"] for case in rule.examples]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
def test_a_change_of_the_rule_is_noticed_by_one_of_its_cases(rule: Rule) -> None:
    rows = [(case, row_of(rule, case)) for case in rule.examples]
    survivors = [
        what
        for what, mutant in _mutants(rule)
        if all(holds(mutant, case, row) for case, row in rows)
    ]
    assert survivors == []


def _mutants(rule: Rule) -> Iterator[tuple[str, Rule]]:
    """The rule with one thing changed each, and what that is."""
    for part in PARTS:
        conditions: tuple[Condition, ...] = getattr(rule, part)
        for at, condition in enumerate(conditions):
            before, after = conditions[:at], conditions[at + 1 :]
            name = f"{part} {condition.fact} {condition.comparison}"
            yield f"{name}: left out", replace(rule, **{part: before + after})  # type: ignore[arg-type]
            for what, other in _changed(condition, rule.table):
                changed = replace(rule, **{part: (*before, other, *after)})  # type: ignore[arg-type]
                yield f"{name}: {what}", changed
    if rule.instead is not None:
        yield "instead: left out", replace(rule, instead=None)
        for what, other in _changed(rule.instead, rule.table):
            yield f"instead: {what}", replace(rule, instead=other)
    yield from _other_mutants(rule)


def _changed(condition: Condition, table: Table) -> Iterator[tuple[str, Condition]]:
    for other in OTHERS[condition.comparison]:
        yield f"is {other}", replace(condition, comparison=other)
    if isinstance(condition.value, str):
        yield "another text", replace(condition, value=f"{condition.value}s")
    elif condition.comparison in NUMERIC and not condition.setting:
        step = Decimal("0.01") if table.facts[condition.fact].kind == "money" else Decimal(1)
        for value in (condition.value - step, condition.value + step):
            yield f"value {value}", replace(condition, value=value)


def _other_mutants(rule: Rule) -> Iterator[tuple[str, Rule]]:
    for name, setting in rule.settings.items():
        for default in (setting.default - 1, setting.default + 1):
            settings = {**rule.settings, name: replace(setting, default=default, value=default)}
            yield f"{name} is {default}", replace(rule, settings=settings)
    for at, due in enumerate(rule.due):
        rest = rule.due[:at] + rule.due[at + 1 :]
        yield f"due from {due.start}: left out", replace(rule, due=rest)
        if due.days or due.business_days:
            sudden = replace(due, days="", business_days="")
            changed = (*rule.due[:at], sudden, *rule.due[at + 1 :])
            yield f"due from {due.start}: on that day", replace(rule, due=changed)
    for need in rule.needs:
        yield f"needs no {need}", replace(rule, needs=tuple(set(rule.needs) - {need}))
    if rule.amount:
        yield "no amount", replace(rule, amount="")
