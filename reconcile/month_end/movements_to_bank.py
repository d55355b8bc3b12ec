"""payments-to-bank and payouts-to-bank: what the records say moved is what the bank booked."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pandas as pd

from reconcile.matching.columns import Bools, Ints
from reconcile.money import major_text
from reconcile.month_end.balance import Balance, Nature, Side, balanced, items, unknown
from reconcile.month_end.cash import Cash, own_rows
from reconcile.month_end.period import Month
from reconcile.month_end.reach import ends_early, told_missing


@dataclass(frozen=True)
class _Kind:
    """One of the two checks: whose movements, and which way they go."""

    check: str
    record: str
    sign: int  # of the bank's amount, so that the sides are positive


_PAYMENTS = _Kind("payments-to-bank", "payments", -1)
_PAYOUTS = _Kind("payouts-to-bank", "payouts", 1)
_UNRECORDED = ("not-recorded", "returned")
_TOGETHER = ("matched", "suggested")


def payments_to_bank(cash: Cash, transit_days: int) -> list[Balance]:
    """Settled supplier payments of the month are its debits and what is in transit."""
    return _all(cash, _PAYMENTS, transit_days)


def payouts_to_bank(cash: Cash, transit_days: int) -> list[Balance]:
    """Payouts sent in the month are the credits booked and what is in transit."""
    return _all(cash, _PAYOUTS, transit_days)


def unrecorded_of(rows: pd.DataFrame, record: str) -> Bools:
    """Rows without a record that belong to a check: debits and suppliers' credits to payments."""
    mine = rows["place"].isin(_UNRECORDED).to_numpy()
    tied = ((rows["place"] == "tied") & (rows["record"] == "")).to_numpy()
    out = ((rows["amount_minor"] < 0) | (rows["supplier"] != "")).to_numpy()
    return np.asarray((mine | tied) & (out if record == "payments" else ~out))


def _all(cash: Cash, kind: _Kind, transit_days: int) -> list[Balance]:
    rows = cash.rows[own_rows(cash)]
    moves = cash.moves[(cash.moves["record"] == kind.record).to_numpy()]
    loose = unrecorded_of(rows, kind.record)
    paired = (rows["record"] == kind.record).to_numpy()
    rows = rows[loose | paired]
    currencies = sorted({*moves.loc[moves["in_month"], "currency"], *rows["value_currency"]})
    if not currencies and moves.empty:
        return [unknown(kind.check, f"There are no {kind.record}.")]
    return [_one(cash, kind, code, (rows, moves), transit_days) for code in currencies]


class _Side:
    """Collects items that all go one way."""

    def __init__(self, kind: _Kind) -> None:
        self.sign = kind.sign
        self.found: list[pd.DataFrame] = []

    def add(
        self,
        frame: pd.DataFrame,
        amount: Ints,
        what: str,
        where: tuple[Side, Nature],
        text: str,
    ) -> int:
        """Add items; gives back their sum."""
        out = items(frame, self.sign * amount, what, where[0], where[1], text)
        self.found.append(out)
        return int(out["amount_minor"].sum())


def _one(
    cash: Cash,
    kind: _Kind,
    code: str,
    both: tuple[pd.DataFrame, pd.DataFrame],
    transit_days: int,
) -> Balance:
    rows = both[0][(both[0]["value_currency"] == code).to_numpy()]
    moves = both[1][(both[1]["currency"] == code).to_numpy()]
    side = _Side(kind)
    booked = rows["value_minor"].to_numpy(np.int64)
    counts = (moves["expected"] | (moves["group"] >= 0)).to_numpy(dtype=bool)
    moves = moves[counts]
    amount = moves["amount_minor"].to_numpy(np.int64)
    in_month = moves["in_month"].to_numpy(dtype=bool)
    left = kind.sign * int(amount[in_month].sum())
    right = kind.sign * int(booked.sum())
    right += _timing(cash, side, moves, rows, transit_days)
    hidden = _unreached(moves, cash.month, transit_days), _in_gaps(moves, cash, transit_days)
    _differences(cash, side, moves, rows, transit_days)
    cause = _doubts(cash, side, moves, rows, hidden)
    return balanced(kind.check, "", code, (left, right), side.found, cause)


def _open(moves: pd.DataFrame) -> Bools:
    return np.asarray(moves["place"].isin(["", "pending"]).to_numpy() & moves["in_month"])


