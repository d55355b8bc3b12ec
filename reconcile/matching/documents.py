"""The fact tables of single documents: payments, shipments, and what names no known order."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.joined import are_among
from reconcile.matching.columns import has, masked, numbered, text, texts_at, total
from reconcile.matching.doubts import stray_owners
from reconcile.matching.moneys import Moneys
from reconcile.matching.orders import AMBIGUOUS
from reconcile.matching.tie import Tied
from reconcile.matching.unread import unread_keys


def documents(tied: Tied, money: Moneys, rejected_keys: pd.DataFrame) -> pd.DataFrame:
    """Every fact of ``facts.DOCUMENTS``, and ``record`` and ``row_id`` of each."""
    unread = unread_keys(rejected_keys, "orders", "order_ref")
    invoices, shipments = tied.invoices, tied.shipments
    pieces = [
        _stray(invoices, "invoices", "An invoice line", invoices["invoice_no"], unread).assign(
            amount=money.line_amount[(invoices["order"] < 0).to_numpy()],
            dated=invoices.loc[invoices["order"] < 0, "invoice_date"].to_numpy(),
        ),
        _stray(shipments, "shipments", "A parcel", text(shipments, "tracking_no"), unread).assign(
            dated=shipments.loc[shipments["order"] < 0, "shipped_date"].to_numpy()
        ),
        _stray_payments(tied, unread),
    ]
    out = pd.concat(pieces, ignore_index=True)
    out["amount"] = out["amount"].astype("Int64")
    return out


_MOVEMENTS = pd.Series(["payment to", "refund from"], dtype="str")
_FOUND = pd.Series(["is in no order export", "several orders bear"], dtype="str")
_OF_STRAYS = (
    *("order", "order_ref", "order_ref_key", "supplier", "sku", "sku_key", "currency", "kind"),
)

_OF_PAYMENTS = (
    *("payment_ref", "supplier", "currency", "amount_minor", "paid_date", "status", "kind"),
)


def _stray(
    frame: pd.DataFrame, record: str, what: str, document: pd.Series, unread: pd.Series
) -> pd.DataFrame:
    """Rows of a record with one order reference whose order is not found."""
    lost = (frame["order"] < 0).to_numpy()
    rows = frame.loc[lost, [name for name in _OF_STRAYS if name in frame]]
    several = (rows["order"] == AMBIGUOUS).to_numpy()
    return pd.DataFrame(
        {
            "record": record,
            "row_id": np.flatnonzero(lost),
            "order": -1,
            "supplier_order": -1,
            "supplier": rows["supplier"].array,
            "order_ref": rows["order_ref"].array,
            "order_ref_key": rows["order_ref_key"].array,
            "sku": text(rows, "sku").array,
            "sku_key": text(rows, "sku_key").array,
            "document": document[lost].array,
            "currency": text(rows, "currency").array,
            "kind": text(rows, "kind").array if record == "invoices" else "",
            "what": what,
            "found": texts_at(_FOUND, np.where(several, 1, 0)),
            "counts": True,
            "order_undecided": several,
            "order_unread": are_among(rows["order_ref_key"], unread),
            "amount": masked(np.zeros(len(rows), dtype=np.int64), np.ones(len(rows), dtype=bool)),
        }
    )


def _stray_payments(tied: Tied, unread: pd.Series) -> pd.DataFrame:
    """Payments that name an order which is not found: each payment once, with all it names."""
    named = tied.paid_orders
    lost = named[(named["order"] < 0).to_numpy()].drop_duplicates("row_id")
    row = lost["row_id"].to_numpy()
    payments = tied.payments.loc[:, [name for name in _OF_PAYMENTS if name in tied.payments]]
    payments = payments.take(row)
    first = lost.reset_index(drop=True)
    first = first.assign(order_ref=first["ref"], order_ref_key=first["key"])
    for name in ("supplier", "currency"):
        first[name] = payments[name].array
    out = _stray(
        first, "payments", "A payment", payments["payment_ref"].reset_index(drop=True), unread
    )
    undone = text(payments, "status").isin(["failed", "reversed"])
    return out.assign(
        row_id=row,
        counts=~undone.to_numpy(dtype=bool),
        amount=payments["amount_minor"].to_numpy(np.int64),
        dated=payments["paid_date"].to_numpy(),
        kind=text(payments, "kind").array,
    )


def sku_of_items(tied: Tied, frame: pd.DataFrame) -> pd.Series:
    """The SKU of each row as the order writes it, where it is an item of one, else its own."""
    [ordered, own], names = numbered(tied.lines["sku"], text(frame, "sku"))
    item = frame["item"].to_numpy()
    line = tied.items["line"].to_numpy()[item] if len(tied.items) else item
    return texts_at(names, np.where(item >= 0, np.append(ordered, 0)[line], own))


def shipment_rows(tied: Tied, brought: frozenset[str], faults: pd.Series) -> pd.DataFrame:
    """Every fact of ``facts.SHIPMENTS``; ``brought`` are the columns that shipments have.

    ``faults``: what is wrong with the tracking number of each.
    """
    shipments = tied.shipments
    out = shipments[["order", "supplier_order", "supplier", "order_ref", "order_ref_key"]].copy()
    out["order"] = np.maximum(out["order"], -1)
    out["sku"] = sku_of_items(tied, shipments)
    out["sku_key"] = shipments["sku_key"]
    out["document"] = text(shipments, "tracking_no")
    numbered = (out["document"] != "").to_numpy()
    told = "tracking_no" in brought
    out["has_number"] = pd.arrays.BooleanArray(numbered, ~numbered & (not told))
    out["dated"] = shipments["shipped_date"]
    out["row_id"] = np.arange(len(out))
    out["number_fault"] = faults
    out["number_wrong"] = (faults != "").to_numpy(dtype=bool)
    return out


def payment_rows(tied: Tied, money: Moneys) -> pd.DataFrame:
    """Every fact of ``facts.PAYMENTS``."""
    payments, named = tied.payments, tied.paid_orders
    size = len(payments)
    status, kind = text(payments, "status"), text(payments, "kind")
    amount = payments["amount_minor"].to_numpy(dtype=np.int64)
    # Money at a supplier who neither supplies nor bills anything of the order reaches no goods.
    owner = money.rows["supplier_order"].to_numpy()[money.shares["money"].to_numpy(np.int64)]
    shares = money.shares[~stray_owners(tied)[owner]]
    # A credit that is set off takes part of a payment off again.
    used = np.abs(total(shares["payment"].to_numpy(np.int64), shares["amount"].to_numpy(), size))
    # What a decision says stays an exception, so that it is seen for as long as it counts.
    by_decision = (money.suggestions.outcome == "accepted").to_numpy(dtype=bool)
    used = np.where(by_decision, 0, used)
    out = pd.DataFrame(
        {
            "order": -1,
            "supplier_order": -1,
            "supplier": payments["supplier"],
            "order_ref": text(payments, "order_ref"),
            "currency": payments["currency"],
            "document": payments["payment_ref"],
            "document_key": payments["payment_ref_key"],
            "invoice_no": text(payments, "invoice_no"),
            "kind": kind,
            "what": texts_at(_MOVEMENTS, np.where(kind == "refund", 1, 0)),
            "amount": amount,
            "unallocated": np.maximum(amount - used, 0),
            "settled": status.isin(["settled", ""]),
            "for_orders": kind != "top-up",
            "names_unknown_order": has(
                named["row_id"].to_numpy()[(named["order"] < 0).to_numpy()], size
            ),
            "undecided": money.undecided,
            "by_decision": by_decision,
            "dated": payments["paid_date"],
            "row_id": np.arange(size),
        }
    )
    refs = out["order_ref"].where(out["order_ref"] != "", out["invoice_no"])
    out["references"] = refs.where(refs != "", "no reference")
    return out
