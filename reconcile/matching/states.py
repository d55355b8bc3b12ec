"""The state of every order line: exactly one of a closed list."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, days, masked, text
from reconcile.matching.moneys import Moneys
from reconcile.matching.tie import Tied

STATES = (
    "cancelled",
    "refunded",
    "unfunded",
    "to-pay",
    "to-ship",
    "no-tracking",
    "to-post",
    "in-transit",
    "delivered",
    "unknown",
)


def states(
    tied: Tied, money: Moneys, facts: pd.DataFrame, orders: pd.DataFrame
) -> tuple[pd.DataFrame, Ints]:
    """Order lines as people read them, in order of reference and line; and the order of each.

    Columns: ``order_ref, store, line_no, sku, supplier, ordered_date, state``, the quantities
    ``ordered, live, billed, shipped``, ``posted``, ``delivered_date``, ``currency`` and the
    line's ``agreed_minor, billed_minor, paid_minor``.
    """
    lines = tied.lines
    mine = tied.orders.orders.iloc[lines["order"].to_numpy()].reset_index(drop=True)
    doubt = (orders["undecided"] > 0) | orders["perhaps_paid"]
    undecided = doubt.groupby(orders["supplier_order"]).any().sort_index().to_numpy()
    unsure = undecided[facts["supplier_order"].to_numpy()]
    out = pd.DataFrame(
        {
            "order_ref": mine["order_ref"],
            "store": mine["store"],
            "line_no": text(lines, "line_no"),
            "sku": lines["sku"],
            "supplier": lines["supplier"],
            "ordered_date": lines["ordered_date"],
            "state": _state(lines, mine, facts, unsure),
            "ordered": lines["ordered"],
            "live": lines["live"],
            "billed": _billed_units(tied, money),
            "shipped": lines["shipped"],
            "posted": text(lines, "tracking_no"),
            "delivered_date": lines["delivered_date"],
            "currency": facts["currency"],
            "agreed_minor": lines["agreed_minor"],
            "billed_minor": masked(lines["billed_minor"], np.zeros(len(lines), dtype=bool)),
            "paid_minor": masked(lines["paid_minor"], np.zeros(len(lines), dtype=bool)),
        }
    )
    place = as_read(mine["store"], mine["key"])
    return out.take(place).reset_index(drop=True), lines["order"].to_numpy(np.int64)[place]


def as_read(store: pd.Series, key: pd.Series) -> Ints:
    """The order in which orders are read: by store, short references first, else as they stand."""
    frame = pd.DataFrame({"store": store, "width": key.str.len(), "key": key})
    frame = frame.reset_index(drop=True).sort_values(list(frame.columns), kind="stable")
    return frame.index.to_numpy(np.int64)


def _state(
    lines: pd.DataFrame, orders: pd.DataFrame, facts: pd.DataFrame, unsure: np.ndarray
) -> np.ndarray:
    funded = facts["funded"]
    sent = ((lines["shipped"] >= lines["live"]) & (lines["shipped"] > 0)).to_numpy()
    paid = facts["paid_in_full"].to_numpy()
    posted = facts["posted"].fillna(value=True).to_numpy(dtype=bool)
    numbered = facts["has_number"].to_numpy()
    conditions = [
        orders["cancelled"].to_numpy(),
        (lines["live"] == 0).to_numpy(),
        sent & ~np.isnat(days(lines, "delivered_date")),
        sent & ~numbered,
        sent & ~posted,
        sent,
        funded.isna().to_numpy() | (unsure & ~paid),
        ~funded.fillna(value=False).to_numpy(dtype=bool),
        ~paid,
    ]
    names = (
        "cancelled", "refunded", "delivered", "no-tracking", "to-post", "in-transit",
        "unknown", "unfunded", "to-pay",
    )  # fmt: skip
    return np.select(conditions, names, default="to-ship").astype(object)


def _billed_units(tied: Tied, money: Moneys) -> np.ndarray:
    """Billed units of each line, in the shop's units, handed out in line order."""
    bills, components = money.bills, tied.components
    per_item = np.zeros(len(tied.items), dtype=np.int64)
    np.add.at(per_item, bills["item"].to_numpy(np.int64), bills["billed_qty"].to_numpy(np.int64))
    item, part = components["item"].to_numpy(), components["line"].to_numpy()
    need = tied.lines["ordered"].to_numpy()[part] * components["units"].to_numpy()
    before = pd.Series(need).groupby(item).cumsum().to_numpy(np.int64) - need
    last = ~pd.Series(item).duplicated(keep="last").to_numpy()
    rest = per_item[item] - before if len(item) else need
    given = np.where(last, np.maximum(rest, 0), np.clip(rest, 0, need))
    out = np.zeros(len(tied.lines), dtype=np.int64)
    np.maximum.at(out, part, given // components["units"].to_numpy())
    return out
