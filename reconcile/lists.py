"""Lists to act on that take more than exceptions: what is safe to pay, and what to post."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.joined import joined_texts
from reconcile.matching.match import Matched


def safe_to_pay(exceptions: pd.DataFrame, matched: Matched) -> pd.DataFrame:
    """Supplier orders that are safe to pay now: due or soon due, and nothing speaks against it."""
    facts = matched.tables["supplier_orders"]
    mine = exceptions[
        exceptions["rule"].isin(["unpaid", "part-paid"])
        & exceptions["verdict"].isin(["open", "waiting"])
    ]
    rows = facts.iloc[mine["at"].to_numpy(np.int64)].reset_index(drop=True)
    mine = mine.reset_index(drop=True)
    safe = rows["payable"].notna() & (rows["unpaid_rest"] > 0) & (rows["pending"] == 0)
    for doubt in ("unread_row", "paid_in_other_currency", "invoice_awaited"):
        safe &= ~rows[doubt]
    safe &= rows["undecided"] == 0
    # One order with money in two currencies may be one debt told twice.
    several = facts["supplier_order"][facts["supplier_order"].duplicated()]
    safe &= ~rows["supplier_order"].isin(several)
    held = exceptions[(exceptions["list"] == "hold") & (exceptions["rule"] != "billed-twice")]
    safe &= ~rows["supplier_order"].isin(held["supplier_order"])
    out = mine[["order_ref", "supplier", "currency", "due_by", "id"]].assign(
        invoice_no=_invoice_numbers(rows, matched), amount_minor=rows["unpaid_rest"].astype("Int64")
    )
    names = ["order_ref", "supplier", "invoice_no", "amount_minor", "currency", "due_by", "id"]
    return out[safe.to_numpy(dtype=bool)][names].reset_index(drop=True)


def _invoice_numbers(rows: pd.DataFrame, matched: Matched) -> pd.Series:
    """The invoice numbers of each supplier order, in order, joined by a semicolon."""
    link = matched.links["invoices"]
    link = link[link["supplier_order"].isin(rows["supplier_order"])]
    numbers = matched.places["invoices"]["invoice_no"].iloc[link["row_id"].to_numpy()]
    frame = pd.DataFrame({"owner": link["supplier_order"].to_numpy(), "no": numbers.to_numpy()})
    frame = frame.drop_duplicates().sort_values(["owner", "no"])
    text = joined_texts(frame["owner"], frame["no"])
    return rows["supplier_order"].map(text).astype("str").fillna("")


def to_post(exceptions: pd.DataFrame, matched: Matched) -> pd.DataFrame:
    """Tracking numbers that the storefront lacks: order_ref, sku, carrier, tracking_no, id."""
    mine = exceptions[(exceptions["list"] == "post") & (exceptions["verdict"] == "open")]
    rows = matched.tables["order_lines"].iloc[mine["at"].to_numpy(np.int64)]
    known = (rows["first_number"] != "").to_numpy()  # else the supplier is asked first
    mine, rows = mine[known], rows[known]
    return pd.DataFrame(
        {
            "order_ref": mine["order_ref"].to_numpy(),
            "sku": mine["sku"].to_numpy(),
            "carrier": rows["carrier"].to_numpy(),
            "tracking_no": rows["first_number"].to_numpy(),
            "id": mine["id"].to_numpy(),
        }
    ).astype("str")
