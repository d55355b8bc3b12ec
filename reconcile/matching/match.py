"""From typed records to fact tables: the order of matching's steps, and what comes out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, rows_once, text, total
from reconcile.matching.currencies import add_currencies
from reconcile.matching.customers import customer_orders
from reconcile.matching.deliveries import add_deliveries
from reconcile.matching.documents import documents, payment_rows, shipment_rows
from reconcile.matching.ended import add_sent_after_end
from reconcile.matching.goods import add_goods
from reconcile.matching.invoice_lines import invoice_lines
from reconcile.matching.kits import add_kit_quotes
from reconcile.matching.ledger import Ledger, ledger_of
from reconcile.matching.lines import order_lines, supplier_order_lines
from reconcile.matching.moneys import Moneys, money_table
from reconcile.matching.number_faults import shipment_faults
from reconcile.matching.perhaps_paid import add_perhaps_paid, add_suggestions
from reconcile.matching.possible_doubles import possible_doubles
from reconcile.matching.reuse import add_reused, borne
from reconcile.matching.sales import sales
from reconcile.matching.small_differences import small_differences
from reconcile.matching.states import states
from reconcile.matching.supplier_orders import supplier_orders
from reconcile.matching.tie import Tied, records_or_none, tie
from reconcile.matching.unbilled import add_unbilled
from reconcile.pieces import InMemory, Pieces
from reconcile.shop import Supplier, Tolerance

INVOICED = "invoices = billed on orders + on no known order"  # the proof that comes first


@dataclass(frozen=True)
class Matched:
    """Everything that matching found out about a shop.

    ``tables``: the fact tables by name. ``named``: the orders, ``store, order_ref, key`` by number,
    and what the customer paid and got back and when, where the orders tell it.
    ``links``: per record type which rows (``row_id``) stand behind which ``supplier_order``; and
    per fact table of several rows each which (``record``, ``row_id``) stand behind row ``at``.
    ``lines``: every order line with its state and quantities, for the reader; ``line_orders``
    the order of each, as long as they are in memory.
    ``shares``: what payments pay of supplier orders (``row_id`` of the payment, ``supplier_order``,
    ``currency``, ``amount``, refunds received negative). ``line_amounts``: what each invoice row
    bills, credits negative. ``line_rows``: the row of the orders of each line in ``order_lines``.
    ``collisions`` and ``conflicts``: what the orders themselves do not
    settle. ``proofs``: sums that have to be equal (``proof, unit, left, right``).
    """

    tables: Mapping[str, pd.DataFrame]
    named: Pieces
    links: Mapping[str, pd.DataFrame]
    places: Mapping[str, pd.DataFrame]
    lines: Pieces
    line_orders: Ints
    shares: pd.DataFrame
    line_amounts: Ints
    line_rows: Ints
    collisions: pd.DataFrame
    conflicts: pd.DataFrame
    proofs: pd.DataFrame

    @property
    def orders(self) -> pd.DataFrame:
        """The orders by number; read anew each time where they are on disk."""
        return self.named.whole()


def match(
    records: Mapping[str, pd.DataFrame],
    parts: Mapping[tuple[str, str], pd.DataFrame],
    rejected_keys: pd.DataFrame,
    brought: Mapping[str, frozenset[str]],
    suppliers: Mapping[str, Supplier],
    tolerance: Tolerance,
    home_currency: str,
    patterns: Sequence[str] = (),
) -> Matched:
    """Compute every fact of the shop's orders.

    ``patterns``: what the shop's own tracking numbers look like, where it says so.
    """
    found, _ = match_with_ledger(
        records, parts, rejected_keys, brought, suppliers, tolerance, home_currency, patterns
    )
    return found


def match_with_ledger(
    records: Mapping[str, pd.DataFrame],
    parts: Mapping[tuple[str, str], pd.DataFrame],
    rejected_keys: pd.DataFrame,
    brought: Mapping[str, frozenset[str]],
    suppliers: Mapping[str, Supplier],
    tolerance: Tolerance,
    home_currency: str,
    patterns: Sequence[str] = (),
) -> tuple[Matched, Callable[[], Ledger]]:
    """The same, and what makes the ledger of it; while that is held, so is all that it needs."""
    with ThreadPoolExecutor(max_workers=1) as aside:
        shipments = records_or_none(records, "shipments")
        faults = aside.submit(shipment_faults, shipments, patterns)
        bearing = aside.submit(borne, shipments)
        tied = tie(records, parts, brought)
        parcels = add_goods(tied)
        add_kit_quotes(tied)
        money = money_table(tied)
        sent_known = bool(brought.get("shipments"))
        orders = supplier_orders(tied, money, rejected_keys, suppliers, sent_known=sent_known)
        lines = order_lines(
            tied, money, orders, rejected_keys, brought["orders"], suppliers, tolerance
        )
        add_unbilled(orders, tied, money)
        # From here on nothing is added to what is tied, and this takes as long as all the rest.
        due = orders[["payable", "paid"]]
        billing = aside.submit(
            invoice_lines, tied, money, due, records.get("sku_map"), rejected_keys
        )
        add_sent_after_end(orders, tied, parcels)
        add_reused(orders, tied, bearing.result())
        add_perhaps_paid(orders, tied, money)
        selling = aside.submit(sales, tied, orders, records.get("rates"), home_currency)
        of_shipments = brought.get("shipments", frozenset())
        add_deliveries(lines, tied, parcels, of_shipments, suppliers)
        showing = aside.submit(states, tied, lines, orders)
        paid = payment_rows(tied, money)
        candidates = add_suggestions(paid, tied, money)
        doubles, behind_doubles = possible_doubles(tied, money, paid)
        by_item = supplier_order_lines(tied, money, orders)
        strays = documents(tied, money, rejected_keys)
        proofs = _proofs(tied, money)
        parcel_rows = shipment_rows(tied, of_shipments, faults.result())
        links, shares = _links(tied, money, parcels), _shares(money)
        billed, sold = billing.result(), selling.result()
        shown, line_orders = showing.result()
        add_currencies(orders, tied, billed)
    small, behind_small = small_differences(billed, tolerance)
    tables = {
        "supplier_orders": orders,
        "supplier_order_lines": by_item,
        "order_lines": lines,
        "invoice_lines": billed,
        "small_differences": small,
        "documents": strays,
        "payments": paid,
        "possible_doubles": doubles,
        "shipments": parcel_rows,
        "orders": customer_orders(tied, brought["orders"]),
        "sales": sold,
    }
    of_rows = {
        "small_differences": behind_small,
        "possible_doubles": behind_doubles,
        "candidates": candidates,
    }
    out = Matched(
        tables=tables,
        named=InMemory(_named_orders(tied)),
        links=links | of_rows,
        places=_places(tied),
        lines=InMemory(shown),
        line_orders=line_orders,
        shares=shares,
        line_amounts=money.line_amount,
        line_rows=tied.lines["row_id"].to_numpy(np.int64),
        collisions=tied.orders.collisions,
        conflicts=tied.orders.conflicts,
        proofs=proofs,
    )
    return out, partial(ledger_of, tied, money)


def _named_orders(tied: Tied) -> pd.DataFrame:
    orders = tied.orders.orders
    values = ("customer_paid_minor", "customer_paid_date", "refunded_minor", "refunded_date")
    return orders[["store", "order_ref", "key", *(name for name in values if name in orders)]]


def _shares(money: Moneys) -> pd.DataFrame:
    rows = money.rows.iloc[money.shares["money"].to_numpy(np.int64)]
    return pd.DataFrame(
        {
            "row_id": money.shares["payment"].to_numpy(np.int64),
            "supplier_order": rows["supplier_order"].to_numpy(np.int64),
            "currency": rows["currency"].array,
            "amount": money.shares["amount"].to_numpy(np.int64),
        }
    )


def _places(tied: Tied) -> dict[str, pd.DataFrame]:
    """Where each row of a record stands: ``file`` and ``row``, by the record's own row number."""
    lines = tied.lines[["row_id", "file", "row"]].set_index("row_id").sort_index()
    return {
        "orders": lines,
        "invoices": tied.invoices[["file", "row", "invoice_no"]],
        "payments": tied.payments[["file", "row"]],
        "shipments": tied.shipments[["file", "row"]],
        "quotes": tied.quotes[["file", "row"]],
    }


