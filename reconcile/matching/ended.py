"""What went on at a supplier order that had come to its end: sent after it was called off."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.billing import is_replacement
from reconcile.matching.columns import Days, days, earliest, has
from reconcile.matching.tie import Tied

_NO_DAY = np.datetime64("NaT", "s")


def add_sent_after_end(facts: pd.DataFrame, tied: Tied, parcels: pd.DataFrame) -> None:
    """Add to the facts of supplier orders whether something was sent after their end.

    Said on the row that speaks for the supplier order; replacements are a matter of their own.
    """
    groups = len(tied.supplier_orders)
    end = _ends(facts, tied)
    owner, sent = _dispatches(tied, parcels)
    closed = np.full(groups, _NO_DAY)
    closed[facts["supplier_order"].to_numpy()] = end
    after = sent > closed[owner]
    first = earliest(owner[after], sent[after], groups)[facts["supplier_order"].to_numpy()]
    any_sent = has(owner, groups)[facts["supplier_order"].to_numpy()]
    mine = facts["main"].to_numpy(dtype=bool)
    dateless = (facts["nothing_live"].to_numpy() & np.isnat(end)) & any_sent & mine
    facts["sent_after_end"] = pd.arrays.BooleanArray(~np.isnat(first) & mine, dateless)
    facts["ended_date"] = end
    facts["sent_after_date"] = first


def _ends(facts: pd.DataFrame, tied: Tied) -> Days:
    """The day on which each was cancelled or refunded in full, the earlier one; NaT where not."""
    orders = tied.orders.orders.iloc[facts["order"].to_numpy()].reset_index(drop=True)
    cancelled, refunded = days(orders, "cancelled_date"), days(orders, "refunded_date")
    # Where the order goes on, all lines of this supplier may still have been given back.
    own = facts["nothing_live"].to_numpy() & np.isnat(cancelled)
    whole = orders["refunded_in_full"].to_numpy(dtype=bool) | own
    return np.asarray(np.fmin(cancelled, np.where(whole, refunded, _NO_DAY)))


def _dispatches(tied: Tied, parcels: pd.DataFrame) -> tuple[np.ndarray, Days]:
    """Supplier order and day of every parcel line, under whichever supplier's name it came."""
    shipments = tied.shipments
    sent = days(shipments, "shipped_date")
    original = ~is_replacement(shipments)
    by_line = parcels["shipment"].to_numpy()
    line_owner = tied.lines["supplier_order"].to_numpy()
    owner = np.concatenate(
        [shipments["supplier_order"].to_numpy(), line_owner[parcels["line"].to_numpy()]]
    )
    at = np.concatenate([np.arange(len(shipments)), by_line])
    with_lines = has(line_owner, len(tied.supplier_orders))
    keep = (owner >= 0) & original[at]
    keep[keep] &= with_lines[owner[keep]]
    return owner[keep], sent[at[keep]]
