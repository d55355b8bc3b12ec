"""What single rows do to the money of their supplier order: for the story of one order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.billing import excess_units, is_bill
from reconcile.matching.columns import Ints, texts_at
from reconcile.matching.goods import agreed_by_currency
from reconcile.matching.moneys import Moneys
from reconcile.matching.tie import Tied
from reconcile.money import round_half_up


@dataclass(frozen=True)
class Ledger:
    """Rows of records with their orders and money in minor units; row numbers are the record's.

    ``orders``: one row per customer order, by number: ``store, order_ref, key`` and the values of
    the whole order. ``lines``: ``row_id, order, supplier_order, quote_row`` (-1: none). ``owners``:
    ``order, supplier`` of each supplier order. ``bills``: of each invoice row ``row_id, order,
    supplier_order, currency, amount`` (credits below 0), ``duplicate`` (how much of it is duplicate
    billing), ``is_bill`` (it makes billed money the payable one). ``parcels``: ``row_id, order,
    supplier_order``. ``shares``: what payments paid, ``row_id, supplier_order, currency, amount``
    (refunds below 0). ``agreed``: ``supplier_order, currency, amount`` by the quotes, also of what
    is billed since. ``named_orders`` and ``named_invoices``: the references of payments, ``row_id,
    ref, key`` and, of orders, ``order`` (below 0: in no order export, or several).
    """

    orders: pd.DataFrame
    lines: pd.DataFrame
    owners: pd.DataFrame
    bills: pd.DataFrame
    parcels: pd.DataFrame
    shares: pd.DataFrame
    agreed: pd.DataFrame
    named_orders: pd.DataFrame
    named_invoices: pd.DataFrame


def ledger_of(tied: Tied, money: Moneys) -> Ledger:
    """The ledger of a shop's records, from what matching found."""
    invoices, shares = tied.invoices, money.shares
    amount = money.line_amount
    bills = pd.DataFrame(
        {
            "row_id": np.arange(len(invoices)),
            "order": invoices["order"].to_numpy(),
            "supplier_order": invoices["supplier_order"].to_numpy(),
            "currency": invoices["currency"].to_numpy(),
            "amount": amount,
            "duplicate": _duplicates(tied, money),
            "is_bill": is_bill(invoices),
        }
    )
    place = shares["money"].to_numpy(np.int64)
    paid = pd.DataFrame(
        {
            "row_id": shares["payment"].to_numpy(np.int64),
            "supplier_order": money.rows["supplier_order"].to_numpy()[place],
            "currency": money.rows["currency"].to_numpy()[place],
            "amount": shares["amount"].to_numpy(np.int64),
        }
    )
    owner, currency, agreed = agreed_by_currency(tied)
    return Ledger(
        orders=tied.orders.orders,
        lines=tied.lines[["row_id", "order", "supplier_order", "quote_row"]],
        owners=tied.supplier_orders[["order", "supplier"]],
        bills=bills,
        parcels=pd.DataFrame(
            {
                "row_id": np.arange(len(tied.shipments)),
                "order": tied.shipments["order"].to_numpy(),
                "supplier_order": tied.shipments["supplier_order"].to_numpy(),
            }
        ),
        shares=paid.groupby(["row_id", "supplier_order", "currency"], as_index=False).sum(),
        agreed=pd.DataFrame(
            {
                "supplier_order": owner,
                "currency": texts_at(tied.names.currency, currency),
                "amount": agreed,
            }
        ),
        named_orders=tied.paid_orders[["row_id", "ref", "key", "order"]],
        named_invoices=tied.paid_invoices[["row_id", "ref", "key"]],
    )


def _duplicates(tied: Tied, money: Moneys) -> Ints:
    """Of each invoice line what it bills beyond the ordered quantity; in all as it is in money."""
    invoices, bills = tied.invoices, money.bills
    out = np.zeros(len(invoices), dtype=np.int64)
    if bills.empty:
        return out
    rows = money.rows[["supplier_order", "currency"]].reset_index(names="money")
    asked = invoices[["supplier_order", "currency", "item"]]
    asked = asked.merge(rows, on=["supplier_order", "currency"], how="left")
    known = bills[["item", "money"]].reset_index(names="bill")
    bill = asked.merge(known, on=["item", "money"], how="left")["bill"]
    place = bill.fillna(-1).to_numpy(np.int64)
    ordered = bills["ordered"].to_numpy(np.int64)
    _, taken = excess_units(invoices, place, money.line_amount, ordered)
    at = np.flatnonzero(taken)
    amount, quantity = money.line_amount[at], invoices["qty"].to_numpy(np.int64)[at]
    out[at] = np.where(taken[at] == quantity, amount, round_half_up(amount * taken[at], quantity))
    return out
