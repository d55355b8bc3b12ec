"""Events at suppliers: agreed, billed, credited, paid, given back, sent and delivered."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from reconcile.matching.billing import is_credit
from reconcile.matching.columns import text
from reconcile.matching.ledger import Ledger
from reconcile.money import amount_text
from reconcile.night import Night
from reconcile.story.event import Event, Step
from reconcile.story.orders import by_day, day_of, goods, places_of, rows_of
from reconcile.story.scope import Scope

_NOT_SETTLED = ("pending", "failed", "reversed")
_KINDS = {"refund": "refund-received", "top-up": "topped-up"}


def agreed_events(night: Night, ledger: Ledger, scope: Scope) -> list[Event]:
    """What the quotes say is payable, from the day of the order; of one order only."""
    if not scope.whole:
        return []
    out = []
    mine = ledger.agreed[ledger.agreed["supplier_order"].isin(scope.supplier_orders)]
    ordered = day_of(ledger.orders["ordered_date"].iloc[scope.named.orders[0]])
    for owner, currency, amount in mine.itertuples(index=False):
        lines = ledger.lines[ledger.lines["supplier_order"] == owner]
        rows = night.intake.records["orders"].iloc[lines["row_id"].to_numpy()]
        places = places_of(night, rows)
        quotes = lines.loc[lines["quote_row"] >= 0, "quote_row"].unique()
        if len(quotes):
            places = places_of(night, night.intake.records["quotes"].iloc[quotes])
        supplier = str(ledger.owners["supplier"].iloc[owner])
        about = "by its quotes, for what is live or was sent"
        out.append(Event(ordered, "agreed", about, supplier, int(amount), str(currency), places))
    return out


def bill_events(night: Night, ledger: Ledger, scope: Scope) -> list[Event]:
    """Invoices and credits, each as one event with what it bills for what is told."""
    rows = rows_of(night, scope, "invoices")
    if rows.empty:
        return []
    bills = ledger.bills.iloc[rows.index]
    rows = rows.assign(
        amount=bills["amount"], duplicate=bills["duplicate"], is_bill=bills["is_bill"],
        supplier_order=bills["supplier_order"], credit=is_credit(rows),
    )  # fmt: skip
    out = []
    by = ["supplier", "currency", "invoice_no_key", "credit"]
    for (supplier, currency, _, credit), document in rows.groupby(by, sort=True):
        for day, mine in by_day(document, "invoice_date"):
            steps = [
                Step(int(owner), int(amount), int(twice), 0, bool(bill))
                for owner, amount, twice, bill in mine[
                    ["supplier_order", "amount", "duplicate", "is_bill"]
                ].itertuples(index=False)
                if owner in scope.supplier_orders
            ]
            amount = int(mine["amount"].sum())
            out.append(
                Event(
                    day,
                    "credited" if credit else "billed",
                    _bill_words(mine, scope),
                    str(supplier),
                    -amount if credit else amount,
                    str(currency),
                    places_of(night, mine),
                    tuple(steps),
                )
            )
    return out


def _bill_words(rows: pd.DataFrame, scope: Scope) -> str:
    number = rows["invoice_no"].iloc[0]
    orders = rows["order_ref_key"].nunique()
    what = goods(rows) if scope.whole or orders == 1 else f"{len(rows)} lines, {orders} orders"
    words = [f"{number}: {what}"]
    twice = int(rows["duplicate"].sum())
    if twice:
        shown = amount_text(twice, str(rows["currency"].iloc[0]))
        words.append(f"{shown} of it beyond the ordered quantity and not payable")
    if "due_date" in rows and rows["due_date"].notna().any():
        words.append(f"due on {day_of(rows['due_date'].min())}")
    return "; ".join(words)


def payment_events(night: Night, ledger: Ledger, scope: Scope) -> list[Event]:
    """Payments and refunds, each with what reached what is told."""
    rows = rows_of(night, scope, "payments")
    if rows.empty:
        return []
    shares = ledger.shares[ledger.shares["supplier_order"].isin(scope.supplier_orders)]
    status, kind = text(rows, "status"), text(rows, "kind")
    out = []
    for at, row in zip(rows.index.tolist(), rows.to_dict("records"), strict=True):
        mine = shares[shares["row_id"] == at]
        steps = tuple(
            Step(int(owner), paid=int(amount))
            for owner, amount in mine[["supplier_order", "amount"]].itertuples(index=False)
        )
        settled = status[at] not in _NOT_SETTLED
        what = _KINDS.get(kind[at], "paid") if settled else f"payment-{status[at]}"
        whole, reached = int(row["amount_minor"]), abs(int(mine["amount"].sum()))
        own = scope.named.kind == "payment" and at in scope.named.rows["payments"]
        out.append(
            Event(
                day_of(row["paid_date"]),
                what,
                _payment_words(row, whole, reached, counts=settled, known=len(mine) > 0),
                str(row["supplier"]),
                whole if own or not len(mine) else reached,
                str(row["currency"]),
                places_of(night, rows.loc[[at]]),
                steps,
            )
        )
    return out


def _payment_words(
    row: Mapping[Hashable, Any], whole: int, reached: int, *, counts: bool, known: bool
) -> str:
    words = str(row["payment_ref"])
    if known and reached != whole:
        words += f", {amount_text(reached, row['currency'])} of"
        words += f" {amount_text(whole, row['currency'])} for this"
    elif counts and not known:
        words += ", not allocated to this"
    named = [row.get("order_ref", ""), row.get("invoice_no", "")]
    shown = "; ".join(str(one) for one in named if one)
    return f"{words}: {shown}" if shown else words


def parcel_events(night: Night, scope: Scope) -> list[Event]:
    """Parcels: sent and, where that is told, delivered."""
    rows = rows_of(night, scope, "shipments")
    if rows.empty:
        return []
    replaces = np.zeros(len(rows), dtype=bool)
    for name in ("replacement", "by_suffix"):
        if name in rows:
            replaces |= rows[name].to_numpy(dtype=bool)
    rows = rows.assign(
        number=text(rows, "tracking_no"), carrier=text(rows, "carrier"), replaces=replaces,
        sku=text(rows, "sku"), qty=rows.get("qty", pd.Series(pd.NA, index=rows.index)),
    )  # fmt: skip
    out = []
    for (supplier, number, replaced), parcel in rows.groupby(
        ["supplier", "number", "replaces"], sort=True
    ):
        for kind, dated in (("shipped", "shipped_date"), ("delivered", "delivered_date")):
            for day, mine in by_day(parcel, dated):
                if day is None:
                    continue
                words = str(number) or "without a tracking number"
                carrier = ", ".join(sorted(set(mine["carrier"]) - {""}))
                words += f" {carrier}" if carrier and kind == "shipped" else ""
                words += ", a replacement" if replaced else ""
                about = f"{words}: {goods(mine)}"
                places = places_of(night, mine)
                out.append(Event(day, kind, about, str(supplier), places=places))
    return out
