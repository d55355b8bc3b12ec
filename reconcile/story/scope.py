"""How far a story goes: which rows, orders and supplier orders are told for one named thing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.ledger import Ledger
from reconcile.night import Night
from reconcile.story.named import Named

RECORDS = ("orders", "invoices", "payments", "shipments")


@dataclass(frozen=True)
class Scope:
    """What is told of a named thing.

    ``whole``: it concerns one order, whose whole story is told; of a thing that concerns several,
    itself and the money between them and its supplier. ``rows``: the rows told, by record;
    ``supplier_orders``: those whose money is told.
    """

    named: Named
    whole: bool
    supplier_orders: tuple[int, ...]
    rows: dict[str, tuple[int, ...]]


def scope_of(night: Night, ledger: Ledger, named: Named) -> Scope:
    """The rows and supplier orders that belong to the story."""
    own = {record: set(named.rows.get(record, ())) for record in RECORDS}
    whole = len(named.orders) == 1
    if whole:
        order = named.orders[0]
        owners = np.flatnonzero((ledger.owners["order"] == order).to_numpy())
        own["orders"] |= _rows(ledger.lines, ledger.lines["order"] == order)
        own["invoices"] |= _rows(ledger.bills, ledger.bills["order"] == order)
        own["shipments"] |= _rows(ledger.parcels, ledger.parcels["order"] == order)
        own["shipments"] |= _linked(night, "shipments", owners)
        own["payments"] |= _payments(night, ledger, owners, order)
    elif named.kind in ("invoice", "payment"):
        owners = _owners(night, ledger, named)
        mine = ledger.bills["supplier_order"].isin(owners)
        own["invoices"] |= _rows(ledger.bills, mine)
        own["payments"] |= _payments(night, ledger, owners, None)
    else:
        owners = np.zeros(0, dtype=np.int64)
    return Scope(
        named=named,
        whole=whole,
        supplier_orders=tuple(int(number) for number in owners),
        rows={record: tuple(sorted(rows)) for record, rows in own.items()},
    )


def _rows(frame: pd.DataFrame, mine: pd.Series) -> set[int]:
    return {int(row) for row in frame.loc[mine.to_numpy(dtype=bool), "row_id"]}


def _linked(night: Night, record: str, owners: Iterable[int]) -> set[int]:
    link = night.matched.links[record]
    return _rows(link, link["supplier_order"].isin(list(owners)))


def _owners(night: Night, ledger: Ledger, named: Named) -> np.ndarray:
    """The supplier orders that an invoice bills, or that a payment reaches or may mean."""
    if named.kind == "invoice":
        mine = ledger.bills.iloc[list(named.rows["invoices"])]["supplier_order"]
    else:
        link = night.matched.links["payments"]
        mine = link.loc[link["row_id"].isin(named.rows["payments"]), "supplier_order"]
    return np.unique(mine[mine >= 0].to_numpy(np.int64))


def _payments(night: Night, ledger: Ledger, owners: np.ndarray, order: int | None) -> set[int]:
    """Payments that reach the supplier orders, name the order, or name an invoice of theirs."""
    found = _linked(night, "payments", owners)
    if order is not None:
        found |= _rows(ledger.named_orders, ledger.named_orders["order"] == order)
    invoices, payments = (night.intake.records.get(name) for name in ("invoices", "payments"))
    if invoices is None or payments is None:
        return found
    mine = invoices[ledger.bills["supplier_order"].isin(owners).to_numpy()]
    named = ledger.named_invoices
    supplier = payments["supplier"].iloc[named["row_id"]]
    pairs = pd.MultiIndex.from_arrays([supplier.to_numpy(), named["key"].to_numpy()])
    billed = pd.MultiIndex.from_frame(mine[["supplier", "invoice_no_key"]].drop_duplicates())
    hit: pd.Series = pd.Series(pairs.isin(billed), index=named.index)
    return found | _rows(named, hit)
