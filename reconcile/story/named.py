"""What a reference names: orders, invoices, payments and parcels, compared cleaned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from reconcile.matching.columns import text
from reconcile.matching.ledger import Ledger
from reconcile.matching.parcel_numbers import number_parts
from reconcile.night import Night
from reconcile.references import clean
from reconcile.shop import Shop

_DOCUMENTS = (("invoice", "invoices", "invoice_no"), ("payment", "payments", "payment_ref"))
_TIED = ("invoices", "payments", "shipments")


@dataclass(frozen=True)
class Named:
    """One thing that a reference names.

    ``kind`` is order, invoice, payment, parcel, documents (they name an order that is in no order
    export, or could be several) or past (only the history knows it). ``reference`` is as a file
    writes it, ``rows`` are the thing's own rows by record, ``orders`` the numbers of the orders
    that it concerns.
    """

    kind: str
    reference: str
    store: str
    supplier: str
    orders: tuple[int, ...]
    rows: Mapping[str, tuple[int, ...]]


def cleaned(reference: str, prefixes: tuple[str, ...] = (), suffixes: tuple[str, ...] = ()) -> str:
    """One reference as it is compared."""
    return str(clean(pa.array([reference]), prefixes, suffixes)[0][0].as_py())


def order_keys(shop: Shop, reference: str) -> dict[str, str]:
    """The reference as each source compares it with its order references; by source."""
    refs = {source.name: source.refs for source in shop.sources}
    return {
        name: cleaned(reference, one.strip_prefix, one.replacement_suffix)
        for name, one in refs.items()
    }


def tracking_keys(reference: str) -> frozenset[str]:
    """The reference as tracking numbers are compared; empty where it can be none."""
    return frozenset(number_parts(pd.Series([reference], dtype="str"), words=False)["number"])


def all_named(night: Night, ledger: Ledger, reference: str) -> list[Named]:
    """Everything that the reference names, orders first; empty where it names nothing."""
    out = _orders(night, ledger, reference)
    for kind, record, column in _DOCUMENTS:
        out += _documents(night, ledger, reference, (kind, record, column))
    return out + _parcels(night, ledger, reference) + _strays(night, ledger, reference)


def _with_key(night: Night, record: str, reference: str) -> np.ndarray:
    """Which rows of a record have this order reference, by the rules of their source."""
    frame = night.intake.records[record]
    wanted = frame["source"].map(order_keys(night.shop, reference))
    return np.asarray((frame["order_ref_key"] == wanted).to_numpy(dtype=bool))


def _orders(night: Night, ledger: Ledger, reference: str) -> list[Named]:
    rows = np.flatnonzero(_with_key(night, "orders", reference))
    lines = ledger.lines[ledger.lines["row_id"].isin(rows)]
    out = []
    for number in lines["order"].unique():
        mine = ledger.lines.loc[ledger.lines["order"] == number, "row_id"]
        order = ledger.orders.iloc[number]
        rows_of = {"orders": tuple(sorted(int(row) for row in mine))}
        out.append(Named("order", order["order_ref"], order["store"], "", (int(number),), rows_of))
    return sorted(out, key=lambda one: (one.store, one.reference))


def _documents(
    night: Night, ledger: Ledger, reference: str, of: tuple[str, str, str]
) -> list[Named]:
    kind, record, column = of
    frame = night.intake.records.get(record)
    if frame is None:
        return []
    mine = frame[frame[f"{column}_key"] == cleaned(reference)]
    out = []
    for supplier, rows in mine.groupby("supplier", sort=True):
        at = tuple(int(row) for row in rows.index)
        orders = _orders_of(night, ledger, record, at)
        shown = str(rows[column].min())
        out.append(Named(kind, shown, "", str(supplier), orders, {record: at}))
    return out


def _orders_of(night: Night, ledger: Ledger, record: str, rows: tuple[int, ...]) -> tuple[int, ...]:
    """The orders that rows of a record are about."""
    if record == "payments":
        link = night.matched.links["payments"]
        owners = link.loc[link["row_id"].isin(rows), "supplier_order"].unique()
        numbers = ledger.owners["order"].to_numpy()[owners]
    else:
        frame = ledger.bills if record == "invoices" else ledger.parcels
        numbers = frame["order"].to_numpy()[list(rows)]
    return tuple(sorted({int(number) for number in numbers if number >= 0}))


def _parcels(night: Night, ledger: Ledger, reference: str) -> list[Named]:
    """Parcels by their supplier and number; a number that only the storefront shows is one too."""
    wanted = tracking_keys(reference)
    sent = _bearing(night.intake.records.get("shipments"), wanted)
    posted = _bearing(night.intake.records["orders"], wanted)
    lines = ledger.lines[ledger.lines["row_id"].isin(posted)]
    out = []
    told: set[int] = set()
    shipments = night.intake.records.get("shipments", pd.DataFrame({"supplier": []}))
    for supplier, bearing in shipments.iloc[sent].groupby("supplier", sort=True):
        at = tuple(int(row) for row in bearing.index)
        orders = _orders_of(night, ledger, "shipments", at)
        mine = lines.loc[lines["order"].isin(orders), "row_id"]
        told |= set(mine)
        rows = {"shipments": at, "orders": tuple(sorted(int(row) for row in mine))}
        shown = str(bearing["tracking_no"].min())
        out.append(Named("parcel", shown, "", str(supplier), orders, rows))
    left = lines[~lines["row_id"].isin(told)]
    if len(left):
        orders = tuple(sorted({int(number) for number in left["order"]}))
        rows = {"orders": tuple(sorted(int(row) for row in left["row_id"]))}
        shown = str(night.intake.records["orders"]["tracking_no"].iloc[rows["orders"][0]])
        out.append(Named("parcel", shown, "", "", orders, rows))
    return out


def _bearing(frame: pd.DataFrame | None, wanted: frozenset[str]) -> list[int]:
    """The rows that bear one of the tracking numbers."""
    if frame is None or not wanted:
        return []
    found = number_parts(text(frame, "tracking_no"), words=False)
    return sorted({int(at) for at in found.loc[found["number"].isin(wanted), "at"]})


def _strays(night: Night, ledger: Ledger, reference: str) -> list[Named]:
    """Documents that name the reference as their order, and are tied to none."""
    rows: dict[str, tuple[int, ...]] = {}
    shown = reference
    for record in _TIED:
        frame = night.intake.records.get(record)
        if frame is None:
            continue
        if record == "payments":
            at, written = _naming(night, ledger, reference)
        else:
            order = (ledger.bills if record == "invoices" else ledger.parcels)["order"]
            at = np.flatnonzero(_with_key(night, record, reference) & (order < 0).to_numpy())
            written = frame["order_ref"].iloc[at]
        if len(at):
            shown = str(written.min())
            rows[record] = tuple(int(row) for row in at)
    return [Named("documents", shown, "", "", (), rows)] if rows else []


def _naming(night: Night, ledger: Ledger, reference: str) -> tuple[np.ndarray, pd.Series]:
    """Payments with this reference that reach no order by it, and the reference as written."""
    named = ledger.named_orders[(ledger.named_orders["order"] < 0).to_numpy()]
    if named.empty:
        return np.zeros(0, dtype=np.int64), named["ref"]
    source = night.intake.records["payments"]["source"].iloc[named["row_id"]]
    wanted = source.map(order_keys(night.shop, reference)).to_numpy()
    found = named[named["key"].to_numpy() == wanted].drop_duplicates("row_id")
    return found["row_id"].to_numpy(), found["ref"]
