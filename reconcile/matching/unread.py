"""What rejected rows name: nothing is missing for the sake of a row that nobody could read."""

from __future__ import annotations

import pandas as pd


def unread_keys(rejected_keys: pd.DataFrame, record: str, column: str) -> pd.Series:
    """The keys that rejected rows of a record bear in a column."""
    mine = (rejected_keys["record"] == record) & (rejected_keys["column"] == column)
    keys: pd.Series = rejected_keys.loc[mine.to_numpy(), "key"]
    return keys
