"""How old what is open is, in the buckets that the shop sets."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reconcile.month_end.period import Month


def bucket_names(limits: Sequence[int]) -> list[str]:
    """What the buckets are called: each limit is the last day of one, and one is behind the last.

    >>> bucket_names([7, 14, 30, 60, 90])
    ['0-7', '8-14', '15-30', '31-60', '61-90', 'over 90']
    >>> bucket_names([0, 30, 60, 90])
    ['not due', '1-30', '31-60', '61-90', 'over 90']
    """
    names, begin = [], 0
    for limit in limits:
        names.append("not due" if limit == 0 else f"{begin}-{limit}")
        begin = limit + 1
    return [*names, f"over {limits[-1]}"]


def aged(open_items: pd.DataFrame, month: Month, limits: Sequence[int], basis: str) -> pd.DataFrame:
    """Open payables by supplier and currency, one column a bucket, in minor units.

    ``basis`` is "document" (days since the bill) or "due" (days since it fell due; a bill without a
    due date counts from its own day). What is paid ahead is no payable and is not in it. Columns:
    ``supplier, currency``, the buckets, ``total``.
    """
    owed = open_items[(open_items["amount_minor"] > 0).to_numpy()]
    since = owed["due"].fillna(owed["date"]) if basis == "due" else owed["date"]
    age = (pd.Timestamp(month.last) - since).dt.days.fillna(0).to_numpy(np.int64)
    names = bucket_names(limits)
    at = np.searchsorted(np.asarray(limits, dtype=np.int64), np.maximum(age, 0))
    amount = owed["amount_minor"].to_numpy(np.int64)
    columns = {name: np.where(at == place, amount, 0) for place, name in enumerate(names)}
    table = owed[["supplier", "currency"]].assign(**columns)
    out = table.groupby(["supplier", "currency"], sort=True)[names].sum()
    out["total"] = out.sum(axis=1)
    return out.reset_index().astype({"supplier": "str", "currency": "str"})
