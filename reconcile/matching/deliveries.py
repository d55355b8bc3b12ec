"""Deliveries, line by line: what was promised, what arrived, and what the storefront shows."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from reconcile.counted import counted
from reconcile.matching.billing import is_replacement
from reconcile.matching.columns import (
    Bools,
    Days,
    Ints,
    combined,
    count,
    days,
    distinct,
    known,
    latest,
    number,
    text,
    texts_at,
)
from reconcile.matching.parcel_numbers import is_damaged, posted_others
from reconcile.matching.tie import Tied
from reconcile.shop import Supplier

# Common practice, no source: 5 to 8 business days within a country, about 15 days across a border.
USUAL_DELIVERY_DAYS = 15
_NO_DELIVERY = "no delivery is known"
_NO_DAY = np.datetime64("NaT", "s")


def add_deliveries(
    facts: pd.DataFrame,
    tied: Tied,
    parcels: pd.DataFrame,
    brought: frozenset[str],
    suppliers: Mapping[str, Supplier],
) -> None:
    """Add to the facts of order lines what became of their parcels.

    ``parcels``: which parcel stands for which line. ``brought``: the columns of the shipments.
    """
    lines = tied.lines
    size = len(lines)
    facts["extra"] = np.maximum(lines["shipped"].to_numpy() - lines["ordered"].to_numpy(), 0)
    facts["last_shipped_date"] = lines["last_shipped_date"]
    facts["delivered_date"] = lines["delivered_date"]
    facts["parcels"] = count(parcels["line"].to_numpy(), size)
    again, arrived_again, sent_again = _replaced(tied, parcels)
    arrived = ~np.isnat(days(lines, "delivered_date")) | (again & arrived_again)
    unsaid = np.full(size, "delivered_at" not in brought)
    facts["arrived"] = pd.arrays.BooleanArray(arrived, unsaid & ~arrived)
    facts["delivery"] = _delivery(
        lines["parcels_sent"].to_numpy(), lines["parcels_arrived"].to_numpy()
    )
    takes = _delivery_days(tied, suppliers)
    promise = _later(days(lines, "last_shipped_date"), takes)
    given = days(lines, "promised_date")
    promise = np.where(np.isnat(given), promise, given)
    facts["late_days"] = _days_late(days(lines, "delivered_date"), promise)
    facts["promised_date"] = np.fmax(promise, _later(sent_again, takes))
    _add_storefront(facts, tied, parcels)


def _replaced(tied: Tied, parcels: pd.DataFrame) -> tuple[Bools, Bools, Days]:
    """Lines that were sent again: which, whether all of that arrived, and when it was sent last."""
    size = len(tied.lines)
    mine = parcels[is_replacement(tied.shipments)[parcels["shipment"].to_numpy()]]
    line, at = mine["line"].to_numpy(), mine["shipment"].to_numpy()
    sent = count(line, size)
    delivered = ~np.isnat(days(tied.shipments, "delivered_date")[at])
    there = count(line[delivered], size)
    last = latest(line, days(tied.shipments, "shipped_date")[at], size)
    return sent > 0, there == sent, last


def _delivery(parcels: Ints, arrived: Ints) -> pd.Series:
    """What is known of the delivery of each line, in words."""
    code, first = distinct(combined(parcels, arrived))
    words = []
    for at in first:
        there = "is" if arrived[at] == 1 else "are"
        some = (
            f"of {counted(int(parcels[at]), 'parcel')} {arrived[at]} {there} known to have arrived"
        )
        words.append(some if arrived[at] else _NO_DELIVERY)
    return texts_at(pd.Series(words, dtype="str"), code)


def _delivery_days(tied: Tied, suppliers: Mapping[str, Supplier]) -> np.ndarray:
    """Calendar days from dispatch to delivery: the quote's, the supplier's, else what is usual."""
    lines = tied.lines
    own = {name: supplier.delivery_days for name, supplier in suppliers.items()}
    told = [own.get(name) for name in tied.names.supplier]
    usual = [USUAL_DELIVERY_DAYS if of_supplier is None else of_supplier for of_supplier in told]
    takes = np.array(usual, dtype=np.int64)[lines["supplier_code"].to_numpy()]
    return np.where(known(lines, "delivery_days"), number(lines, "delivery_days"), takes)


def _later(start: Days, more: np.ndarray) -> Days:
    return np.asarray(start.astype("datetime64[D]") + more.astype("timedelta64[D]"), "M8[s]")


def _days_late(delivered: Days, promise: Days) -> np.ndarray:
    gap = delivered.astype("datetime64[D]") - promise.astype("datetime64[D]")
    return np.where(np.isnat(gap), 0, np.maximum(gap.astype(np.int64), 0))


def _add_storefront(facts: pd.DataFrame, tied: Tied, parcels: pd.DataFrame) -> None:
    """What the storefront shows to the customer, and whether it is what the supplier gave."""
    lines = tied.lines
    sent, posted = days(lines, "sent_date"), days(lines, "tracking_posted_date")
    posted_number = text(lines, "tracking_no")
    shown = (posted_number != "").to_numpy()
    facts["shown_sent"] = shown | ~np.isnat(sent)
    facts["shown_sent_date"] = np.where(np.isnat(sent), posted, sent)
    facts["posted_number"] = posted_number
    facts["posted_date"] = np.where(np.isnat(posted), days(lines, "first_number_date"), posted)
    other = posted_others(tied, parcels)
    unclear = other & is_damaged(lines)
    facts["posted_other"] = pd.arrays.BooleanArray(other & ~unclear, unclear)
    facts["supplier_number"] = _given_numbers(tied, parcels, other)


def _given_numbers(tied: Tied, parcels: pd.DataFrame, wanted: Bools) -> pd.Series:
    """The first number that was given for each of the wanted lines, whole or not."""
    numbers, shipments = text(tied.shipments, "tracking_no"), tied.shipments
    shipment, line = (parcels[name].to_numpy() for name in ("shipment", "line"))
    mine = np.flatnonzero(wanted[line])
    shipment, line = shipment[mine], line[mine]
    found = pd.DataFrame({"line": line, "number": texts_at(numbers, shipment), "at": shipment})
    found["day"] = days(shipments, "shipped_date")[shipment]
    found = found[(found["number"] != "").to_numpy()]
    found = found.sort_values(["line", "day", "number"]).drop_duplicates("line")
    place = np.full(len(tied.lines), -1, dtype=np.int64)
    place[found["line"].to_numpy()] = found["at"].to_numpy()
    return texts_at(numbers, place)
