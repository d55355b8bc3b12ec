"""The fact table of customer orders: what the customer owed, paid and got back."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import days, has, known, masked, number, starts, texts_at
from reconcile.matching.tie import Tied


def customer_orders(tied: Tied, brought: frozenset[str]) -> pd.DataFrame:
    """Every fact of ``facts.ORDERS``, in the currency of the order, and ``row_id`` of its row."""
    orders, lines = tied.orders.orders, tied.lines
    size = len(orders)
    first = _telling_rows(lines)
    paid_on = days(orders, "customer_paid_date")
    has_paid = ~np.isnat(paid_on)
    total, total_known = number(orders, "order_total_minor"), known(orders, "order_total_minor")
    paid, paid_known = number(orders, "customer_paid_minor"), known(orders, "customer_paid_minor")
    told = "customer_paid_at" in brought
    # Where payments are told and none is, nothing was paid.
    paid_known = paid_known | (told & ~has_paid)
    refunded = number(orders, "refunded_minor")
    out = pd.DataFrame({"order": np.arange(size), "supplier_order": -1, "supplier": ""})
    out["currency"] = texts_at(tied.names.currency, lines["currency_code"].to_numpy()[first])
    out["row_id"] = lines["row_id"].to_numpy()[first]
    out["customer_paid"] = pd.arrays.BooleanArray(has_paid, np.full(size, not told))
    out["cancelled"] = orders["cancelled"]
    out["refunded"] = refunded
    units = has(lines["order"].to_numpy()[number(lines, "refunded_qty") > 0], size)
    out["refund_told"] = units | (refunded > 0) | ~np.isnat(days(orders, "refunded_date"))
    out["order_total"] = masked(total, ~total_known)
    out["paid_amount"] = masked(paid, ~paid_known)
    unclear = ~(total_known & paid_known)
    kept = np.maximum(paid - refunded, 0)
    # Who keeps nothing has not paid too much, whatever the order costs.
    out["customer_excess"] = masked(
        np.where(unclear, 0, np.maximum(kept - total, 0)), unclear & ~(paid_known & (kept == 0))
    )
    out["customer_gap"] = masked(np.maximum(total - paid, 0), unclear)
    out["customer_paid_date"] = paid_on
    return out.astype({"supplier": "str", "currency": "str"})


def _telling_rows(lines: pd.DataFrame) -> np.ndarray:
    """For each order the row that gives its values: of the newest file with any, the first."""
    names = ("customer_paid_minor", "order_total_minor", "refunded_minor", "customer_paid_date")
    given = np.zeros(len(lines), dtype=bool)
    for name in names:
        given |= known(lines, name)
    keys = (lines["row"], lines["file"], lines["age"], ~given, lines["order"])
    place = np.lexsort(tuple(np.asarray(key) for key in keys))
    order = lines["order"].to_numpy()[place]
    return np.asarray(place[starts(order)])
