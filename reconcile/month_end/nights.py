"""The exceptions of the nights of a month, from the history."""

from __future__ import annotations

import sqlite3

import pandas as pd

from reconcile.month_end.period import Month

_SEEN = """
SELECT seen.night AS night, exceptions.id AS id, seen.verdict AS verdict, seen.class AS class,
       seen.currency AS currency, coalesce(seen.amount_minor, 0) AS amount_minor
FROM seen JOIN exceptions ON exceptions.number = seen.exception
WHERE seen.night >= ? AND seen.night <= ? AND seen.verdict IN ('open', 'accepted')
ORDER BY seen.night, exceptions.id
"""


def nights_of(history: sqlite3.Connection, month: Month) -> pd.DataFrame:
    """One row per night and exception that is open or accepted on it.

    From the last night before the month to the last one in it: ``night, id, verdict, class,
    currency, amount_minor``. Without a night before the month it begins with the month.
    """
    first = history.execute(
        "SELECT max(night) FROM nights WHERE night < ?", (str(month.first),)
    ).fetchone()[0]
    cursor = history.execute(_SEEN, (first or str(month.first), str(month.last)))
    names = [column[0] for column in cursor.description]
    return pd.DataFrame(cursor.fetchall(), columns=names).astype({"amount_minor": "int64"})
