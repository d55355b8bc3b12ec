"""Tracking numbers that were used before, for somebody else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.columns import (
    Ints,
    days,
    first_rows,
    has,
    numbered,
    places,
    text,
    texts_at,
)
from reconcile.matching.parcel_numbers import is_damaged, number_parts
from reconcile.matching.tie import Tied

_NO_DAY = np.datetime64("NaT", "s")
_PLACE = ["code", "day", "ordered", "width", "key", "store"]


@dataclass(frozen=True)
class Borne:
    """The numbers that parcels bear: ``row``, whose each is; ``code``, which it is of ``names``."""

    row: Ints
    code: Ints
    names: pd.Series


def borne(shipments: pd.DataFrame) -> Borne:
    """Read the numbers of the parcels; what a spreadsheet has changed is none."""
    shown = text(shipments, "tracking_no").where(~is_damaged(shipments), "")
    parts = number_parts(shown, words=False)
    [code], names = numbered(parts["number"])
    return Borne(parts["at"].to_numpy(np.int64), code, names)


def add_reused(facts: pd.DataFrame, tied: Tied, numbers: Borne) -> None:
    """Add to the facts of supplier orders which of their numbers was used before.

    ``numbers`` are those of the shipments that are tied.

    Before is an earlier dispatch; on one day, that of the older order. Of several numbers the one
    that was used last counts. Said on the row that speaks for the supplier order.
    """
    found = _reused(tied, numbers)
    found = found.sort_values(
        ["owner", "sure", "days", "number"], ascending=[True, False, True, True]
    )
    found = found.drop_duplicates("owner")
    place = places(found["owner"].to_numpy(np.int64), len(tied.supplier_orders))
    place = place[facts["supplier_order"].to_numpy()]
    mine = facts["main"].to_numpy(dtype=bool)
    sure = np.append(found["sure"].to_numpy(dtype=bool), False)[place]
    unsure = (place >= 0) & ~sure
    facts["number_reused"] = pd.arrays.BooleanArray(sure & mine, unsure & mine)
    facts["reused_number"] = texts_at(found["number"], place)
    facts["reused_days"] = np.append(found["days"].to_numpy(np.int64), 0)[place]
    facts["reused_date"] = np.append(days(found, "day"), _NO_DAY)[place]
    facts["used_before_date"] = np.append(days(found, "before"), _NO_DAY)[place]
    facts["used_before_order"] = texts_at(found["other"], place)


def _reused(tied: Tied, numbers: Borne) -> pd.DataFrame:
    """Every use of a number after another order's: ``owner, number, day, days, before, other``.

    ``sure`` says whether the recipients are known to be two.
    """
    uses = _uses(tied, numbers)
    code, number = uses["code"].to_numpy(), uses["number"]
    uses["before"], uses["other"], uses["sure"] = np.datetime64("NaT", "s"), "", False
    known = uses[(uses["recipient"] >= 0).to_numpy()]
    at = _last_of_another(known)
    _tell(uses, known.index.to_numpy(), at, known.index.to_numpy(), sure=True)
    # Where either recipient is blank, nobody can say.
    blank = (uses["recipient"] < 0).to_numpy()
    nth = uses.groupby("code").cumcount().to_numpy()
    earlier_blank = pd.Series(blank.astype(np.int64)).groupby(code).cumsum().to_numpy() - blank
    torn = ~uses["sure"].to_numpy(dtype=bool) & (nth > 0) & (blank | (earlier_blank > 0))
    place = np.arange(len(uses))
    _tell(uses, place, np.where(torn, place - 1, -1), place, sure=False)
    found = uses[uses["before"].notna()].copy()
    found["number"] = number[found.index]
    found["days"] = (found["day"] - found["before"]).dt.days
    return pd.DataFrame(found)


def _tell(
    uses: pd.DataFrame, rows: np.ndarray, at: np.ndarray, places: np.ndarray, *, sure: bool
) -> None:
    """Write the use before, at a place in ``places``, beside each row that has one."""
    hit = at >= 0
    mine, before = rows[hit], places[at[hit]]
    uses.loc[mine, "before"] = uses["day"].to_numpy()[before]
    uses.loc[mine, "other"] = uses["order_ref"].to_numpy()[before]
    uses.loc[mine, "sure"] = sure


def _last_of_another(known: pd.DataFrame) -> np.ndarray:
    """For each use the place of the last one before it by another recipient, -1 where none."""
    if known.empty:
        return np.zeros(0, dtype=np.int64)
    code, recipient = known["code"].to_numpy(), known["recipient"].to_numpy()
    place = np.arange(len(known))
    begins = np.ones(len(known), dtype=bool)
    begins[1:] = (code[1:] != code[:-1]) | (recipient[1:] != recipient[:-1])
    run = np.maximum.accumulate(np.where(begins, place, 0)) - 1
    same = (run >= 0) & (code[np.maximum(run, 0)] == code)
    return np.asarray(np.where(same, run, -1))


def _uses(tied: Tied, numbers: Borne) -> pd.DataFrame:
    """Numbers that several orders bear: each order once, in order of number and first use."""
    shipments, orders = tied.shipments, tied.orders.orders
    order = shipments["order"].to_numpy()[numbers.row]
    owner = shipments["supplier_order"].to_numpy()[numbers.row]
    known = np.flatnonzero((order >= 0) & (owner >= 0))
    at, order, owner = numbers.row[known], order[known], owner[known]
    code, names = numbers.code[known], numbers.names
    # Most numbers stand for one order alone: nothing more is asked of those.
    first = first_rows(code, len(names))
    several = has(code[order != order[first[code]]], len(names))[code]
    uses = pd.DataFrame({"code": code[several], "order": order[several], "owner": owner[several]})
    uses["day"] = days(shipments, "shipped_date")[at[several]]
    uses = uses.sort_values(["code", "order", "day", "owner"]).drop_duplicates(["code", "order"])
    columns = ["ordered_date", "key", "store", "order_ref"]
    mine = orders[columns].take(uses["order"].to_numpy()).reset_index(drop=True)
    uses = uses.reset_index(drop=True).assign(
        ordered=mine["ordered_date"], width=mine["key"].str.len(), key=mine["key"],
        store=mine["store"], order_ref=mine["order_ref"],
    )  # fmt: skip
    uses["recipient"] = _recipients(tied, uses["order"].to_numpy())
    uses["number"] = texts_at(names, uses["code"].to_numpy())
    placed: pd.DataFrame = uses.sort_values(_PLACE).reset_index(drop=True)
    return placed


def _recipients(tied: Tied, orders: np.ndarray) -> np.ndarray:
    """A number for the recipient of each of these orders, -1 where none is given."""
    order = tied.lines["order"].to_numpy()
    rows = np.flatnonzero(has(orders, len(tied.orders.orders))[order])
    keys = text(tied.lines, "recipient_key").take(rows)
    given = pd.DataFrame({"order": order[rows], "key": keys})[(keys != "").to_numpy()]
    first = given.sort_values(["order", "key"]).drop_duplicates("order").set_index("order")["key"]
    codes, _ = pd.factorize(pd.Series(orders).map(first))
    return np.asarray(codes, dtype=np.int64)
