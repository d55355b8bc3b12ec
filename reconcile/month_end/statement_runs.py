"""statement-runs: opening balance and rows are the closing balance, row by row."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import Bools
from reconcile.month_end.balance import Balance, Nature, balanced, items, unknown
from reconcile.month_end.cash import Cash
from reconcile.month_end.evidence import places
from reconcile.month_end.period import Month
from reconcile.month_end.reach import told_missing

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


def statement_runs(cash: Cash) -> list[Balance]:
    """One balance per account and currency."""
    return [
        _account(cash, str(account), str(currency), rows)
        for (account, currency), rows in moving(cash).groupby(["account", "currency"], sort=True)
    ]


def _account(cash: Cash, account: str, currency: str, rows: pd.DataFrame) -> Balance:
    month, rows = cash.month, rows.reset_index(drop=True)
    closing = closing_balance(rows)
    if closing is None:
        cause = "The bank's rows state no balance."
        return unknown(CHECK, cause, account, currency)
    mine = rows[~month.before(rows["date"])]
    stated = rows[rows["balance_minor"].notna().to_numpy()].assign(
        run=rows["amount_minor"].cumsum()
    )
    gap = stated["balance_minor"].diff() - stated["run"].diff()
    broken = (gap.fillna(0) != 0).to_numpy(dtype=bool) & month.holds(stated["date"])
    above = stated["evidence"].shift(1).fillna("")
    found = stated.assign(name=account, evidence=above + "; " + stated["evidence"])
    gaps = cash.gaps[(cash.gaps["account"] == account).to_numpy()]
    spans = _spans(stated["date"], gaps)
    text = "From one stated balance to the next it does not move by the rows between them."
    more = text + " Days between them are in no file."
    kinds: tuple[tuple[Bools, Nature, str], ...] = (
        (broken & ~spans, "error", text), (broken & spans, "unknown", more),
    )  # fmt: skip
    moved = [
        items(found[at], -gap[at].to_numpy(np.int64), "does-not-run", "difference", nature, told)
        for at, nature, told in kinds
    ]
    left = opening_balance(rows, month) + int(mine["amount_minor"].sum())
    cause = told_missing(gaps) if left != closing and not len(moved[0]) else ""
    return balanced(CHECK, account, currency, (left, closing), moved, cause)


def _spans(dates: pd.Series, gaps: pd.DataFrame) -> Bools:
    """Rows between which and the one above days are missing."""
    out, above = np.zeros(len(dates), dtype=bool), dates.shift(1)
    for after, before in gaps[["after", "before"]].itertuples(index=False):
        out |= ((above <= after) & (dates >= before)).to_numpy(dtype=bool)
    return out


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