def _young(moves: pd.DataFrame, transit_days: int) -> Bools:
    pending = (moves["place"] == "pending").to_numpy()
    return np.asarray(pending | (moves["waited"] <= transit_days).to_numpy())


def _unseen(moves: pd.DataFrame) -> Bools:
    """Open movements of days for which there are no rows of their account."""
    return np.asarray(_open(moves) & moves["before_bank"].to_numpy(dtype=bool))


def _unreached(moves: pd.DataFrame, month: Month, transit_days: int) -> Bools:
    """Open movements that the bank may have booked after the last day that its rows cover.

    One that may be under way at the end of the month is on its way at any rate.
    """
    due = pd.Timestamp(month.last - timedelta(days=transit_days))
    hidden = _open(moves) & ~_unseen(moves) & (moves["place"] != "pending").to_numpy()
    hidden &= (moves["waited"] <= transit_days).to_numpy() & (moves["date"] < due).to_numpy()
    return np.asarray(hidden & ends_early(moves["reach"], month, transit_days))


def _in_gaps(moves: pd.DataFrame, cash: Cash, transit_days: int) -> Bools:
    """Open movements that the bank may have booked on days that are in none of its files."""
    out = np.zeros(len(moves), dtype=bool)
    until = moves["date"] + pd.Timedelta(days=transit_days)
    for account, after, before in cash.gaps.itertuples(index=False):
        mine = moves["account"].isin(["", account]) & (moves["date"] < before) & (until > after)
        out |= mine.to_numpy(dtype=bool)
    return out & _open(moves) & ~_unseen(moves) & (moves["place"] != "pending").to_numpy()


def _timing(
    cash: Cash, side: _Side, moves: pd.DataFrame, rows: pd.DataFrame, transit_days: int
) -> int:
    """What the bank has not booked yet, and what it booked in another month than it is dated."""
    amount = moves["amount_minor"].to_numpy(np.int64)
    waiting = _open(moves) & _young(moves, transit_days) & ~_unseen(moves)
    waiting &= ~_unreached(moves, cash.month, transit_days) & ~_in_gaps(moves, cash, transit_days)
    text = f"Not booked yet, and no more than {transit_days} days old where the bank's rows end."
    sum_ = side.add(moves[waiting], amount[waiting], "in-transit", ("right", "timing"), text)
    # What is booked again in this month is still of the month in which it was booked first.
    here = set(rows.loc[~rows["place"].isin(["tied", "booked-twice"]), "group"])
    all_rows = cash.rows[(cash.rows["group"] >= 0).to_numpy()]
    grouped = moves["group"].to_numpy()
    firm = (grouped >= 0) & (moves["place"] != "tied").to_numpy()
    in_month = moves["in_month"].to_numpy(dtype=bool)
    early = firm & ~in_month & np.isin(grouped, list(here))
    text = "Dated in an earlier month, and booked in this one."
    sum_ += side.add(moves[early], -amount[early], "of-earlier-month", ("right", "timing"), text)
    before = firm & in_month & ~np.isin(grouped, list(here))
    before &= np.isin(grouped, all_rows["group"].to_numpy())
    text = "Booked in an earlier month than the one in which it is dated."
    sum_ += side.add(moves[before], amount[before], "booked-before", ("right", "timing"), text)
    parts = whole_groups(cash, rows)
    parts = parts[~parts["in_month"].to_numpy(dtype=bool)]
    text = "Booked in an earlier month, and the rest of it in this one."
    value = parts["value_minor"].to_numpy(np.int64)
    return sum_ + side.add(parts, value, "booked-before", ("right", "timing"), text)


def _differences(
    cash: Cash, side: _Side, moves: pd.DataFrame, rows: pd.DataFrame, transit_days: int
) -> None:
    amount = moves["amount_minor"].to_numpy(np.int64)
    lost = _open(moves) & ~_young(moves, transit_days) & ~_unseen(moves)
    lost &= ~_in_gaps(moves, cash, transit_days)
    text = "Recorded as settled, and the bank has not booked it."
    side.add(moves[lost], amount[lost], "not-in-bank", ("difference", "error"), text)
    for place, what, text in (
        ("not-recorded", "not-recorded", "Booked by the bank, and in no record."),
        ("returned", "returned", "Came back by the bank's word, and no record says so."),
        ("booked-twice", "booked-twice", "Booked again for what is booked once already."),
    ):
        mine = (rows["place"] == place).to_numpy()
        value = rows["value_minor"].to_numpy(np.int64)[mine]
        side.add(rows[mine], -value, what, ("difference", "error"), text)
    found = differing_groups(moves, whole_groups(cash, rows))
    text = "Recorded with one amount, and booked with another."
    gap = found["gap_minor"].to_numpy(np.int64)
    side.add(found, gap, "amount-differs", ("difference", "error"), text)


