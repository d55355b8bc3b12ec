"""The fact table of supplier orders: one customer order at one supplier, in one currency."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from reconcile.joined import are_among
from reconcile.matching.columns import (
    Bools,
    Days,
    count,
    days,
    earliest,
    has,
    latest,
    masked,
    text,
    total,
)
from reconcile.matching.doubts import stray_owners
from reconcile.matching.moneys import Moneys
from reconcile.matching.tie import Tied
from reconcile.matching.unread import unread_keys
from reconcile.shop import Supplier

_NO_DAY = np.datetime64("NaT", "s")


def supplier_orders(
    tied: Tied,
    money: Moneys,
    rejected_keys: pd.DataFrame,
    suppliers: Mapping[str, Supplier],
    *,
    sent_known: bool,
) -> pd.DataFrame:
    """Every fact of ``facts.SUPPLIER_ORDERS``, and ``main``: the row that speaks for the lines.

    ``sent_known``: whether there are files that tell what was sent.
    """
    rows = money.rows
    owner = rows["supplier_order"].to_numpy()
    groups = len(tied.supplier_orders)
    pairs = tied.supplier_orders.iloc[owner].reset_index(drop=True)
    order = pairs["order"].to_numpy()
    names = ["funded", "cancelled", "key", "customer_paid_date", "cancelled_date", "refunded_date"]
    orders = tied.orders.orders[[name for name in names if name in tied.orders.orders]]
    orders = orders.take(order).reset_index(drop=True)
    line_owner = tied.lines["supplier_order"].to_numpy()
    known = rows["payable_known"].to_numpy()
    paid, payable = rows["paid"].to_numpy(), rows["payable"].to_numpy()
    out = pd.DataFrame({"supplier_order": owner, "order": order, "supplier": pairs["supplier"]})
    out["currency"] = rows["currency"]
    out["funded"] = _funded(orders, rejected_keys)
    out["cancelled"] = orders["cancelled"]
    for name in ("ordered", "live", "shipped"):
        out[name] = total(line_owner, tied.lines[name].to_numpy(), groups)[owner]
    out["nothing_live"] = (out["live"] == 0) & (out["ordered"] > 0)
    out["agreed"] = masked(rows["agreed"], ~rows["agreed_known"])
    out["billed"] = rows["billed"]
    out["duplicate_billing"] = rows["duplicate"]
    out["payable"] = masked(payable, ~known)
    out["to_pay"] = ~known | (payable > 0) | (out["shipped"] == 0)
    out["paid"] = paid
    for name in ("unpaid_rest", "excess_paid", "payments", "covered_without_one_payment"):
        out[name] = rows[name]
    out["duplicate_billing_paid"] = rows["duplicate_paid"]
    out["repeated_payment"] = rows["repeated"]
    out["paid_or_shipped"] = (paid > 0) | (out["shipped"] > 0)
    out["paid_or_payable"] = masked(np.where(paid > 0, paid, payable), ~known & (paid <= 0))
    out["backed"] = ~stray_owners(tied)[owner]
    _add_undecided(out, tied, money, groups)
    _add_unread(out, tied, orders["key"], rejected_keys)
    parcels = are_among(orders["key"], unread_keys(rejected_keys, "shipments", "order_ref"))
    out["sent_untold"] = out["nothing_live"] & (out["shipped"] == 0) & (parcels | (not sent_known))
    elsewhere = total(owner, (paid > 0).astype(np.int64), groups)[owner] - (paid > 0)
    out["paid_in_other_currency"] = elsewhere > 0
    _add_dates(out, tied, rows, orders, suppliers, owner)
    out["main"] = _main(owner, paid, known)
    return out


def _add_undecided(out: pd.DataFrame, tied: Tied, money: Moneys, groups: int) -> None:
    owner = out["supplier_order"].to_numpy()
    touched = money.touched["owner"].to_numpy(np.int64)
    back = (text(tied.payments, "kind") == "refund").to_numpy()
    back = back[money.touched["payment"].to_numpy(np.int64)]
    out["pending"] = count(money.pending["owner"].to_numpy(np.int64), groups)[owner]
    out["undecided"] = count(touched, groups)[owner]
    out["refund_undecided"] = has(touched[back], groups)[owner]


def _funded(orders: pd.DataFrame, rejected: pd.DataFrame) -> pd.Series:
    """Whether the customer has paid; not known where a row could tell that was rejected."""
    unread = unread_keys(rejected, "orders", "order_ref")
    untold = np.isnat(days(orders, "customer_paid_date")) & are_among(orders["key"], unread)
    funded: pd.Series = orders["funded"].mask(untold)
    return funded


def _add_unread(out: pd.DataFrame, tied: Tied, keys: pd.Series, rejected: pd.DataFrame) -> None:
    """Which supplier orders rejected rows name, by order or, of a payment, by invoice.

    A payment that could not be read changes neither what is billed nor what goods bring in.
    """
    rejected = rejected[rejected["record"] != "shipments"]
    for name in ("unread_row", "unread_bill", "unread_payment"):
        out[name] = False
    if rejected.empty:
        return
    numbers = unread_keys(rejected, "payments", "invoice_no")
    billed = are_among(tied.invoices["invoice_no_key"], numbers)
    owners = tied.invoices["supplier_order"].to_numpy()[billed]
    by_invoice = has(owners[owners >= 0], len(tied.supplier_orders))
    on_invoice: Bools = by_invoice[out["supplier_order"].to_numpy()]
    naming = {name: unread_keys(rejected, name, "order_ref") for name in ("orders", "invoices")}
    out["unread_bill"] = are_among(keys, pd.concat(naming.values(), ignore_index=True))
    paid = unread_keys(rejected, "payments", "order_ref")
    out["unread_payment"] = are_among(keys, paid) | on_invoice
    orders = rejected.loc[rejected["column"] == "order_ref", "key"]
    out["unread_row"] = are_among(keys, orders) | on_invoice


def _add_dates(
    out: pd.DataFrame,
    tied: Tied,
    rows: pd.DataFrame,
    orders: pd.DataFrame,
    suppliers: Mapping[str, Supplier],
    owner: np.ndarray,
) -> None:
    groups = len(tied.supplier_orders)
    customer_paid = days(orders, "customer_paid_date")
    on_invoice = out["supplier"].isin(
        [name for name, supplier in suppliers.items() if supplier.terms == "invoice"]
    )
    invoices, parcels = tied.invoices, tied.shipments
    due = _per_group(invoices, days(invoices, "due_date"), groups, first=True)[owner]
    sent = _per_group(parcels, days(parcels, "shipped_date"), groups, first=False)[owner]
    out["customer_paid_date"] = customer_paid
    out["prepay_date"] = np.where(on_invoice, _NO_DAY, customer_paid)
    out["invoice_due_date"] = np.where(on_invoice, due, _NO_DAY)
    out["invoice_awaited"] = on_invoice & ~rows["is_billed"]
    last_paid = rows["last_paid_date"].to_numpy()
    out["last_paid_date"] = last_paid
    out["paid_or_shipped_date"] = np.where(np.isnat(last_paid), sent, last_paid)
    cancelled, refunded = days(orders, "cancelled_date"), days(orders, "refunded_date")
    stopped = np.where(np.isnat(cancelled), refunded, cancelled)
    out["stopped_date"] = np.where(np.isnat(stopped), last_paid, stopped)


def _per_group(frame: pd.DataFrame, dates: Days, groups: int, *, first: bool) -> Days:
    owner = frame["supplier_order"].to_numpy()
    known = owner >= 0
    if first:
        return earliest(owner[known], dates[known], groups)
    return latest(owner[known], dates[known], groups)


def _main(owner: np.ndarray, paid: np.ndarray, known: np.ndarray) -> Bools:
    """Of several currencies the one that speaks for the lines: paid and payable before either."""
    rank = -2 * (paid > 0).astype(np.int64) - known
    place = np.lexsort((np.arange(len(owner)), rank, owner))
    first = ~pd.Series(owner[place]).duplicated().to_numpy()
    out = np.zeros(len(owner), dtype=bool)
    out[place[first]] = True
    return out
