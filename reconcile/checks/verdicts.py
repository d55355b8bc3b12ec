"""One rule over its fact table: which rows it names, with verdict, dates, class and amount."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.checks.catalogue import Due, Rule
from reconcile.checks.conditions import Bools, Condition, compare_fact, resolved
from reconcile.dates import add_business_days, as_day
from reconcile.shop import Tolerance

_NO_DAY = np.datetime64("NaT", "D")


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
    holds, missing, why = _all(rule.when, rule, frame, run.tolerance)
    if rule.when_any:
        some, unsure, which = _any(rule.when_any, rule, frame, run.tolerance)
        holds, missing = holds & some, (missing & (some | unsure)) | (holds & unsure)
        why = np.where(why == "", which, why)
    named = np.flatnonzero(holds | missing)
    rows = frame.iloc[named].reset_index(drop=True)
    due, reason = _due_dates(rule, rows, run)
    verdict, cause = _verdicts(rule, rows, run, due, reason, (missing[named], why[named]))
    out = pd.DataFrame({"at": named, "verdict": verdict, "cause": cause})
    out["event_date"] = rows[rule.event].to_numpy().astype("datetime64[s]")
    out["due_by"] = due.astype("datetime64[s]") if rule.due else out["event_date"]
    other = np.zeros(len(rows), dtype=bool)
    if rule.instead is not None:
        other, _ = compare_fact(rule.instead, rule.table, rows, run.tolerance)
    out["class"] = np.where(other, rule.instead_class, rule.money_class)
    out["list"] = np.where(other, rule.instead_list, rule.list)
    nothing = pd.array([pd.NA] * len(rows), dtype="Int64")
    out["amount_minor"] = rows[rule.amount].astype("Int64") if rule.amount else nothing
    return out


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


_Told = tuple[Bools, Bools, NDArray[np.object_]]


def _all(
    conditions: tuple[Condition, ...], rule: Rule, frame: pd.DataFrame, tolerance: Tolerance
) -> _Told:
    """Where all hold; where none fails but some are not known, and which input would tell."""
    holds = np.ones(len(frame), dtype=bool)
    possible = holds.copy()
    why = np.full(len(frame), "", dtype=object)
    for condition in conditions:
        here, missing = compare_fact(condition, rule.table, frame, tolerance)
        holds &= here
        possible &= here | missing
        why[missing & (why == "")] = rule.table.facts[condition.fact].missing
    return holds, possible & ~holds, why


def _any(
    conditions: tuple[Condition, ...], rule: Rule, frame: pd.DataFrame, tolerance: Tolerance
) -> _Told:
    holds = np.zeros(len(frame), dtype=bool)
    unsure = holds.copy()
    why = np.full(len(frame), "", dtype=object)
    for condition in conditions:
        here, missing = compare_fact(condition, rule.table, frame, tolerance)
        holds |= here
        unsure |= missing
        why[missing & (why == "")] = rule.table.facts[condition.fact].missing
    return holds, unsure & ~holds, why


def _due_dates(rule: Rule, rows: pd.DataFrame, run: Setting) -> tuple[NDArray[np.datetime64], str]:
    """The first of the rule's due dates that is known, and the input that would give one."""
    due = np.full(len(rows), _NO_DAY)
    reason = ""
    for entry in rule.due:
        start = rows[entry.start].to_numpy().astype("datetime64[D]")
        due = np.where(np.isnat(due), _after(rule, entry, start, rows, run), due)
        reason = entry.missing or reason
    return due, reason


def _after(
    rule: Rule, entry: Due, start: NDArray[np.datetime64], rows: pd.DataFrame, run: Setting
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
    suppliers = rows["supplier"].to_numpy()
    for supplier in sorted(set(suppliers)):
        mine = suppliers == supplier
        out[mine] = add_business_days(start[mine], count[mine], run.holidays.get(supplier, ()))
    return out


def _verdicts(
    rule: Rule,
    rows: pd.DataFrame,
    run: Setting,
    due: NDArray[np.datetime64],
    reason: str,
    missing: tuple[Bools, NDArray[np.object_]],
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Waiting before unknown before open: what is not due yet needs nobody's judgement."""
    size = len(rows)
    cause = np.full(size, "", dtype=object)
    unknown = missing[0].copy()
    cause[unknown] = missing[1][unknown]
    for condition in rule.unknown:
        here, _ = compare_fact(condition, rule.table, rows, run.tolerance)
        cause[here & ~unknown] = condition.cause
        unknown |= here
    kept = np.zeros(size, dtype=bool)
    for condition in rule.waiting:
        here, _ = compare_fact(condition, rule.table, rows, run.tolerance)
        kept |= here
    basis = due
    if rule.due:
        undated = np.isnat(due) & ~kept & ~unknown
        cause[undated] = reason
        unknown |= undated
        kept |= ~np.isnat(due) & (due >= as_day(run.as_of))
    else:
        basis = rows[rule.event].to_numpy().astype("datetime64[D]")
    for need in rule.needs:
        until = run.covered.get(need)
        late = np.ones(size, dtype=bool) if until is None else ~(basis <= as_day(until))
        late &= ~unknown
        cause[late] = f"{need}: none are read" if until is None else f"{need} after {until}"
        unknown |= late
    verdict = np.where(kept, "waiting", np.where(unknown, "unknown", "open")).astype(object)
    cause[verdict != "unknown"] = ""
    return verdict, cause
