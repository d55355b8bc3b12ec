"""payout-adds-up: the parts of each payout are what was paid out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reconcile.month_end.balance import Balance, balanced, items, unknown
from reconcile.month_end.evidence import places
from reconcile.month_end.period import Month

CHECK = "payout-adds-up"


def payouts_add_up(
    payouts: pd.DataFrame | None, month: Month, lag_days: int, files: Sequence[str]
) -> list[Balance]:
    """One balance per payout of the month; left its parts, right what was paid out.

    Parts whose payout is not there yet are one balance for each reference; while they are no more
    than ``lag_days`` old at the month's end they are on their way.
    """
    if payouts is None or payouts.empty:
        return [unknown(CHECK, "There are no payouts.")]
    rows = payouts.assign(
        evidence=places(payouts, files), date=payouts["paid_date"], name=payouts["payout_ref"]
    )
    sent = rows["kind"] == "payout"
    keys = ["payout_ref_key", "currency"]
    dated = rows["date"].where(sent).groupby([rows[key] for key in keys]).transform("max")
    last = rows.groupby(keys)["date"].transform("max")
    mine = month.holds(dated.fillna(last))
    return [_payout(group, month, lag_days) for _, group in rows[mine].groupby(keys, sort=True)]


def _payout(rows: pd.DataFrame, month: Month, lag_days: int) -> Balance:
    sent = (rows["kind"] == "payout").to_numpy()
    amount = rows["amount_minor"].to_numpy(np.int64)
    left, right = int(amount[~sent].sum()), -int(amount[sent].sum())
    ref, currency = str(rows["payout_ref"].iloc[0]), str(rows["currency"].iloc[0])
    of_kinds = rows[~sent].groupby("kind", sort=True).agg(
        amount=("amount_minor", "sum"), date=("date", "max"), evidence=("evidence", "first"),
        name=("name", "first"), count=("name", "size"),
    )  # fmt: skip
    more = " and " + (of_kinds["count"] - 1).astype("str") + " more"
    of_kinds["evidence"] += more.where(of_kinds["count"] > 1, "")
    kinds = pd.Series(of_kinds.index.astype("str") + " in all", dtype="str")
    parts = items(of_kinds, of_kinds["amount"], "part", "left", "listed", kinds)
    pieces = [parts.assign(what=of_kinds.index.to_numpy())]
    if not sent.any():
        first = rows.iloc[:1].assign(date=rows["date"].min())
        waited = (pd.Timestamp(month.last) - rows["date"].max()).days
        if waited <= lag_days:
            text = "Not paid out yet."
            pieces.append(items(first, np.array([left]), "not-paid-out", "right", "timing", text))
            right = left
        else:
            text = f"Parts older than {lag_days} days without a payout."
            gap = items(first, np.array([left]), "no-payout", "difference", "error", text)
            pieces.append(gap)
    return balanced(CHECK, ref, currency, (left, right), pieces)
