"""Lists to act on that take more than exceptions: what is safe to pay, and what to post."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.joined import are_among, joined_texts
from reconcile.lean import plain
from reconcile.matching.match import Matched
from reconcile.matching.orders import OrderFinder


def safe_to_pay(exceptions: pd.DataFrame, matched: Matched) -> pd.DataFrame:
    """Supplier orders that are safe to pay now: due or soon due, and nothing speaks against it."""
    facts = matched.tables["supplier_orders"]
    chosen = exceptions["rule"].isin(["unpaid", "part-paid"]) & exceptions["verdict"].isin(
        ["open", "waiting"]
    )
    mine = plain(exceptions.loc[chosen, list(_OF_EXCEPTION)]).reset_index(drop=True)
    rows = facts[[*_OF_FACTS]].take(mine["at"].to_numpy(np.int64)).reset_index(drop=True)
    safe = rows["payable"].notna() & (rows["unpaid_rest"] > 0) & (rows["pending"] == 0)
    for doubt in _DOUBTS:
        safe &= ~rows[doubt]
    safe &= rows["undecided"] == 0
    # One order with money in two currencies may be one debt told twice.
    several = facts["supplier_order"][facts["supplier_order"].duplicated()]
    safe &= ~rows["supplier_order"].isin(several)
    against = exceptions["supplier_order"].iloc[_against(exceptions)]
    safe &= ~rows["supplier_order"].isin(against)
    mine, rows = (each[safe.to_numpy(dtype=bool)].reset_index(drop=True) for each in (mine, rows))
    # Nobody could tell which order a payment is for that bears such a reference.
    order = rows["order"].to_numpy(np.int64)
    lone = matched.orders[["order_ref", "key"]].iloc[order].rename(columns={"order_ref": "ref"})
    sure = find_orders(matched, lone)["order"].to_numpy() == order
    out = mine.assign(
        invoice_no=_invoice_numbers(rows, matched),
        amount_minor=rows["unpaid_rest"].astype("Int64"),
        owner=rows["supplier_order"],
    )
    return pd.DataFrame(out.loc[sure, list(_PAY)].reset_index(drop=True))


_DOUBTS = (
    *("unread_row", "paid_in_other_currency", "invoice_awaited"),
    *("perhaps_paid", "not_ruled_out"),
)
_OF_FACTS = ("supplier_order", "order", "payable", "unpaid_rest", "pending", "undecided", *_DOUBTS)
_OF_EXCEPTION = ("order_ref", "supplier", "currency", "due_by", "id", "at")
_PAY = (
    *("order_ref", "supplier", "invoice_no", "amount_minor", "currency", "due_by", "id"),
    *("at", "owner"),
)


def find_orders(matched: Matched, named: pd.DataFrame) -> pd.DataFrame:
    """The order that each reference (``ref``, ``key``) names, as a payment's would: ``order``.

    -1 where there is none, -2 where several could be meant.
    """
    orders, at = _near(matched.orders, named)
    found = OrderFinder(orders).find(named["key"], named["ref"])
    there = found >= 0
    found[there] = at[found[there]]
    return named.assign(order=found)


def _near(orders: pd.DataFrame, named: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
    """The orders that decide what references mean, and their numbers: few of all.

    Those that have one of the keys or references, and those that share either with one of them.
    """
    keys, refs = named["key"], named["ref"]
    for _ in range(2):
        mine = are_among(orders["key"], keys) | are_among(orders["order_ref"], refs)
        keys, refs = orders["key"][mine], orders["order_ref"][mine]
    return orders[mine], np.flatnonzero(mine)


def speaks_against(exceptions: pd.DataFrame) -> pd.Series:
    """Per supplier order what speaks against paying it, in a sentence; a decision silences it.

    Everything on the list hold, except what is billed twice, which is in no payable amount; and
    what is sold below the floor of the margin.
    """
    found = exceptions.iloc[_against(exceptions)].drop_duplicates("supplier_order")
    text = found["title"].str.lower() + ". " + found["explanation"]
    return text.set_axis(found["supplier_order"].to_numpy())


def _against(exceptions: pd.DataFrame) -> np.ndarray:
    """The places of exceptions that speak against paying their supplier order."""
    held = (exceptions["list"] == "hold") & (exceptions["rule"] != "billed-twice")
    lossy = (exceptions["rule"] == "sold-at-loss") & (exceptions["verdict"] == "open")
    found = (held | lossy) & (exceptions["verdict"] != "accepted")
    return np.flatnonzero(found & (exceptions["supplier_order"] >= 0))


def _invoice_numbers(rows: pd.DataFrame, matched: Matched) -> pd.Series:
    """The invoice numbers of each supplier order, in order, joined by a semicolon."""
    link = matched.links["invoices"]
    link = link[link["supplier_order"].isin(rows["supplier_order"])]
    numbers = matched.places["invoices"]["invoice_no"].loc[link["row_id"].to_numpy()]
    frame = pd.DataFrame({"owner": link["supplier_order"].to_numpy(), "no": numbers.array})
    frame = frame.drop_duplicates().sort_values(["owner", "no"])
    text = joined_texts(frame["owner"], frame["no"])
    return rows["supplier_order"].map(text).astype("str").fillna("")


def to_post(exceptions: pd.DataFrame, matched: Matched) -> pd.DataFrame:
    """Tracking numbers that the storefront lacks: order_ref, sku, carrier, tracking_no, id."""
    chosen = (exceptions["list"] == "post") & (exceptions["verdict"] == "open")
    mine = exceptions.loc[chosen, ["order_ref", "sku", "id", "at"]]
    rows = matched.tables["order_lines"].iloc[mine["at"].to_numpy(np.int64)]
    known = (rows["first_number"] != "").to_numpy()  # else the supplier is asked first
    mine, rows = mine[known], rows[known]
    return pd.DataFrame(
        {
            "order_ref": mine["order_ref"].array,
            "sku": mine["sku"].array,
            "carrier": rows["carrier"].array,
            "tracking_no": rows["first_number"].array,
            "id": mine["id"].array,
        }
    ).astype("str")
