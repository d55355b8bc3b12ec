"""Goods, line by line: what was sent, with which number, and what was agreed to be paid."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.billing import is_replacement
from reconcile.matching.columns import (
    Ints,
    count,
    days,
    earliest,
    has,
    known,
    latest,
    number,
    text,
    total,
)
from reconcile.matching.parcel_numbers import is_damaged
from reconcile.matching.quotes import quoted_lines
from reconcile.matching.shipping import fill_lines, parcel_lines
from reconcile.matching.tie import Tied


def add_goods(tied: Tied) -> pd.DataFrame:
    """Add to the lines what was sent and agreed; give back which parcel stands for which line."""
    parcels = _add_shipped(tied)
    _add_numbers(tied, parcels)
    lines = tied.lines
    asked = pd.DataFrame(
        {
            "supplier": lines["supplier"],
            "sku_key": lines["sku_key"],
            "country": text(lines, "ship_to_country"),
            # What was sent has to be paid, also where the customer gave it back since.
            "quantity": np.maximum(lines["live"], np.minimum(lines["shipped"], lines["ordered"])),
            "ordered_date": lines["ordered_date"],
        }
    )
    quoted = quoted_lines(asked, tied.quotes)
    lines["due_qty"] = asked["quantity"]
    lines["quote_currency"] = quoted["currency"]
    lines["agreed_minor"] = quoted["agreed_minor"]
    lines["dispatch_days"] = quoted["dispatch_days"]
    lines["delivery_days"] = quoted["delivery_days"]
    lines["quote_row"] = quoted["quote"].fillna(-1).to_numpy(np.int64)
    return parcels


def _add_shipped(tied: Tied) -> pd.DataFrame:
    """Shipped units of each line; a parcel line without SKU or quantity stands for all of it."""
    lines, shipments, components = tied.lines, tied.shipments, tied.components
    apart = is_replacement(shipments)
    item = shipments["item"].to_numpy()
    whole = (shipments["sku_key"] == "").to_numpy()
    counted = known(shipments, "qty") & ~whole
    used = (item >= 0) & ~apart
    sent = total(item[used & counted], number(shipments, "qty")[used & counted], len(tied.items))
    part = components["line"].to_numpy()
    needed = components["item"].to_numpy()
    units = components["units"].to_numpy()
    ordered = lines["ordered"].to_numpy()[part] * units
    live = lines["live"].to_numpy()[part] * units
    all_of_it = has(item[used & ~counted & ~whole], len(tied.items))[needed]
    covered = _whole_orders(tied, whole & ~apart)
    all_of_it |= covered[lines["supplier_order"].to_numpy()[part]]
    filled = fill_lines(needed, ordered, live, sent) if len(part) else np.zeros(0, np.int64)
    filled = np.where(all_of_it, np.maximum(filled, ordered), filled) // units
    shipped = np.full(len(lines), np.iinfo(np.int64).max)
    np.minimum.at(shipped, part, filled)  # a kit is sent when its scarcest part is
    lines["shipped"] = shipped
    return _parcels(tied, whole)


def _whole_orders(tied: Tied, whole: np.ndarray) -> np.ndarray:
    """Supplier orders that a parcel without SKU covers; of another supplier's, all the order."""
    groups = len(tied.supplier_orders)
    with_lines = has(tied.lines["supplier_order"].to_numpy(), groups)
    named = tied.shipments["supplier_order"].to_numpy()[whole]
    named = named[named >= 0]
    covered = has(named, groups)
    stray = named[~with_lines[named]]
    orders = tied.supplier_orders["order"].to_numpy()
    return covered | np.isin(orders, orders[stray])


def _parcels(tied: Tied, whole: np.ndarray) -> pd.DataFrame:
    components = tied.components
    found = parcel_lines(
        tied.shipments,
        tied.shipments["item"].to_numpy(),
        components["item"].to_numpy(),
        tied.lines["supplier_order"].to_numpy()[components["line"].to_numpy()],
        whole,
    )
    found["line"] = components["line"].to_numpy()[found["line"]]
    return found.drop_duplicates(ignore_index=True)


def _add_numbers(tied: Tied, parcels: pd.DataFrame) -> None:
    """The first tracking number of each line, when it came, and when the line was delivered."""
    lines, shipments = tied.lines, tied.shipments
    size = len(lines)
    kept = ~is_replacement(shipments)[parcels["shipment"]]
    at, line = parcels["shipment"].to_numpy()[kept], parcels["line"].to_numpy()[kept]
    numbers = text(shipments, "tracking_no")
    # A number that a spreadsheet has changed is none that could be posted.
    numbered = ((numbers != "").to_numpy() & ~is_damaged(shipments))[at]
    sent = days(shipments, "shipped_date")
    first = earliest(line[numbered], sent[at[numbered]], size)
    lines["first_number_date"] = first
    lines["has_number"] = ~np.isnat(first)
    # The number that sorts first among those of the first day: the same in any order of rows.
    named = pd.DataFrame({"line": line[numbered], "at": at[numbered]})
    named = named[sent[named["at"]] == first[named["line"]]]
    named["number"] = numbers.to_numpy()[named["at"]]
    named["carrier"] = text(shipments, "carrier").to_numpy()[named["at"]]
    named = named.sort_values(["line", "number", "carrier"]).drop_duplicates("line")
    for name, column in (("first_number", "number"), ("carrier", "carrier")):
        values = pd.Series("", index=lines.index, dtype="str")
        values.iloc[named["line"]] = named[column].to_numpy()
        lines[name] = values
    delivered = days(shipments, "delivered_date")[at]
    arrived = total(line, (~np.isnat(delivered)).astype(np.int64), size)
    complete = (arrived == count(line, size)) & (arrived > 0)
    last = latest(line, delivered, size)
    lines["delivered_date"] = np.where(complete, last, np.datetime64("NaT", "s"))
    lines["last_shipped_date"] = latest(line, sent[at], size)


def agreed_by_currency(tied: Tied) -> tuple[Ints, pd.Series, Ints]:
    """Agreed money: supplier order, currency and amount; only where every due line has a quote."""
    lines = tied.lines
    groups = len(tied.supplier_orders)
    owner = lines["supplier_order"].to_numpy()
    priced = lines["agreed_minor"].notna().to_numpy()
    blocked = has(owner[~priced & (lines["due_qty"] > 0).to_numpy()], groups)
    use = priced & ~blocked[owner]
    frame = pd.DataFrame(
        {
            "supplier_order": owner[use],
            "currency": lines["quote_currency"].to_numpy()[use],
            "amount": lines["agreed_minor"].to_numpy(np.int64, na_value=0)[use],
        }
    )
    sums = frame.groupby(["supplier_order", "currency"], as_index=False)["amount"].sum()
    return (
        sums["supplier_order"].to_numpy(np.int64),
        sums["currency"].astype("str"),
        sums["amount"].to_numpy(np.int64),
    )
