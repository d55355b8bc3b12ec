"""The exceptions of the nights of a month, from the history."""

from __future__ import annotations

import sqlite3

import pandas as pd

from reconcile.memory.nights import nights_kept, whole_night
from reconcile.month_end.period import Month

_COLUMNS = ["night", "id", "verdict", "class", "currency", "amount_minor"]


def nights_of(history: sqlite3.Connection, month: Month) -> pd.DataFrame:
    """One row per night and exception that is open or accepted on it.

    From the last night before the month to the last one in it: ``night, id, verdict, class,
    currency, amount_minor``. Without a night before the month it begins with the month.
    """
    kept = [night for night in nights_kept(history) if night <= str(month.last)]
    before = [night for night in kept if night < str(month.first)]
    pieces = [pd.DataFrame(columns=_COLUMNS)]
    for night in kept[max(len(before) - 1, 0) :]:
        seen = whole_night(history, night)
        seen = seen[seen["verdict"].isin(["open", "accepted"])].sort_values("id")
        pieces.append(seen.assign(amount_minor=seen["amount_minor"].fillna(0))[_COLUMNS])
    out = pd.concat(pieces, ignore_index=True)
    return out.astype(dict.fromkeys(_COLUMNS, "str") | {"amount_minor": "int64"})
