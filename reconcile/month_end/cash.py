"""The bank's rows and the shop's own movements once they are paired: what the bank checks read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pandas as pd

from reconcile.matching.columns import Bools, Ints
from reconcile.month_end.bank_rows import bank_rows
from reconcile.month_end.free_text import keys_of, named_in
from reconcile.month_end.movements import movements
from reconcile.month_end.pairing import OPEN, Pairing, pair
from reconcile.month_end.period import Month
from reconcile.month_end.reach import ends_early

_LOOK_BACK = 92  # days before the month in which a movement may have begun
# Days before these that are paired too, so that a row of the first days finds its own movement,
# and is not taken for that of another one.
_MARGIN = 60


@dataclass(frozen=True)
class Cash:
    """What the bank checks read.

    ``rows``: every row of the bank up to the month's end, in order, with ``place``, ``group`` and
    ``in_month``; places are those of the pairing, and of rows that it left open ``charge``,
    ``interest``, ``returned`` or ``not-recorded``; rows that move nothing are ``pending`` or
    ``balance``; booked rows too long before the month are ``earlier``. ``record``, ``value_minor``
    and ``value_currency`` say what a paired row moves, in the currency of its movement.
    ``moves``: the movements with ``place`` (also ``pending``), ``group``, ``in_month`` and
    ``waited`` (days from it to the last day that its account's rows cover, ``reach``).
    ``accounts``: one row per account and currency with its ``first`` day and its ``reach``.
    ``gaps``: days that are in no file of an account, ``account, after, before``.
    """

    month: Month
    rows: pd.DataFrame
    moves: pd.DataFrame
    accounts: pd.DataFrame
    gaps: pd.DataFrame
    how: tuple[str, ...]


def cash_of(
    records: Mapping[str, pd.DataFrame],
    parts: Mapping[tuple[str, str], pd.DataFrame],
    month: Month,
    files: Sequence[str],
    reach: pd.Series,
    gaps: pd.DataFrame,
) -> Cash:
    """Pair the bank with the movements of the month and of those before it.

    ``reach``: the last day that the bank's rows cover, by account. ``gaps``: days that they lack.
    """
    everything = bank_rows(records["bank"], files)
    accounts = everything.groupby(["account", "currency"], as_index=False).agg(
        first=("date", "min")
    )
    accounts["reach"] = accounts["account"].map(reach)
    moves = movements(records, sorted(set(accounts["account"])), files)
    since = str(month.first - timedelta(days=_LOOK_BACK + _MARGIN))
    moves = moves[(moves["date"] >= since).to_numpy()].reset_index(drop=True)
    recent = (everything["date"] >= since).to_numpy()
    booked = recent & (everything["status"] == "booked").to_numpy()
    rows = everything[booked].reset_index(drop=True)
    keys = keys_of(moves, parts)
    work = pair(rows, moves, named_in(rows, keys))
    moves = _placed_moves(moves, work, everything[recent], parts)
    moves["in_month"] = month.holds(moves["date"])
    rows = _placed_rows(rows, moves, work)
    begun = (moves["date"] >= str(month.first - timedelta(days=_LOOK_BACK))).to_numpy()
    moves = moves[begun | (moves["place"] != OPEN).to_numpy()]
    out = everything.assign(place=everything["status"].replace("booked", "earlier"), group=-1)
    for name, blank in (("record", ""), ("value_minor", 0), ("value_currency", "")):
        out[name] = blank
    names = ["place", "group", "record", "value_minor", "value_currency"]
    for name in names:
        column = out[name].to_numpy(copy=True).astype(object)
        column[booked] = rows[name].to_numpy()
        out[name] = pd.Series(column, index=out.index).astype(out[name].dtype)
    out["in_month"] = month.holds(out["date"])
    out["name"] = out["account"]
    moves = _with_accounts(moves, out, accounts)
    return Cash(month, out, moves, accounts, gaps, tuple(work.how))


def _placed_moves(
    moves: pd.DataFrame,
    work: Pairing,
    rows: pd.DataFrame,
    parts: Mapping[tuple[str, str], pd.DataFrame],
) -> pd.DataFrame:
    """The movements with their places; what is open may be pending at the bank."""
    out = moves.assign(place=work.movement_place, group=work.movement_group)
    pending = rows[(rows["status"] == "pending").to_numpy()].reset_index(drop=True)
    left = np.flatnonzero((out["place"] == OPEN).to_numpy())
    waiting = out.iloc[left].reset_index(drop=True)
    if len(pending) and len(waiting):
        found = pair(pending, waiting, named_in(pending, keys_of(waiting, parts)))
        place = out["place"].to_numpy(copy=True)
        place[left[found.movement_place == "matched"]] = "pending"
        out["place"] = place
    out["expected"] |= _has_to_come_back(out)
    return out.astype({"place": "str"})


def _has_to_come_back(moves: pd.DataFrame) -> Bools:
    """Returns of payments that failed or were reversed, and that the bank has taken."""
    taken = (moves["place"] == "matched") & (moves["kind"] != "returned")
    taken &= (moves["record"] == "payments") & ~moves["settled"]
    back = (moves["kind"] == "returned") & moves["row_id"].isin(moves.loc[taken, "row_id"])
    return np.asarray(back.to_numpy(dtype=bool))


def _placed_rows(rows: pd.DataFrame, moves: pd.DataFrame, work: Pairing) -> pd.DataFrame:
    place = work.row_place.copy()
    reference = rows["reference"]
    open_ = place == OPEN
    place[open_] = "not-recorded"
    for word in ("returned", "interest", "charge"):
        said = reference.str.contains(rf"\b{word}\b").to_numpy(dtype=bool)
        place[open_ & said] = word
    out = rows.assign(place=place, group=work.row_group).astype({"place": "str"})
    first = moves[moves["group"] >= 0].drop_duplicates("group").set_index("group")
    mine = first.reindex(out["group"]).reset_index(drop=True)
    out["record"] = mine["record"].astype("str").fillna("")
    currency = mine["currency"].fillna(out["currency"]).astype("str")
    owed = moves[moves["group"] >= 0].groupby("group")["amount_minor"].sum()
    edges = pd.DataFrame({"row": np.arange(len(out)), "movement": -1})
    first_move = pd.Series(first.index, dtype="int64")
    at = pd.Series(_first_places(moves), dtype="int64")
    edges["movement"] = out["group"].map(dict(zip(first_move, at, strict=True))).fillna(-1)
    edges = edges[edges["movement"] >= 0].astype("int64")
    value = out["amount_minor"].to_numpy(np.int64, copy=True)
    told_value, told = work.values(edges)
    whole = owed.reindex(out["group"].iloc[edges["row"]]).to_numpy()
    value[edges["row"]] = np.where(told, told_value, whole)
    return out.assign(value_minor=value, value_currency=currency)


def _first_places(moves: pd.DataFrame) -> Ints:
    """The position of the first movement of each group."""
    grouped = np.flatnonzero((moves["group"] >= 0).to_numpy())
    first = ~moves["group"].iloc[grouped].duplicated().to_numpy()
    return np.asarray(grouped[first], dtype=np.int64)


def _with_accounts(moves: pd.DataFrame, rows: pd.DataFrame, accounts: pd.DataFrame) -> pd.DataFrame:
    """Which account each movement is of, "" where that is not told, and how long it has waited.

    Its channel's; its bank row's; the only one in its currency; the one that all others of its
    record, channel and currency are of.
    """
    out = moves.reset_index(drop=True)
    paired = rows[(rows["group"] >= 0).to_numpy()].drop_duplicates("group")
    of_group = paired.set_index("group")["account"]
    account = out["account"].where(
        out["account"] != "", out["group"].map(of_group).astype("str").fillna("")
    )
    only = accounts[~accounts["currency"].duplicated(keep=False)].set_index("currency")["account"]
    account = account.where(account != "", out["currency"].map(only).astype("str").fillna(""))
    alike = ["record", "channel", "currency"]
    known = out[alike].assign(a=account)
    usual = known[known["a"] != ""].drop_duplicates()
    usual = usual[~usual.duplicated(alike, keep=False)]
    usual_of = known[alike].merge(usual, how="left")["a"].astype("str").fillna("")
    account = account.where(account != "", usual_of)
    out["account"] = account.astype("str")
    ends = accounts[["account", "currency", "first"]]
    mine = out[["account", "currency"]].merge(ends, on=["account", "currency"], how="left")
    out["reach"] = _reach(out, accounts)
    seconds = (out["reach"] - out["date"]).to_numpy().astype("timedelta64[s]")
    out["waited"] = seconds.astype(np.int64) // 86_400
    out["before_bank"] = (out["date"] < mine["first"]).to_numpy()
    return out


def _reach(moves: pd.DataFrame, accounts: pd.DataFrame) -> pd.Series:
    """The last day that is covered of each movement's account.

    Where the account is not told, it may be any of its currency, or of all where none is: that
    which ends first.
    """
    of_account = moves["account"].map(accounts.groupby("account")["reach"].max())
    of_currency = moves["currency"].map(accounts.groupby("currency")["reach"].min())
    reach = of_account.fillna(of_currency).fillna(accounts["reach"].min())
    return reach.astype("datetime64[s]")


def cut_short(cash: Cash, account: str, transit_days: int) -> str:
    """Why an account's rows do not tell the whole month; blank where they do."""
    mine = cash.accounts[(cash.accounts["account"] == account).to_numpy()]
    if not ends_early(mine["reach"], cash.month, transit_days).any():
        return ""
    ends = f"The bank's rows of this account end on {mine['reach'].iloc[0].date()}"
    return f"{ends}: what was booked later is not known. If nothing was, say so with covered_to."


def own_rows(cash: Cash) -> Bools:
    """Rows of the month that moved money."""
    moved = ~cash.rows["place"].isin(["pending", "balance"])
    return np.asarray((cash.rows["in_month"] & moved).to_numpy(dtype=bool))
