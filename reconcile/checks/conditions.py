"""The closed vocabulary of comparisons: each a small function on one column of facts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.checks.rows import Rows
from reconcile.dates import as_day
from reconcile.facts import FactKind, Table
from reconcile.money import digits_of, whole_numbers, within_tolerance
from reconcile.shop import Tolerance

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
_EVER = np.iinfo(np.int64).min


@dataclass(frozen=True)
class Condition:
    """A comparison of one fact: with a value, or of a gap with the tolerance ``of`` a fact.

    The value is that of the rule's ``setting`` where one is named. ``within-days`` is how many
    days before the run's date a date may lie; 0 is ever.
    """

    fact: str
    comparison: str
    value: Decimal | str = Decimal(0)
    of: str = ""
    cause: str = ""
    setting: str = ""


NUMERIC: Mapping[str, Callable[[Ints, Ints], Bools]] = MappingProxyType(
    {
        "above": lambda left, right: left > right,
        "at-least": lambda left, right: left >= right,
        "below": lambda left, right: left < right,
        "at-most": lambda left, right: left <= right,
    }
)
# The closed list of comparisons, and the kinds of fact that each can be asked of.
COMPARISONS: Mapping[str, tuple[FactKind, ...]] = MappingProxyType(
    {
        "yes": ("flag",),
        "no": ("flag",),
        "known": ("money", "count", "flag", "date", "text"),
        "equal": ("text",),
        "beyond-tolerance": ("money",),
        "within-days": ("date",),
        **dict.fromkeys(NUMERIC, ("money", "count")),
    }
)


def resolved(condition: Condition, settings: Mapping[str, int], as_of: date) -> Condition:
    """The condition with the number that its setting has, days as the first day that counts."""
    if not condition.setting:
        return condition
    number = settings[condition.setting]
    if condition.comparison == "within-days":
        today = int(as_day(as_of).astype(np.int64))
        number = today - number if number else _EVER
    return replace(condition, value=Decimal(number), setting="")


def compare_fact(
    condition: Condition, table: Table, frame: pd.DataFrame | Rows, tolerance: Tolerance
) -> tuple[Bools, Bools]:
    """Where the condition holds, and where nobody can tell because the fact is not known."""
    column = frame[condition.fact]
    missing = column.isna().to_numpy()
    kind = table.facts[condition.fact].kind
    if condition.comparison == "known":
        return ~missing, np.zeros(len(frame), dtype=bool)
    if condition.comparison in ("yes", "no"):
        flags = column.to_numpy(dtype=bool, na_value=False)
        holds = flags if condition.comparison == "yes" else ~flags
    elif condition.comparison == "equal":
        holds = (column == condition.value).to_numpy(dtype=bool)
    elif condition.comparison == "beyond-tolerance":
        gap, base = whole_numbers(column), whole_numbers(frame[condition.of])
        holds = ~within_tolerance(
            gap, base, frame["currency"], tolerance.absolute, tolerance.percent
        )
    elif condition.comparison == "within-days":
        day = column.to_numpy().astype("datetime64[D]").astype(np.int64)
        holds = day >= int(condition.value)
    else:
        compare = NUMERIC[condition.comparison]
        limit = _limit(condition, kind, frame)
        holds = compare(whole_numbers(column), limit)
    return holds & ~missing, missing


def _limit(condition: Condition, kind: str, frame: pd.DataFrame | Rows) -> Ints:
    """The value that a number is compared with, by the decimals of its currency."""
    value = Decimal(condition.value)
    if kind != "money" or value == 0:
        return np.array([int(value)], dtype=np.int64)
    digits = digits_of(frame["currency"])
    most = [int(value.scaleb(count)) for count in range(int(digits.max(initial=0)) + 1)]
    return np.array(most, dtype=np.int64)[digits]
