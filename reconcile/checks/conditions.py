"""The closed vocabulary of comparisons: each a small function on one column of facts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.facts import FactKind, Table
from reconcile.money import digits_of, within_tolerance
from reconcile.shop import Tolerance

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Condition:
    """A comparison of one fact: with a value, or of a gap with the tolerance ``of`` a fact."""

    fact: str
    comparison: str
    value: Decimal | str = Decimal(0)
    of: str = ""
    cause: str = ""


_NUMERIC: Mapping[str, Callable[[pd.Series, pd.Series], pd.Series]] = MappingProxyType(
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
        **dict.fromkeys(_NUMERIC, ("money", "count")),
    }
)


def compare_fact(
    condition: Condition, table: Table, frame: pd.DataFrame, tolerance: Tolerance
) -> tuple[Bools, Bools]:
    """Where the condition holds, and where nobody can tell because the fact is not known."""
    column = frame[condition.fact]
    missing = column.isna().to_numpy()
    kind = table.facts[condition.fact].kind
    if condition.comparison == "known":
        return ~missing, np.zeros(len(frame), dtype=bool)
    if condition.comparison in ("yes", "no"):
        flags = column.fillna(value=False).to_numpy(dtype=bool)
        holds = flags if condition.comparison == "yes" else ~flags
    elif condition.comparison == "equal":
        holds = (column == condition.value).to_numpy(dtype=bool)
    elif condition.comparison == "beyond-tolerance":
        gap = column.fillna(0).to_numpy(np.int64)
        base = frame[condition.of].fillna(0).to_numpy(np.int64)
        holds = ~within_tolerance(
            gap, base, frame["currency"], tolerance.absolute, tolerance.percent
        )
    else:
        compare = _NUMERIC[condition.comparison]
        limit = _limit(condition, kind, frame)
        holds = compare(column.fillna(0).astype("int64"), limit).to_numpy(dtype=bool)
    return holds & ~missing, missing


def _limit(condition: Condition, kind: str, frame: pd.DataFrame) -> pd.Series:
    value = Decimal(condition.value)
    if kind != "money" or value == 0:
        return pd.Series(int(value), index=frame.index)
    digits = digits_of(frame["currency"]).tolist()
    most = {count: int(value.scaleb(count)) for count in set(digits)}
    return pd.Series([most[count] for count in digits], index=frame.index, dtype="int64")
