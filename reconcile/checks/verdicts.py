"""One rule over its fact table: which rows it names, with verdict, dates, class and amount."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.checks.catalogue import Due, Rule
from reconcile.checks.conditions import Bools, Condition, Ints, compare_fact, resolved
from reconcile.checks.rows import Rows, one_of
from reconcile.dates import add_business_days, as_day
from reconcile.empty import without_rows
from reconcile.joined import beside_each_other
from reconcile.shop import Tolerance

_NO_DAY = np.datetime64("NaT", "D")
_NAMED = {
    "at": "int64",
    "amount_minor": "Int64",
    **dict.fromkeys(("verdict", "cause", "class", "list"), "str"),
    **dict.fromkeys(("event_date", "due_by"), "datetime64[s]"),
}


@dataclass(frozen=True)
class Setting:
    """What a run brings to every rule: its date, the cover of its sources, the calendars."""

    as_of: date
    covered: Mapping[str, date | None]
    holidays: Mapping[str, tuple[date, ...]]
    tolerance: Tolerance


def judge(rule: Rule, frame: pd.DataFrame, run: Setting) -> pd.DataFrame:
    """The rows of a fact table that the rule names.

    One row each: ``at`` (position in the table), ``verdict`` (open, waiting or unknown),
    ``cause`` (what is missing, where unknown), ``due_by``, ``event_date``, ``class``, ``list``
    and ``amount_minor`` (NA where the rule has none).
    """
    rule = with_settings(rule, run)
    named, holds, missing = _named(rule, Rows(frame), run.tolerance)
    at = named.at
    if not len(at):  # most rules name nothing in most shops
        return without_rows(_NAMED)
    rows = Rows(frame, at)
    due, reason = _due_dates(rule, rows, run)
    verdict, cause = _verdicts(rule, rows, run, due, reason, (~holds, missing))
    event = rows[rule.event].to_numpy().astype("datetime64[s]")
    other = np.zeros(len(rows), dtype=bool)
    if rule.instead is not None:
        other, _ = compare_fact(rule.instead, rule.table, rows, run.tolerance)
    told = rule.amount and rule.amount not in untold(rule, run)
    return beside_each_other(
        {
            "at": at,
            "verdict": verdict,
            "cause": cause,
            "event_date": event,
            "due_by": due.astype("datetime64[s]") if rule.due else event,
            "class": one_of([rule.money_class, rule.instead_class], other.astype(np.int8)),
            "list": one_of([rule.list, rule.instead_list], other.astype(np.int8)),
            "amount_minor": rows[rule.amount].astype("Int64") if told else unknown_amounts(rows),
        }
    )


def untold(rule: Rule, run: Setting) -> list[str]:
    """The facts of the rule's table that are told by a record of which nothing is read."""
    facts = rule.table.facts.values()
    return [fact.name for fact in facts if fact.told_by and run.covered.get(fact.told_by) is None]


def unknown_amounts(rows: Rows) -> pd.Series:
    """An amount of each row that nobody knows."""
    return pd.Series(pd.NA, index=range(len(rows)), dtype="Int64")


def with_settings(rule: Rule, run: Setting) -> Rule:
    """The rule with the numbers of its settings in its conditions."""
    numbers = {name: setting.value for name, setting in rule.settings.items()}

    def settled(conditions: tuple[Condition, ...]) -> tuple[Condition, ...]:
        return tuple(resolved(condition, numbers, run.as_of) for condition in conditions)

    return replace(
        rule,
        when=settled(rule.when),
        when_any=settled(rule.when_any),
        unknown=settled(rule.unknown),
        waiting=settled(rule.waiting),
        instead=None if rule.instead is None else resolved(rule.instead, numbers, run.as_of),
    )


