"""The fact tables of order lines, and of SKUs within supplier orders."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, text, texts_at, total
from reconcile.matching.moneys import Moneys
from reconcile.matching.tie import Tied
from reconcile.money import round_half_up, split_in_proportion, within_tolerance
from reconcile.shop import Supplier, Tolerance


def order_lines(
    tied: Tied,
    money: Moneys,
    orders: pd.DataFrame,
    rejected_keys: pd.DataFrame,
    brought: frozenset[str],
    suppliers: Mapping[str, Supplier],
    tolerance: Tolerance,
) -> pd.DataFrame:
    """Every fact of ``facts.ORDER_LINES``; adds the amounts of each line to ``tied.lines``."""
    lines = tied.lines
    owner = lines["supplier_order"].to_numpy()
    main = orders[orders["main"]].set_index("supplier_order").sort_index()
    mine = main.iloc[owner].reset_index(drop=True)
    paid = mine["paid"].to_numpy(np.int64)
    payable = mine["payable"].fillna(0).to_numpy(np.int64)
    out = lines[["order", "supplier_order", "supplier", "sku", "sku_key"]].copy()
    out["line_no"] = text(lines, "line_no")
    out["currency"] = mine["currency"]
    out["funded"] = mine["funded"]
    for name in ("ordered", "live", "shipped"):
        out[name] = lines[name]
    missing = np.maximum(lines["live"].to_numpy() - lines["shipped"].to_numpy(), 0)
    out["missing"] = missing
    known = mine["payable"].notna().to_numpy()
    covered = (paid >= payable) | within_tolerance(
        payable - paid, payable, out["currency"], tolerance.absolute, tolerance.percent
    )
    out["paid_in_full"] = (paid > 0) & (~known | covered)
    share = _share_of_paid(tied, money, main)
    lines["paid_minor"] = share
    out["share_of_paid"] = share
    live = np.maximum(out["live"].to_numpy(np.int64), 1)
    out["share_of_missing"] = round_half_up(share * missing, live)
    out["last_paid_date"] = mine["last_paid_date"]
    own = out["supplier"].map(
        {name: supplier.dispatch_days for name, supplier in suppliers.items()}
    )
    out["dispatch_days"] = lines["dispatch_days"].fillna(own.astype("Int64"))
    unread = rejected_keys[
        (rejected_keys["record"] == "shipments") & (rejected_keys["column"] == "order_ref")
    ]
    out["unread_shipment"] = lines["order_ref_key"].isin(unread["key"])
    out["has_number"] = lines["has_number"]
    posted = (text(lines, "tracking_no") != "").to_numpy()
    told = "tracking_no" in brought
    out["posted"] = pd.arrays.BooleanArray(posted, np.full(len(lines), not told))
    out["first_number_date"] = lines["first_number_date"]
    out["first_number"] = lines["first_number"]
    out["carrier"] = lines["carrier"]
    return out


def _share_of_paid(tied: Tied, money: Moneys, main: pd.DataFrame) -> Ints:
    """What is paid, split over the lines by what is payable for each, largest remainder first."""
    lines = tied.lines
    owner = lines["supplier_order"].to_numpy()
    billed = _billed_of_lines(tied, money, main)
    lines["billed_minor"] = billed
    agreed = lines["agreed_minor"].fillna(0).to_numpy(np.int64)
    has_bill = total(owner, np.maximum(billed, 0), len(tied.supplier_orders)) > 0
    weight = np.where(has_bill[owner], billed, agreed)
    paid = np.zeros(len(tied.supplier_orders), dtype=np.int64)
    paid[main.index.to_numpy()] = np.maximum(main["paid"].to_numpy(np.int64), 0)
    return split_in_proportion(paid, owner, weight)


def _billed_of_lines(tied: Tied, money: Moneys, main: pd.DataFrame) -> Ints:
    """Billed less duplicate billing of each line, in the currency that speaks for its order."""
    bills, components, lines = money.bills, tied.components, tied.lines
    currency = money.rows["currency"].to_numpy()[bills["money"].to_numpy(np.int64)]
    spoken = np.full(len(tied.supplier_orders), "", dtype=object)
    spoken[main.index.to_numpy()] = main["currency"].to_numpy()
    item = bills["item"].to_numpy(np.int64)
    use = spoken[tied.items["supplier_order"].to_numpy()[item]] == currency
    net = (bills["amount"] - bills["duplicate"]).to_numpy(np.int64)
    per_item = total(item[use], net[use], len(tied.items))
    part = components["line"].to_numpy()
    weights = lines["ordered"].to_numpy()[part] * components["units"].to_numpy()
    sign = np.sign(per_item)
    split = split_in_proportion(np.abs(per_item), components["item"].to_numpy(), weights)
    split = split * sign[components["item"].to_numpy()] if len(part) else split
    return total(part, split, len(lines))


def supplier_order_lines(tied: Tied, money: Moneys, orders: pd.DataFrame) -> pd.DataFrame:
    """Every fact of ``facts.SUPPLIER_ORDER_LINES``: one row per SKU that is billed."""
    bills, items = money.bills, tied.items
    at = bills["item"].to_numpy(np.int64)
    row = bills["money"].to_numpy(np.int64)
    owner = items["supplier_order"].to_numpy()[at]
    mine = orders.iloc[row].reset_index(drop=True)
    out = pd.DataFrame(
        {
            "supplier_order": owner,
            "order": mine["order"],
            "supplier": mine["supplier"],
            "sku": texts_at(tied.lines["sku"], items["line"].to_numpy()[at]),
            "sku_key": texts_at(tied.names.sku, items["sku_code"].to_numpy()[at]),
            "currency": mine["currency"],
            "main": mine["main"],
        }
    )
    out["ordered"] = bills["ordered"]
    out["billed_qty"] = bills["billed_qty"]
    out["duplicate_qty"] = bills["excess"]
    out["duplicate_billing"] = bills["duplicate"]
    out["duplicate_billing_paid"] = mine["duplicate_billing_paid"]
    out["last_billed_date"] = bills["last_billed_date"]
    return out
