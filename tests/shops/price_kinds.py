"""Faults of what suppliers bill: prices above the quote, another country's, and without any."""

from __future__ import annotations

import numpy as np

from tests.shops.catalogue import ALDER, COUNTRIES, Ints
from tests.shops.columns import InvoiceRows
from tests.shops.kind import Cases, Kind
from tests.shops.orders import agree
from tests.shops.world import World

DEARER_MICRO = 70_000  # seven cents a unit
DEAREST = COUNTRIES.index("US")  # of Kestrel's quotes


def _bill_at(world: World, cases: Cases, day: Ints, unit_micro: Ints, shipping: Ints) -> Ints:
    """Bill the one line of each order at these prices; what that comes to."""
    lines = world.lines_of(cases.deal)
    world.not_billed(cases.deal)
    rows = InvoiceRows(
        line=lines,
        invoice=world.new_invoices(cases.deal, day),
        qty=world.lines.supply[lines],
        unit_micro=unit_micro,
        shipping=shipping,
        credit=np.zeros(len(lines), dtype=bool),
        duplicate=np.zeros(len(lines), dtype=bool),
    )
    world.add_invoice_rows(rows)
    return rows.amount


def dearer(world: World, cases: Cases) -> None:
    """Billed and paid at seven cents a unit above the quote."""
    lines = world.lines_of(cases.deal)
    day = world.deals.pay_day[cases.deal].copy()
    unit = world.lines.unit_micro[lines] + DEARER_MICRO
    billed = _bill_at(world, cases, day, unit, world.lines.shipping[lines])
    world.not_paid(cases.deal)
    world.add_payments(cases.deal, billed, day)


def dearer_shipping(world: World, cases: Cases) -> None:
    """Billed with a higher shipping, and not paid."""
    lines = world.lines_of(cases.deal)
    day = world.orders.day[cases.order]
    world.not_paid(cases.deal)
    shipping = world.lines.shipping[lines] + 90
    _bill_at(world, cases, day, world.lines.unit_micro[lines], shipping)


def dearest_country(world: World, cases: Cases) -> None:
    """Billed and paid at the rate of the dearest country, to which the order does not go."""
    lines, orders = world.lines, world.orders
    mine = world.lines_of(cases.deal)
    there = orders.country[cases.order]
    orders.country[cases.order] = DEAREST
    agree(lines, orders, world.prices, world.clock, mine)
    unit, shipping = lines.unit_micro[mine].copy(), lines.shipping[mine].copy()
    orders.country[cases.order] = np.where(there == DEAREST, 0, there)
    agree(lines, orders, world.prices, world.clock, mine)
    world.deals.payable[cases.deal] = lines.amount[mine]
    day = world.deals.pay_day[cases.deal].copy()
    billed = _bill_at(world, cases, day, unit, shipping)
    world.not_paid(cases.deal)
    world.add_payments(cases.deal, billed, day)


def billed_without_quote(world: World, cases: Cases) -> None:
    world.bill(cases.deal, world.deals.pay_day[cases.deal])


PRICE_FAULTS = (
    Kind(
        "overcharged",
        "billed and paid at seven cents a unit above the quote",
        dearer,
        (("overcharged", "open"),),
        lines=(1,),
        goods="plain",
    ),
    Kind(
        "overcharged-shipping",
        "billed with 0.90 more of shipping than quoted, and not paid",
        dearer_shipping,
        (("overcharged", "open"), ("unpaid", "open")),
        supplier=ALDER,
        lines=(1,),
        goods="plain",
    ),
    Kind(
        "wrong-country-rate",
        "billed and paid at the rate of another country",
        dearest_country,
        (("wrong-country-rate", "open"), ("overcharged", "follows")),
        lines=(1,),
        goods="plain",
    ),
    Kind(
        "no-quote",
        "billed without a quote",
        billed_without_quote,
        (("no-quote", "open"),),
        lines=(1,),
        goods="unpriced",
        qty=1,
    ),
)
