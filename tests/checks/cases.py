"""The cases of the rule files: one row of facts each, judged as a night would judge it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from reconcile.checks.catalogue import Rule, configured
from reconcile.checks.verdicts import Setting, judge
from reconcile.facts import Fact, Table
from reconcile.money import major_text
from reconcile.shop import Tolerance

AS_OF = date(2026, 3, 20)
RECORDS = ("orders", "invoices", "payments", "shipments")
KEYS = {
    *("name", "facts", "not_known", "settings", "tolerance", "as_of", "covered"),
    *("gives", "amount", "list", "class"),
}
GIVES = ("nothing", "open", "waiting", "unknown")
_DTYPES: Mapping[str, Any] = {
    "money": "Int64",
    "count": "Int64",
    "flag": "bool",
    "date": "datetime64[s]",
    "text": "str",
}
_BLANKS: Mapping[str, object] = {"money": 0, "count": 0, "flag": False, "date": None, "text": ""}


@dataclass(frozen=True)
class Outcome:
    """What a rule says about one row; all but ``gives`` are blank where it says nothing."""

    gives: str
    amount: str = ""
    list: str = ""
    money_class: str = ""
    due_by: str = ""
    cause: str = ""


def fact_frame(
    table: Table, facts: Mapping[str, object], not_known: tuple[str, ...] = ()
) -> pd.DataFrame:
    """One row of a fact table in EUR; facts that are not named are 0, no, no date or blank.

    Money is decimal text in major units, a date an ISO text. Raises KeyError where the table
    has no such fact.
    """
    for name in (*facts, *not_known):
        table.facts[name]
    columns = {
        name: _column(fact, facts.get(name, _BLANKS[fact.kind]), unknown=name in not_known)
        for name, fact in table.facts.items()
    }
    frame = pd.DataFrame(columns)
    return frame.assign(supplier="kestrel", currency="EUR", order=0, supplier_order=0)


def _column(fact: Fact, value: object, *, unknown: bool) -> Any:
    dtype: Any = "boolean" if unknown and fact.kind == "flag" else _DTYPES[fact.kind]
    if unknown:
        value = None
    elif fact.kind == "money":
        value = int(Decimal(str(value)).scaleb(2))
    elif fact.kind == "date" and value is not None:
        value = np.datetime64(str(value), "s")
    return pd.array([value], dtype=dtype)


def row_of(rule: Rule, case: Mapping[str, Any]) -> pd.DataFrame:
    """The row of facts that a case is about."""
    facts, not_known = case["facts"], tuple(case.get("not_known", ()))
    # A setting stands in for the fact of its name where that is not known, so that is usual.
    stands_in = tuple(name for name in rule.settings if name in rule.table.facts)
    not_known += tuple(name for name in stands_in if name not in facts)
    return fact_frame(rule.table, facts, not_known)


def outcome(rule: Rule, case: Mapping[str, Any], frame: pd.DataFrame) -> Outcome:
    """What the rule says about a case, whose row of facts is given."""
    changed, problems = configured({rule.name: rule}, {rule.name: case.get("settings", {})})
    assert problems == []
    found = judge(changed[rule.name], frame, night(case))
    if found.empty:
        return Outcome("nothing")
    [row] = found.to_dict("records")
    return Outcome(
        gives=str(row["verdict"]),
        amount=major_text(found["amount_minor"], frame["currency"])[0],
        list=str(row["list"]),
        money_class=str(row["class"]),
        due_by="" if pd.isna(row["due_by"]) else f"{row['due_by']:%Y-%m-%d}",
        cause=str(row["cause"]),
    )


def night(case: Mapping[str, Any]) -> Setting:
    as_of = date.fromisoformat(case.get("as_of", str(AS_OF)))
    covered: dict[str, date | None] = dict.fromkeys(RECORDS, as_of)
    if "covered" in case:
        covered = {name: date.fromisoformat(day) for name, day in case["covered"].items()}
    limits = {name: Decimal(limit) for name, limit in case.get("tolerance", {}).items()}
    return Setting(as_of=as_of, covered=covered, holidays={}, tolerance=Tolerance(**limits))


def holds(rule: Rule, case: Mapping[str, Any], frame: pd.DataFrame) -> bool:
    """Whether the rule says what the case says it has to."""
    return differences(case, outcome(rule, case, frame)) == {}


def differences(case: Mapping[str, Any], found: Outcome) -> dict[str, tuple[str, str]]:
    """What the case expects and what was found, where they are not the same."""
    said = {
        "gives": found.gives,
        "amount": found.amount,
        "list": found.list,
        "class": found.money_class,
    }
    return {key: (case[key], said[key]) for key in said if key in case and case[key] != said[key]}
