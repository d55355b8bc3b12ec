"""The fact tables of order lines, and of SKUs within supplier orders."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from reconcile.joined import are_among, listed
from reconcile.matching.columns import (
    Ints,
    has,
    known,
    masked,
    number,
    numbered,
    places,
    text,
    texts_at,
    total,
)
from reconcile.matching.moneys import Moneys
from reconcile.matching.tie import Tied
from reconcile.matching.unbilled import billed_units
from reconcile.matching.unread import unread_keys
from reconcile.money import round_half_up, split_in_proportion, within_tolerance
from reconcile.shop import Supplier, Tolerance

_MAY_BE_PAID = pd.Series(
    ["; a payment row that was rejected names the order, and may have paid it or given it back"],
    dtype="str",
)
_BESIDE = "; sent for the order under a SKU that is on no line of it: "
_SHOWN = 12  # SKUs that a sentence names


def order_lines(
    tied: Tied,
    money: Moneys,
    orders: pd.DataFrame,
    rejected_keys: pd.DataFrame,
    brought: frozenset[str],
    suppliers: Mapping[str, Supplier],
    tolerance: Tolerance,
) -> pd.DataFrame:
    """Every fact of ``facts.ORDER_LINES``; what is billed and paid goes to ``tied.lines`` too."""
    lines = tied.lines
    mine = _speaking(orders)[lines["supplier_order"].to_numpy()]
    paid, payable = (number(orders, name)[mine] for name in ("paid", "payable"))
    names = ["order", "supplier_order", "supplier", "sku", "sku_key"]
    out = lines[names].assign(line_no=text(lines, "line_no"))
    code = money.rows["currency_code"].to_numpy()[mine]
    out["currency"] = texts_at(tied.names.currency, code)
    out["funded"] = orders["funded"].array.take(mine)
    for name in ("ordered", "live", "shipped"):
        out[name] = lines[name]
    missing = np.maximum(lines["live"].to_numpy() - lines["shipped"].to_numpy(), 0)
    out["missing"] = missing
    covered = (paid >= payable) | within_tolerance(
        payable - paid, payable, out["currency"], tolerance.absolute, tolerance.percent
    )
    out["paid_in_full"] = (paid > 0) & (~known(orders, "payable")[mine] | covered)
    share = _share_of_paid(tied, money, orders)
    lines["paid_minor"] = share
    lines["billed"] = billed_units(tied, money)
    out["share_of_paid"] = share
    live = np.maximum(lines["live"].to_numpy(np.int64), 1)
    out["share_of_missing"] = round_half_up(share * missing, live)
    out["last_paid_date"] = orders["last_paid_date"].to_numpy()[mine]
    out["dispatch_days"] = _dispatch_days(tied, suppliers)
    unread = unread_keys(rejected_keys, "shipments", "order_ref")
    out["unread_shipment"] = are_among(lines["order_ref_key"], unread)
    out["sent_beside"] = _sent_beside(tied)
    out["has_number"] = lines["has_number"]
    posted = (text(lines, "tracking_no") != "").to_numpy()
    told = "tracking_no" in brought
    out["posted"] = pd.arrays.BooleanArray(posted, np.full(len(lines), not told))
    for name in ("first_number_date", "first_number", "carrier"):
        out[name] = lines[name]
    return out


def _speaking(orders: pd.DataFrame) -> Ints:
    """For each supplier order the row of the facts of supplier orders that speaks for it."""
    at = np.flatnonzero(orders["main"].to_numpy(dtype=bool))
    out = np.empty(len(at), dtype=np.int64)
    out[orders["supplier_order"].to_numpy()[at]] = at  # each has one
    return out


def _dispatch_days(tied: Tied, suppliers: Mapping[str, Supplier]) -> pd.arrays.IntegerArray:
    """Business days to dispatch of each line: the quote's, else the supplier's where it has any."""
    of = {name: supplier.dispatch_days for name, supplier in suppliers.items()}
    own = [of.get(name) for name in tied.names.supplier]
    code = tied.lines["supplier_code"].to_numpy()
    told = known(tied.lines, "dispatch_days")
    days = np.array([day or 0 for day in own], dtype=np.int64)[code]
    blank = np.array([day is None for day in own], dtype=bool)[code]
    return masked(np.where(told, number(tied.lines, "dispatch_days"), days), ~told & blank)


def _share_of_paid(tied: Tied, money: Moneys, orders: pd.DataFrame) -> Ints:
    """What is paid, split over the lines by what is payable for each, largest remainder first."""
    lines = tied.lines
    owner = lines["supplier_order"].to_numpy()
    speaking = _speaking(orders)
    billed = _billed_of_lines(tied, money, speaking)
    lines["billed_minor"] = billed
    has_bill = total(owner, np.maximum(billed, 0), len(speaking)) > 0
    weight = np.where(has_bill[owner], billed, number(lines, "agreed_minor"))
    paid = np.maximum(orders["paid"].to_numpy(np.int64)[speaking], 0)
    return split_in_proportion(paid, owner, weight)


def _billed_of_lines(tied: Tied, money: Moneys, speaking: Ints) -> Ints:
    """Billed less duplicate billing of each line, in the currency that speaks for its order."""
    bills, components, lines = money.bills, tied.components, tied.lines
    use = has(speaking, len(money.rows))[bills["money"].to_numpy(np.int64)]
    item = bills["item"].to_numpy(np.int64)
    net = (bills["amount"] - bills["duplicate"]).to_numpy(np.int64)
    per_item = total(item[use], net[use], len(tied.items))
    part, owner = components["line"].to_numpy(), components["item"].to_numpy()
    weights = lines["ordered"].to_numpy()[part] * components["units"].to_numpy()
    split = split_in_proportion(np.abs(per_item), owner, weights)
    split = split * np.sign(per_item)[owner] if len(part) else split
    return total(part, split, len(lines))


def _sent_beside(tied: Tied) -> pd.Series:
    """In words, for each line: what its supplier sent for the order under SKUs of no line of it."""
    lines, shipments = tied.lines, tied.shipments
    strange = (shipments["item"] < 0) & (shipments["supplier_order"] >= 0)
    strange &= shipments["sku_key"] != ""
    if not strange.any():
        return pd.Series("", index=lines.index, dtype="str")
    rows = shipments.loc[strange.to_numpy(), ["supplier_order", "sku", "sku_key"]]
    rows = rows.sort_values(["supplier_order", "sku_key", "sku"], ignore_index=True)
    rows = rows.drop_duplicates(["supplier_order", "sku_key"], ignore_index=True)
    names = _BESIDE + listed(rows["supplier_order"], rows["sku"], _SHOWN)
    place = places(names.index.to_numpy(), len(tied.supplier_orders))
    return texts_at(names, place[lines["supplier_order"].to_numpy()])


def supplier_order_lines(tied: Tied, money: Moneys, orders: pd.DataFrame) -> pd.DataFrame:
    """Every fact of ``facts.SUPPLIER_ORDER_LINES``: one row per SKU that is billed."""
    bills, items = money.bills, tied.items
    at = bills["item"].to_numpy(np.int64)
    row = bills["money"].to_numpy(np.int64)
    owner = items["supplier_order"].to_numpy()[at]
    pairs = tied.supplier_orders
    [code], names = numbered(tied.lines["sku"])
    return pd.DataFrame(
        {
            "supplier_order": owner,
            "order": pairs["order"].to_numpy()[owner],
            "supplier": texts_at(tied.names.supplier, pairs["supplier_code"].to_numpy()[owner]),
            "sku": texts_at(names, code[items["line"].to_numpy()[at]]),
            "sku_key": texts_at(tied.names.sku, items["sku_code"].to_numpy()[at]),
            "currency": texts_at(tied.names.currency, money.rows["currency_code"].to_numpy()[row]),
            "main": orders["main"].to_numpy()[row],
            "ordered": bills["ordered"],
            "billed_qty": bills["billed_qty"],
            "duplicate_qty": bills["excess"],
            "duplicate_billing": bills["duplicate"],
            "duplicate_billing_paid": orders["duplicate_billing_paid"].to_numpy()[row],
            "unread_bill": orders["unread_bill"].to_numpy()[row],
            "unread_payment": texts_at(_MAY_BE_PAID, orders["unread_payment"].to_numpy()[row] - 1),
            "last_billed_date": bills["last_billed_date"],
        }
    )
