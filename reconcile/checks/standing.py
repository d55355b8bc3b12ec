"""How each condition of a rule stands for one row: why a rule fired, or what kept it from it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal

import pandas as pd

from reconcile.checks.catalogue import FIELD, Rule
from reconcile.checks.conditions import NUMERIC, Condition, compare_fact
from reconcile.checks.verdicts import Setting, with_settings
from reconcile.facts import Fact
from reconcile.money import amount_text, digits_of

_PAST_IT = {"above": "above", "at-least": "at least", "below": "below", "at-most": "at most"}
_SHORT_OF = {"above": "not above", "at-least": "below", "below": "not below", "at-most": "above"}
_SHOWN = ("money", "count")


@dataclass(frozen=True)
class Standing:
    """One condition of a rule as it stands for one row.

    ``holds`` is None where the fact is not known. ``alternative``: it is one of those of which one
    is enough. ``gap``: the number compared lies above 0, whatever the limit or the tolerance.
    ``said``: how the fact stands, with its numbers.
    """

    fact: str
    comparison: str
    holds: bool | None
    alternative: bool
    gap: bool
    said: str


def standings(rule: Rule, row: pd.DataFrame, run: Setting) -> list[Standing]:
    """Every condition of the rule for one row of its fact table, in the order of the rule file."""
    settled = with_settings(rule, run)
    written = (*rule.when, *rule.when_any)
    out = []
    for at, condition in enumerate((*settled.when, *settled.when_any)):
        here, missing = compare_fact(condition, rule.table, row, run.tolerance)
        holds = None if missing[0] else bool(here[0])
        value = row[condition.fact].iloc[0]
        counted = condition.comparison in (*NUMERIC, "beyond-tolerance")
        out.append(
            Standing(
                fact=condition.fact,
                comparison=condition.comparison,
                holds=holds,
                alternative=at >= len(rule.when),
                gap=counted and not pd.isna(value) and int(value) > 0,
                said=_said(rule, (condition, written[at]), row, run, holds=holds),
            )
        )
    return out


def just_missed(found: list[Standing]) -> list[Standing]:
    """What alone kept the rule from firing; empty where it fires, or where more was lacking.

    All conditions but one hold; those of which one is enough are one condition together. A rule
    with a single condition has just missed where its number is above 0, but not beyond the limit.
    """
    asked = [one for one in found if not one.alternative]
    some = [one for one in found if one.alternative]
    lacking = [[one] for one in asked if not one.holds]
    if some and not any(one.holds for one in some):
        lacking.append(some)
    alone = len(asked) + bool(some) == 1
    if len(lacking) != 1 or any(one.holds is None for one in lacking[0]):
        return []
    return [] if alone and not lacking[0][0].gap else lacking[0]


def numbers(rule: Rule, row: pd.DataFrame, beside: set[str]) -> list[str]:
    """The amounts and counts that the rule's sentence names, without the facts ``beside``."""
    facts = rule.table.facts
    named = dict.fromkeys(FIELD.findall(rule.text["explanation"]))
    wanted = [name for name in named if name in facts and name not in beside]
    return [
        f"{_label(name)} {_shown(facts[name], row)}"
        for name in wanted
        if facts[name].kind in _SHOWN
    ]


def _label(name: str) -> str:
    return name.replace("_", " ")


def _clause(fact: Fact) -> str:
    """The meaning of a fact without its finer points."""
    return fact.meaning.split(";")[0].split(",")[0]


def _shown(fact: Fact, row: pd.DataFrame) -> str:
    value = row[fact.name].iloc[0]
    if pd.isna(value):
        return "not known"
    if fact.kind == "money":
        return amount_text(int(value), str(row["currency"].iloc[0]))
    return str(value.date()) if fact.kind == "date" else str(value)


def _said(
    rule: Rule,
    both: tuple[Condition, Condition],
    row: pd.DataFrame,
    run: Setting,
    *,
    holds: bool | None,
) -> str:
    condition, written = both
    fact = rule.table.facts[condition.fact]
    if holds is None:
        missing = f" ({fact.missing})" if fact.missing else ""
        return f"not known: {fact.meaning}{missing}"
    if fact.kind == "flag" and condition.comparison in ("yes", "no"):
        true = holds == (condition.comparison == "yes")
        return fact.meaning if true else f"not so: {fact.meaning}"
    if condition.comparison == "known":
        return f"{'known' if holds else 'not known'}: {fact.meaning}"
    stands = f"{_clause(fact)}: {_shown(fact, row)}"
    if condition.comparison == "beyond-tolerance":
        return f"{stands}, {_beside_tolerance(rule, condition, row, run, holds=holds)}"
    if condition.comparison == "within-days":
        days = rule.settings[written.setting].value
        first = "ever" if not days else str(run.as_of - timedelta(days=days))
        return f"{stands}, {'on or after' if holds else 'before'} {first}"
    if condition.comparison == "equal":
        return f"{stands}, {'' if holds else 'not '}{condition.value}"
    word = (_PAST_IT if holds else _SHORT_OF)[condition.comparison]
    return f"{stands}, {word} {_limit(fact, condition, row)}"


def _limit(fact: Fact, condition: Condition, row: pd.DataFrame) -> str:
    value = Decimal(condition.value)
    if fact.kind != "money":
        return str(int(value))
    currency = str(row["currency"].iloc[0])
    digits = int(digits_of(row["currency"])[0])
    return amount_text(int(value.scaleb(digits)), currency)


def _beside_tolerance(
    rule: Rule, condition: Condition, row: pd.DataFrame, run: Setting, *, holds: bool
) -> str:
    """The gap beside the tolerance of another fact, or beside 0 where there is none."""
    zero = amount_text(0, str(row["currency"].iloc[0]))
    limits = run.tolerance
    none = limits.absolute == 0 or limits.percent == 0
    gap = row[condition.fact].iloc[0]
    if none or int(gap) <= 0:
        return f"{'above' if holds else 'not above'} {zero}"
    of = rule.table.facts[condition.of]
    base = f"{_clause(of)}, {_shown(of, row)}"
    word = "beyond" if holds else "within"
    return f"{word} the tolerance of {limits.absolute} and {limits.percent} % of what is {base}"
