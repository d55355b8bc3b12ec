"""The whole story of one named thing, put together."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from reconcile.checks.catalogue import Rule
from reconcile.matching.ledger import Ledger
from reconcile.night import Night
from reconcile.story.balance import opened
from reconcile.story.event import Event, in_time
from reconcile.story.named import Named
from reconcile.story.orders import minor_of, order_events
from reconcile.story.past import decision_events, history_events
from reconcile.story.rules import Missed, fired, missed
from reconcile.story.scope import Scope, scope_of
from reconcile.story.suppliers import agreed_events, bill_events, parcel_events, payment_events


@dataclass(frozen=True)
class Money:
    """What is payable and paid to one supplier in one currency, in minor units.

    ``payable`` and ``balance`` (payable less paid) are None where payable is not known.
    """

    supplier: str
    currency: str
    payable: int | None
    paid: int
    balance: int | None


@dataclass(frozen=True)
class Concerned:
    """One order that a document concerns, and its money at the document's supplier."""

    order_ref: str
    store: str
    money: tuple[Money, ...]


@dataclass(frozen=True)
class Customer:
    """What the customer of one order has to pay, paid and got back, in minor units."""

    currency: str
    total: int | None
    paid: int | None
    refunded: int


@dataclass(frozen=True)
class Story:
    """Everything that is told of one named thing.

    ``order``: the one order that it concerns, or None; ``concerned``: several of them. ``found``:
    the exceptions of the rules that fire, columns as the report has them.
    """

    named: Named
    order: Concerned | None
    events: list[Event]
    customer: Customer | None
    suppliers: list[Money]
    concerned: list[Concerned]
    found: pd.DataFrame
    missed: list[Missed]


def tell(
    night: Night,
    ledger: Ledger,
    named: Named,
    rules: Mapping[str, Rule],
    found: pd.DataFrame,
    history: sqlite3.Connection | None,
) -> Story:
    """The story of a named thing; ``found`` are all exceptions, with history and decisions."""
    scope = scope_of(night, ledger, named)
    mine = fired(night, scope, found)
    rules_of = dict(zip(mine["id"], mine["rule"], strict=True))
    past: list[Event] = []
    if history is not None:
        past, known = history_events(history, night, scope, rules_of)
        rules_of |= {one.id: one.rule for one in known}
    events = in_time(
        [
            *order_events(night, ledger, scope),
            *agreed_events(night, ledger, scope),
            *bill_events(night, ledger, scope),
            *payment_events(night, ledger, scope),
            *parcel_events(night, scope),
            *past,
            *decision_events(night, scope, rules_of),
        ]
    )
    concerned = _concerned(night, scope)
    balances = opened(ledger, scope.supplier_orders)
    return Story(
        named=named,
        order=concerned[0] if scope.whole else None,
        events=[balances.after(event) for event in events],
        customer=_customer(night, named) if scope.whole else None,
        suppliers=_moneys(night, scope.supplier_orders),
        concerned=[] if scope.whole else concerned,
        found=mine,
        missed=missed(night, scope, rules),
    )


def _moneys(night: Night, owners: tuple[int, ...]) -> list[Money]:
    """The money of these supplier orders, added up by supplier and currency."""
    facts = night.tables["supplier_orders"]
    rows = facts[facts["supplier_order"].isin(owners) & (facts["currency"] != "")]
    out = []
    for (supplier, currency), mine in rows.groupby(["supplier", "currency"], sort=True):
        known = bool(mine["payable"].notna().all())
        payable, paid = int(mine["payable"].fillna(0).sum()), int(mine["paid"].sum())
        out.append(
            Money(
                str(supplier),
                str(currency),
                payable if known else None,
                paid,
                payable - paid if known else None,
            )
        )
    return out


def _customer(night: Night, named: Named) -> Customer | None:
    facts = night.tables["orders"]
    row = facts[facts["order"] == named.orders[0]].iloc[0]
    return Customer(
        currency=str(row["currency"]),
        total=minor_of(row["order_total"]),
        paid=minor_of(row["paid_amount"]),
        refunded=int(row["refunded"]),
    )


def _concerned(night: Night, scope: Scope) -> list[Concerned]:
    """The orders of a thing that concerns several, in order of store and reference."""
    facts, orders = night.tables["supplier_orders"], night.matched.orders
    out = []
    for number in scope.named.orders:
        owners = facts.loc[facts["order"] == number, "supplier_order"]
        if scope.supplier_orders:
            owners = owners[owners.isin(scope.supplier_orders)]
        order = orders.iloc[number]
        money = tuple(_moneys(night, tuple(int(owner) for owner in owners)))
        out.append(Concerned(str(order["order_ref"]), str(order["store"]), money))
    return sorted(out, key=lambda one: (one.store, len(one.order_ref), one.order_ref))
