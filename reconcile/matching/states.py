"""The state of every order line: exactly one of a closed list."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.matching.columns import (
    Bools,
    Ints,
    as_array,
    combined,
    days,
    has,
    in_order,
    masked,
    places,
    ranked,
    text,
    texts_at,
)
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


def states(tied: Tied, facts: pd.DataFrame, orders: pd.DataFrame) -> tuple[pd.DataFrame, Ints]:
    """Order lines as people read them, in order of reference and line; and the order of each.

    Columns: ``order_ref, store, line_no, sku, supplier, ordered_date, state``, the quantities
    ``ordered, live, billed, shipped``, ``posted``, ``delivered_date``, ``currency`` and the
    line's ``agreed_minor, billed_minor, paid_minor``.
    """
    lines = tied.lines
    orders_of, order = tied.orders.orders, lines["order"].to_numpy()
    doubt = ((orders["undecided"] > 0) | orders["perhaps_paid"]).to_numpy(dtype=bool)
    undecided = has(orders["supplier_order"].to_numpy()[doubt], len(tied.supplier_orders))
    unsure = undecided[lines["supplier_order"].to_numpy()]
    cancelled = orders_of["cancelled"].to_numpy(dtype=bool)[order]
    nothing = np.zeros(len(lines), dtype=bool)
    out = pd.DataFrame(
        {
            "order_ref": texts_at(orders_of["order_ref"], order),
            "store": texts_at(orders_of["store"], order),
            "line_no": text(lines, "line_no"),
            "sku": lines["sku"],
            "supplier": lines["supplier"],
            "ordered_date": lines["ordered_date"],
            "state": _state(lines, cancelled, facts, unsure),
            "ordered": lines["ordered"],
            "live": lines["live"],
            "billed": lines["billed"],
            "shipped": lines["shipped"],
            "posted": text(lines, "tracking_no"),
            "delivered_date": lines["delivered_date"],
            "currency": facts["currency"],
            "agreed_minor": lines["agreed_minor"],
            "billed_minor": masked(lines["billed_minor"], nothing),
            "paid_minor": masked(lines["paid_minor"], nothing),
        }
    )
    place = as_read(orders_of, order)
    if (place[1:] > place[:-1]).all():
        return out, order
    return out.take(place).reset_index(drop=True), order[place]


def as_read(orders: pd.DataFrame, order: Ints) -> Ints:
    """The rows of these orders as they are read: by store, short references first."""
    return in_order(_reading_order(orders)[order])


def _reading_order(orders: pd.DataFrame) -> Ints:
    """The place of each order by store, then by reference: short ones before long ones."""
    [store], _ = ranked(orders["store"])
    width = orders["key"].str.len().to_numpy(np.int64)
    keys = as_array(orders["key"])
    group = combined(store, width)
    rising = np.asarray(pc.less_equal(keys[:-1], keys[1:]).to_numpy(zero_copy_only=False))
    if ((group[1:] > group[:-1]) | ((group[1:] == group[:-1]) & rising)).all():
        return np.arange(len(orders))
    table = pa.table({"group": group, "key": keys})
    place = pc.sort_indices(table, sort_keys=[("group", "ascending"), ("key", "ascending")])
    return places(place.to_numpy().astype(np.int64), len(orders))


def _state(lines: pd.DataFrame, cancelled: Bools, facts: pd.DataFrame, unsure: Bools) -> pd.Series:
    funded = facts["funded"]
    sent = ((lines["shipped"] >= lines["live"]) & (lines["shipped"] > 0)).to_numpy()
    paid = facts["paid_in_full"].to_numpy()
    posted = facts["posted"].fillna(value=True).to_numpy(dtype=bool)
    numbered = facts["has_number"].to_numpy()
    conditions = [
        cancelled,
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
        "unknown", "unfunded", "to-pay", "to-ship",
    )  # fmt: skip
    code = np.select(conditions, range(len(conditions)), default=len(conditions))
    return texts_at(pd.Series(names, dtype="str"), code)