def whole_groups(cash: Cash, rows: pd.DataFrame) -> pd.DataFrame:
    """All rows, of earlier months too, of the groups to which some rows of this month belong."""
    there = cash.rows[cash.rows["place"].isin(_TOGETHER).to_numpy()]
    mine = rows.loc[rows["place"].isin(_TOGETHER).to_numpy(), "group"]
    return pd.DataFrame(there[there["group"].isin(mine).to_numpy()])


def differing_groups(moves: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Groups whose rows do not move what their movements say.

    ``group, gap_minor`` (movements less rows), and ``name, date, evidence`` of the first row. The
    rows are those of whole groups: what the month before has of a group is part of it.
    """
    owed = moves.loc[moves["place"].isin(_TOGETHER), ["group", "amount_minor"]]
    sums = owed.groupby("group")["amount_minor"].sum()
    mine = rows.groupby("group").agg(
        value=("value_minor", "sum"), date=("date", "max"), evidence=("evidence", "first")
    )
    first = moves.drop_duplicates("group").set_index("group")
    names = pd.DataFrame({"name": first["name"], "recorded": first["evidence"]})
    out = mine.join(sums, how="inner").join(names)
    out["gap_minor"] = out["amount_minor"] - out["value"]
    out["evidence"] = out["evidence"] + "; " + out["recorded"]
    return out[(out["gap_minor"] != 0).to_numpy()].reset_index()


def _doubts(
    cash: Cash, side: _Side, moves: pd.DataFrame, rows: pd.DataFrame, hidden: tuple[Bools, Bools]
) -> str:
    """What keeps the balance from being told: ties, what nobody has confirmed, days not seen.

    ``hidden``: movements that may be booked after the bank's rows end, and on days that they lack.
    """
    tied_rows = (rows["place"] == "tied").to_numpy()
    tied_moves = ((moves["place"] == "tied") & moves["in_month"]).to_numpy(dtype=bool)
    text = "More than one way: which row is of which record cannot be told."
    value = rows["value_minor"].to_numpy(np.int64)
    owed = moves["amount_minor"].to_numpy(np.int64)
    side.add(rows[tied_rows], -value[tied_rows], "tied-row", ("difference", "unknown"), text)
    side.add(moves[tied_moves], owed[tied_moves], "tied-record", ("difference", "unknown"), text)
    unseen = _unseen(moves)
    text = "Dated before the bank's first row."
    side.add(moves[unseen], owed[unseen], "before-the-bank", ("difference", "unknown"), text)
    where: tuple[Side, Nature] = ("difference", "unknown")
    unreached, lacking = hidden[0] & ~hidden[1], hidden[1]
    text = "Whether it was booked cannot be told: the bank's rows end before it had to be."
    side.add(moves[unreached], owed[unreached], "after-the-bank", where, text)
    text = "Whether it was booked cannot be told: days on which it could be are in no file."
    side.add(moves[lacking], owed[lacking], "on-missing-days", where, text)
    suggested = (rows["place"] == "suggested").to_numpy()
    said = rows[suggested]
    of = moves[moves["group"].isin(said["group"])]
    names = of.groupby("group")["name"].agg(", ".join)
    for at in range(len(said)):
        one = said.iloc[at : at + 1]
        sums = names.get(one["group"].iloc[0], "")
        shown = major_text(one["value_minor"].abs().astype("Int64"), one["value_currency"]).iloc[0]
        text = f"{shown} is what {sums} add up to, and nothing else says that it pays them."
        side.add(one, 0 * value[:1], "suggested", ("right", "unknown"), text)
    causes = ["Some rows of the bank are tied."] * bool(tied_rows.any() or tied_moves.any())
    causes += ["The bank's rows begin too late."] * bool(unseen.any())
    if unreached.any():
        ends = sorted(set(moves.loc[unreached, "reach"].dt.strftime("%Y-%m-%d")))
        causes.append(f"The bank's rows end on {' and '.join(ends)}.")
    if lacking.any():
        causes.append(told_missing(cash.gaps))
    causes += ["A sum is suggested and not confirmed."] * bool(suggested.any())
    return " ".join(causes)
