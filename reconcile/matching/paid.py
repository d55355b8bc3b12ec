"""What was paid of each supplier order and currency, and what is left to pay."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import Bools, Ints, count, in_order, latest, starts, sums, total


def add_paid(frame: pd.DataFrame, shares: pd.DataFrame, payments: pd.DataFrame) -> None:
    """Add to the rows of money what ``shares`` of the payments pay of them."""
    size = len(frame)
    money, amount = shares["money"].to_numpy(np.int64), shares["amount"].to_numpy(np.int64)
    frame["paid"] = total(money, amount, size)
    use = np.flatnonzero(amount >= 0)
    payment = shares["payment"].to_numpy(np.int64)[use]
    rows, part = sums(amount[use], money[use], payment)
    at, payment = money[use][rows], payment[rows]
    frame["payments"] = count(at, size)
    smallest = np.full(size, np.iinfo(np.int64).max)
    np.minimum.at(smallest, at[part > 0], part[part > 0])
    paid, payable = frame["paid"].to_numpy(), frame["payable"].to_numpy()
    known = frame["payable_known"].to_numpy()
    several = (frame["payments"] > 1).to_numpy()
    over = known & (paid > payable)
    rest = paid - np.where(several, smallest, 0)
    frame["covered_without_one_payment"] = over & several & (rest >= payable)
    duplicate = frame["duplicate"].to_numpy()
    frame["duplicate_paid"] = over & (duplicate > 0) & (paid >= payable + duplicate)
    again = _repeated(at, part) & (part > 0)
    repeated = total(at[again], part[again], size)
    given_back = total(money[amount < 0], -amount[amount < 0], size)
    repeated = np.where(known, 0, np.maximum(repeated - given_back, 0))
    frame["repeated"] = repeated > 0
    frame["excess_paid"] = np.where(known, np.maximum(paid - payable, 0), repeated)
    # A supplier who gave back more than was paid is not owed the difference on top.
    frame["unpaid_rest"] = np.where(known, np.maximum(payable - np.maximum(paid, 0), 0), 0)
    frame["last_paid_date"] = latest(at, payments["paid_date"].to_numpy()[payment], size)


def _repeated(money: Ints, amount: Ints) -> Bools:
    """Which rows of a money row, whose rows stand together, are of an amount that was there."""
    place = in_order(money, amount)
    out = np.zeros(len(money), dtype=bool)
    out[place] = ~(starts(money[place]) | starts(amount[place]))
    return out