def _named(rule: Rule, rows: Rows, tolerance: Tolerance) -> tuple[Rows, Bools, Ints]:
    """The rows that the rule names, where it holds, and which input would tell where not.

    All of its conditions hold, and one of those of which one is enough; or none fails, but some
    are not known. Every condition is asked of the rows that those before it left over.
    """
    holds = np.ones(len(rows), dtype=bool)
    missing = np.zeros(len(rows), dtype=np.int64)
    for condition in rule.when:
        here, unknown = compare_fact(condition, rule.table, rows, tolerance)
        holds &= here
        _note(missing, unknown, rule, condition)
        left = here | unknown
        if not left.all():
            rows, holds, missing = rows.only(left), holds[left], missing[left]
    if not rule.when_any:
        return rows, holds, missing
    some, unsure = np.zeros(len(rows), dtype=bool), np.zeros(len(rows), dtype=bool)
    for condition in rule.when_any:
        here, unknown = compare_fact(condition, rule.table, rows, tolerance)
        some |= here
        unsure |= unknown
        _note(missing, unknown, rule, condition)
    left = some | unsure
    return rows.only(left), (holds & some)[left], missing[left]


def _note(missing: Ints, unknown: Bools, rule: Rule, condition: Condition) -> None:
    """Note which input is missing where none is yet: the number of the fact, from 1."""
    if rule.table.facts[condition.fact].missing:
        missing[unknown & (missing == 0)] = list(rule.table.facts).index(condition.fact) + 1


def _due_dates(rule: Rule, rows: Rows, run: Setting) -> tuple[NDArray[np.datetime64], str]:
    """The first of the rule's due dates that is known, and the input that would give one."""
    due = np.full(len(rows), _NO_DAY)
    reason = ""
    for entry in rule.due:
        start = rows[entry.start].to_numpy().astype("datetime64[D]")
        due = np.where(np.isnat(due), _after(rule, entry, start, rows, run), due)
        reason = entry.missing or reason
    return due, reason


def _after(
    rule: Rule, entry: Due, start: NDArray[np.datetime64], rows: Rows, run: Setting
) -> NDArray[np.datetime64]:
    if entry.days:
        return start + np.timedelta64(rule.settings[entry.days].value, "D")
    if not entry.business_days:
        return start
    name = entry.business_days
    setting = rule.settings[name].value
    count = np.full(len(rows), setting, dtype=np.int64)
    if name in rule.table.facts:
        count = rows[name].fillna(setting).to_numpy(np.int64)
    out = np.full(len(rows), _NO_DAY)
    suppliers, names = pd.factorize(rows["supplier"])
    for number, supplier in enumerate(names):
        mine = suppliers == number
        out[mine] = add_business_days(start[mine], count[mine], run.holidays.get(supplier, ()))
    return out


def _verdicts(
    rule: Rule,
    rows: Rows,
    run: Setting,
    due: NDArray[np.datetime64],
    reason: str,
    missing: tuple[Bools, Ints],
) -> tuple[pd.Series, pd.Series]:
    """Waiting before unknown before open: what is not due yet needs nobody's judgement."""
    size = len(rows)
    causes = ["", *(fact.missing for fact in rule.table.facts.values())]
    unknown = missing[0].copy()
    cause = np.where(unknown, missing[1], 0)

    def doubt(here: Bools, text: str) -> None:
        cause[here & ~unknown] = len(causes)
        causes.append(text)
        np.logical_or(unknown, here, out=unknown)

    for condition in rule.unknown:
        here, _ = compare_fact(condition, rule.table, rows, run.tolerance)
        doubt(here, condition.cause)
    kept = np.zeros(size, dtype=bool)
    for condition in rule.waiting:
        here, _ = compare_fact(condition, rule.table, rows, run.tolerance)
        kept |= here
    basis = due
    if rule.due:
        doubt(np.isnat(due) & ~kept, reason)
        kept |= ~np.isnat(due) & (due >= as_day(run.as_of))
    else:
        basis = rows[rule.event].to_numpy().astype("datetime64[D]")
    for need in rule.needs:
        until = run.covered.get(need)
        late = np.ones(size, dtype=bool) if until is None else ~(basis <= as_day(until))
        doubt(late, f"{need}: none are read" if until is None else f"{need} after {until}")
    verdict = np.where(kept, 1, np.where(unknown, 2, 0))
    cause[kept | ~unknown] = 0
    return one_of(["open", "waiting", "unknown"], verdict), one_of(causes, cause)