def _links(tied: Tied, money: Moneys, parcels: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Which rows of each record stand behind which supplier order."""
    owner = money.rows["supplier_order"].to_numpy()
    allocated = pd.DataFrame(
        {
            "payment": money.shares["payment"],
            "owner": owner[money.shares["money"].to_numpy(np.int64)],
        }
    )
    perhaps = money.suggestions.perhaps
    perhaps = pd.DataFrame({"payment": perhaps["payment"], "owner": owner[perhaps["money"]]})
    paid = pd.concat([allocated, money.touched, money.pending, perhaps])
    by_money = paid.rename(columns={"payment": "row_id", "owner": "supplier_order"})
    found = {
        "orders": tied.lines[["row_id", "supplier_order"]],
        "payments": pd.concat([by_money, tied.paid_orders[["row_id", "supplier_order"]]]),
    }
    for name, frame in (("invoices", tied.invoices), ("shipments", tied.shipments)):
        found[name] = pd.DataFrame(
            {"row_id": np.arange(len(frame)), "supplier_order": frame["supplier_order"]}
        )
    parcel = parcels["shipment"].to_numpy()
    stray = pd.DataFrame(
        {
            "row_id": parcel,
            "supplier_order": tied.lines["supplier_order"].to_numpy()[parcels["line"]],
        }
    )
    # Most parcels stand for lines of the supplier order that they name.
    named = tied.shipments["supplier_order"].to_numpy()[parcel]
    stray = stray[(stray["supplier_order"] != named).to_numpy()].drop_duplicates()
    found["shipments"] = pd.concat([found["shipments"], stray])
    found["payments"] = rows_once(found["payments"])
    return {
        name: link[(link["supplier_order"] >= 0).to_numpy()].reset_index(drop=True)
        for name, link in found.items()
    }


def _proofs(tied: Tied, money: Moneys) -> pd.DataFrame:
    """What goes in comes out: invoices and payments, by currency, in minor units."""
    rows = []
    invoices, payments, held = tied.invoices, tied.payments, money.rows
    known = invoices["order"].to_numpy() >= 0
    for currency in sorted(invoices["currency"].unique()):
        mine = (invoices["currency"] == currency).to_numpy()
        left = int(money.line_amount[mine].sum())
        billed = int(held.loc[held["currency"] == currency, "billed"].sum())
        right = billed + int(money.line_amount[mine & ~known].sum())
        rows.append((INVOICED, currency, left, right))
    used = np.zeros(len(payments), dtype=np.int64)
    np.add.at(used, money.shares["payment"].to_numpy(np.int64), money.shares["amount"])
    amount, ends = payments["amount_minor"].to_numpy(np.int64), _ends(tied, money, used)
    for currency in sorted(payments["currency"].unique()):
        mine = (payments["currency"] == currency).to_numpy()
        signed = int(used[mine].sum())
        paid = int(held.loc[held["currency"] == currency, "paid"].sum())
        rows.append(("allocated payments = paid on orders", currency, signed, paid))
        left, right = int(amount[mine].sum()), int(ends[mine].to_numpy().sum())
        rows.append((f"payments = {' + '.join(map(str, ends))}", currency, left, right))
    return pd.DataFrame(rows, columns=["proof", "unit", "left", "right"])


def _ends(tied: Tied, money: Moneys, used: Ints) -> pd.DataFrame:
    """Where the money of each payment ends; ``used`` is what reached orders, signed."""
    payments, found = tied.payments, money.suggestions
    amount = payments["amount_minor"].to_numpy(np.int64)
    moved = text(payments, "status").isin(["settled", ""]) & (text(payments, "kind") != "top-up")
    at = found.readings["payment"].to_numpy(np.int64)
    only = (found.outcome == "only").to_numpy()
    rest = money.rows["unpaid_rest"].to_numpy(np.int64)
    rest = rest[found.readings["money"].to_numpy(np.int64)]
    given = np.abs(used)
    over = np.where(moved & ~only, np.maximum(amount - given, 0), 0)
    return pd.DataFrame(
        {
            "allocated": given,
            "on an invoice": np.where(money.on_invoice, over, 0),
            "suggested": total(at[only[at]], rest[only[at]], len(payments)),
            "unallocated": np.where(money.on_invoice, 0, over),
            "not settled or top-ups": np.where(moved, 0, amount),
        }
    )
