"""Payments that may belong to a supplier order although they were not allocated to it.

What could be paid already is never called unpaid: every supplier order that such a payment may
mean is told apart, whatever currency or spelling stands in the way.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import Bools, Ints, combined, distinct, has, pairs_of
from reconcile.matching.orders import AMBIGUOUS
from reconcile.matching.suppliers import BLANK
from reconcile.matching.tie import Tied


def doubtful(
    tied: Tied, shares: pd.DataFrame, named_invoice: pd.DataFrame, chosen: Bools, loose: Bools
) -> pd.DataFrame:
    """Pairs of a chosen payment and a supplier order that it may mean: ``payment``, ``owner``.

    A pair may be there more than once.
    ``shares``: what reached a supplier order (``payment``, ``owner``). ``named_invoice``:
    ``payment``, ``invoice`` (-1 where supplier, number and currency name none). ``loose``:
    payments that were not allocated in full.
    """
    pairs = pd.concat(
        [
            _ambiguous(tied),
            _by_number(tied, shares, named_invoice, loose),
            _elsewhere(tied, shares),
        ],
        ignore_index=True,
    )
    return pd.DataFrame(pairs[chosen[pairs["payment"].to_numpy(np.int64)]])


def stray_owners(tied: Tied) -> Bools:
    """Supplier orders without a line and without an invoice of their own.

    Only money, parcels and bills for another supplier's goods name them.
    """
    groups = len(tied.supplier_orders)
    backed = np.zeros(groups, dtype=bool)
    billed = tied.invoices["supplier_order"].to_numpy()[of_another(tied) < 0]
    for owner in (tied.lines["supplier_order"].to_numpy(), billed):
        backed[owner[owner >= 0]] = True
    return ~backed


def of_another(tied: Tied) -> Ints:
    """Whose goods each invoice line bills: a supplier's number, -1 where they may be its own.

    They are another's where the SKU is on lines of the order, each of them another supplier's.
    """
    invoices, lines = tied.invoices, tied.lines
    out = np.full(len(invoices), -1, dtype=np.int64)
    asked = np.flatnonzero(((invoices["item"] < 0) & (invoices["order"] >= 0)).to_numpy())
    if not len(asked):
        return out
    billed = invoices[["order", "sku_key", "supplier_code"]].take(asked).assign(at=asked)
    near = has(billed["order"].to_numpy(), len(tied.orders.orders))[lines["order"].to_numpy()]
    ordered = lines.loc[near, ["order", "sku_key", "supplier", "supplier_code"]]
    pairs = billed.merge(ordered, on=["order", "sku_key"], suffixes=("", "_of_line"))
    out[pairs["at"].to_numpy()] = pairs["supplier_code_of_line"].to_numpy()
    own = (pairs["supplier_code"] == pairs["supplier_code_of_line"]) | (pairs["supplier"] == "")
    out[pairs["at"].to_numpy()[own.to_numpy()]] = -1
    return out


def _pairs(payment: Ints, owner: Ints) -> pd.DataFrame:
    return pd.DataFrame({"payment": payment, "owner": owner}).astype("int64")


def _ambiguous(tied: Tied) -> pd.DataFrame:
    """A reference that several orders bear may mean each of them."""
    named = tied.paid_orders
    named = named[(named["order"] == AMBIGUOUS).to_numpy()]
    if named.empty:
        return _pairs(np.zeros(0, np.int64), np.zeros(0, np.int64))
    orders = tied.orders.orders[["key"]].reset_index(names="order")
    found = named[["row_id", "key"]].merge(orders, on="key")
    owners = tied.supplier_orders.reset_index(names="owner")[["owner", "order"]]
    found = found.merge(owners, on="order")
    return _pairs(found["row_id"].to_numpy(), found["owner"].to_numpy())


def _by_number(tied: Tied, shares: pd.DataFrame, named: pd.DataFrame, loose: Bools) -> pd.DataFrame:
    """An invoice's number under another supplier or currency, or beside other references.

    One number may stand under several currencies: what is loose may be for each of them.
    """
    size = len(tied.payments)
    wanted = loose | has(tied.paid_orders["row_id"].to_numpy(), size)
    wanted |= has(named["payment"].to_numpy(np.int64)[(named["invoice"] < 0).to_numpy()], size)
    row, number = (tied.paid_invoices[name].to_numpy() for name in ("row_id", "number_code"))
    use = wanted[row]
    row, number = row[use], number[use]
    bills = tied.invoices["number_code"].to_numpy()
    owner = tied.invoices["supplier_order"].to_numpy()
    numbers = int(max(number.max(initial=-1), bills.max(initial=-1))) + 1
    billed = np.flatnonzero(has(number, numbers)[bills] & (owner >= 0))
    _, first = distinct(combined(bills[billed], owner[billed]))
    billed = billed[first]
    at, bill = pairs_of(number, bills[billed], numbers)
    pairs = _pairs(row[at], owner[billed][bill])
    known = shares[["payment", "owner"]]
    known = known[has(pairs["payment"].to_numpy(), size)[known["payment"].to_numpy()]]
    both = combined(*(np.append(pairs[name], known[name]) for name in ("payment", "owner")))
    there = pd.Series(both[: len(pairs)]).isin(both[len(pairs) :])
    return pairs[~there.to_numpy()]


def _elsewhere(tied: Tied, shares: pd.DataFrame) -> pd.DataFrame:
    """Money for an order at a supplier that has no line of it may be the other suppliers'.

    Where that supplier bills goods of its own, they may be those of which no supplier is told:
    several billed them, were paid for them or sent them.
    """
    orders = len(tied.orders.orders)
    order = tied.supplier_orders["order"].to_numpy()
    with_lines = has(tied.lines["supplier_order"].to_numpy(), len(order))
    untold = with_lines & (tied.supplier_orders["supplier_code"] == BLANK).to_numpy()
    owner = shares["owner"].to_numpy(np.int64)
    stray = stray_owners(tied)[owner]
    pairs = []
    for lost, meant in ((stray, np.ones(len(order), dtype=bool)), (~with_lines[owner], untold)):
        mine = order[owner[lost]]
        others = np.flatnonzero(has(mine, orders)[order] & meant)
        at, other = pairs_of(mine, order[others], orders)
        pairs.append(_pairs(shares["payment"].to_numpy()[lost][at], others[other]))
    return pd.concat(pairs, ignore_index=True)
