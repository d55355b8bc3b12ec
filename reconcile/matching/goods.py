"""Goods, line by line: what was sent, with which number, and what was agreed to be paid."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.billing import is_replacement
from reconcile.matching.columns import (
    Bools,
    Ints,
    count,
    days,
    earliest,
    has,
    known,
    latest,
    number,
    ranked,
    sums,
    text,
    texts_at,
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
    # What was sent has to be paid, also where the customer gave it back since.
    due = np.maximum(lines["live"], np.minimum(lines["shipped"], lines["ordered"]))
    asked = lines[["supplier_code", "sku_code", "country_code", "ordered_date"]]
    quoted = quoted_lines(asked.assign(quantity=due), tied.quotes, tied.names.currency)
    lines["due_qty"] = due
    lines["quote_currency_code"] = quoted["currency_code"]
    for name in ("agreed_minor", "dispatch_days", "delivery_days"):
        lines[name] = quoted[name]
    lines["quote_row"] = quoted["quote"]
    return parcels


def _add_shipped(tied: Tied) -> pd.DataFrame:
    """Shipped units of each line; a parcel line without SKU or quantity stands for all of it.

    Without SKU but with a quantity it counts units where its order has one SKU alone.
    """
    lines, shipments, components = tied.lines, tied.shipments, tied.components
    apart = is_replacement(shipments)
    item = shipments["item"].to_numpy()
    whole = (shipments["sku_key"] == "").to_numpy() & (item < 0)
    counted = known(shipments, "qty") & ~whole
    used = (item >= 0) & ~apart
    sent = total(item[used & counted], number(shipments, "qty")[used & counted], len(tied.items))
    part = components["line"].to_numpy()
    needed = components["item"].to_numpy()
    units = components["units"].to_numpy()
    ordered = lines["ordered"].to_numpy()[part] * units
    live = lines["live"].to_numpy()[part] * units
    all_of_it = has(item[used & ~counted & ~whole], len(tied.items))[needed]
    parcels = _parcels(tied, whole)
    covering = (whole & ~apart)[parcels["shipment"].to_numpy()]
    all_of_it |= has(parcels["line"].to_numpy()[covering], len(lines))[part]
    filled = fill_lines(needed, ordered, live, sent) if len(part) else np.zeros(0, np.int64)
    filled = np.where(all_of_it, np.maximum(filled, ordered), filled) // units
    shipped = np.full(len(lines), np.iinfo(np.int64).max)
    np.minimum.at(shipped, part, filled)  # a kit is sent when its scarcest part is
    lines["shipped"] = shipped
    return parcels


def _parcels(tied: Tied, whole: Bools) -> pd.DataFrame:
    """Which parcel line stands for which order line.

    One without SKU, of which there are ``whole``, is for all of its supplier order. Where no line
    of the order is from that supplier it is for all of the order: what a supplier calls itself on
    its parcels may be no name that the shop has declared for it.
    """
    components, shipments = tied.components, tied.shipments
    line = components["line"].to_numpy()
    named, owner = shipments["supplier_order"].to_numpy(), tied.lines["supplier_order"].to_numpy()
    orders = tied.supplier_orders["order"].to_numpy()
    with_lines = has(owner, len(orders))
    stray = whole & (named >= 0) & ~np.append(with_lines, True)[named]
    found = parcel_lines(
        (np.where(whole, -1, shipments["item"].to_numpy()), components["item"].to_numpy()),
        (np.where(whole, named, -1), owner[line]),
        (np.where(stray, np.append(orders, -1)[named], -1), orders[owner[line]]),
    )
    if len(components) == len(tied.lines):  # each line is one SKU: a parcel meets it once
        return found
    found["line"] = line[found["line"]]
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
    named, mine = line[numbered], at[numbered]
    of_first = sent[mine] == first[named]
    place = _first_numbers(shipments, named[of_first], mine[of_first], size)
    lines["first_number"] = texts_at(numbers, place)
    [carrier], carriers = ranked(text(shipments, "carrier"))
    lines["carrier"] = texts_at(carriers, np.append(carrier, 0)[place])
    delivered = days(shipments, "delivered_date")[at]
    arrived = total(line, (~np.isnat(delivered)).astype(np.int64), size)
    lines["parcels_sent"], lines["parcels_arrived"] = count(line, size), arrived
    complete = (arrived == lines["parcels_sent"].to_numpy()) & (arrived > 0)
    last = latest(line, delivered, size)
    lines["delivered_date"] = np.where(complete, last, np.datetime64("NaT", "s"))
    lines["last_shipped_date"] = latest(line, sent[at], size)


def _first_numbers(shipments: pd.DataFrame, line: Ints, at: Ints, size: int) -> Ints:
    """For each line the parcel whose number sorts first, whatever the order of rows; -1: none."""
    out = np.full(size, -1, dtype=np.int64)
    several = count(line, size)[line] > 1
    out[line[~several]] = at[~several]
    few = pd.DataFrame({"line": line[several], "at": at[several]})
    for name in ("tracking_no", "carrier"):
        few[name] = texts_at(text(shipments, name), few["at"].to_numpy())
    few = few.sort_values(["line", "tracking_no", "carrier"]).drop_duplicates("line")
    out[few["line"]] = few["at"]
    return out


def agreed_by_currency(tied: Tied) -> tuple[Ints, Ints, Ints]:
    """Agreed money: supplier order, currency and amount; only where every due line has a quote.

    The currency is its code.
    """
    lines = tied.lines
    groups = len(tied.supplier_orders)
    owner = lines["supplier_order"].to_numpy()
    priced = known(lines, "agreed_minor")
    blocked = has(owner[~priced & (lines["due_qty"] > 0).to_numpy()], groups)
    use = priced & ~blocked[owner]
    owner, currency = owner[use], lines["quote_currency_code"].to_numpy()[use]
    rows, amount = sums(number(lines, "agreed_minor")[use], owner, currency)
    return owner[rows], currency[rows], amount
