"""statement-runs: opening balance and rows are the closing balance, row by row."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.month_end.balance import Balance, balanced, items, unknown
from reconcile.month_end.cash import Cash, cut_short
from reconcile.month_end.evidence import places
from reconcile.month_end.period import Month

CHECK = "statement-runs"


def closing_balance(rows: pd.DataFrame) -> int | None:
    """The last balance that the rows of one account state, and what was booked after it."""
    stated = np.flatnonzero(rows["balance_minor"].notna().to_numpy())
    if not len(stated):
        return None
    after = rows.iloc[stated[-1] + 1 :]
    return int(rows["balance_minor"].iloc[stated[-1]]) + int(after["amount_minor"].sum())


def opening_balance(rows: pd.DataFrame, month: Month) -> int:
    """The balance before the month of the rows of one account, of which some state a balance.

    Where none of before the month does, the first one that is stated, less what was booked up to
    it in the month.
    """
    earlier = month.before(rows["date"])
    before = closing_balance(rows[earlier])
    if before is not None:
        return before
    first = int(np.flatnonzero(rows["balance_minor"].notna().to_numpy())[0])
    booked = rows["amount_minor"].where(~earlier, 0).iloc[: first + 1]
    return int(rows["balance_minor"].iloc[first]) - int(booked.sum())


def moving(cash: Cash) -> pd.DataFrame:
    """The rows that move money or state a balance; what is pending does neither."""
    return cash.rows[(cash.rows["place"] != "pending").to_numpy()]


def statement_runs(cash: Cash, transit_days: int) -> list[Balance]:
    """One balance per account and currency.

    Rows that run prove nothing of the days after the last that they cover.
    """
    return [
        _account(
            str(account),
            str(currency),
            rows,
            cash.month,
            cut_short(cash, str(account), transit_days),
        )
        for (account, currency), rows in moving(cash).groupby(["account", "currency"], sort=True)
    ]


def _account(account: str, currency: str, rows: pd.DataFrame, month: Month, short: str) -> Balance:
    rows = rows.reset_index(drop=True)
    closing = closing_balance(rows)
    if closing is None:
        cause = "The bank's rows state no balance."
        return unknown(CHECK, cause, account, currency)
    earlier = month.before(rows["date"])
    mine = rows[~earlier]
    stated = rows[rows["balance_minor"].notna().to_numpy()].assign(
        run=rows["amount_minor"].cumsum()
    )
    gap = stated["balance_minor"].diff() - stated["run"].diff()
    broken = (gap.fillna(0) != 0).to_numpy(dtype=bool) & month.holds(stated["date"])
    above = stated["evidence"].shift(1).fillna("")
    found = stated[broken].assign(name=account)
    found["evidence"] = above[broken] + "; " + found["evidence"]
    text = "From one stated balance to the next it does not move by the rows between them."
    moved = items(
        found, -gap[broken].to_numpy(np.int64), "does-not-run", "difference", "error", text
    )
    left = opening_balance(rows, month) + int(mine["amount_minor"].sum())
    cause = short if left == closing else ""
    return balanced(CHECK, account, currency, (left, closing), [moved], cause)


def supplier_statements_run(
    statements: pd.DataFrame, month: Month, files: list[str]
) -> list[Balance]:
    """The same of each supplier's statement that states an opening and a closing balance."""
    out = []
    here = statements[month.holds(statements["date"])]
    for (supplier, currency), rows in here.groupby(["supplier", "currency"], sort=True):
        opening, closing = (rows[rows["kind"] == kind] for kind in ("opening", "closing"))
        if opening.empty or closing.empty:
            continue
        between = rows[~rows["kind"].isin(["opening", "closing"]).to_numpy()]
        first = opening.sort_values("date", kind="stable").iloc[0]
        last = closing.sort_values("date", kind="stable").iloc[-1:]
        left = int(first["amount_minor"]) + int(between["amount_minor"].sum())
        right = int(last["amount_minor"].iloc[0])
        named = pd.DataFrame({"name": last["document"], "date": last["date"]})
        named["evidence"] = places(last, files)
        named = named if left != right else named.iloc[:0]
        text = "The closing balance is not the opening balance and the documents between them."
        gap = items(named, np.full(len(named), left - right), "does-not-run", "difference",
                    "error", text)  # fmt: skip
        out.append(balanced(CHECK, str(supplier), str(currency), (left, right), [gap]))
    return out
