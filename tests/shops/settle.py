"""The documents that the ordinary course leaves behind, made once all cases have been changed."""

from __future__ import annotations

import numpy as np

from tests.shops.catalogue import Bools, Ints
from tests.shops.columns import (
    ORIGINAL,
    PAID_ALONE,
    PAID_BY_INVOICE,
    PAID_IN_BULK,
    InvoiceRows,
    ParcelRows,
    PaymentParts,
    Payments,
)
from tests.shops.life import ordinary
from tests.shops.world import World


def settle(world: World) -> None:
    """Write down the ordinary invoices, parcels and payments."""
    _invoice_rows(world)
    _parcel_rows(world)
    _paid_alone(world)
    _paid_in_bulk(world)
    _paid_by_invoice(world)


def _invoice_rows(world: World) -> None:
    lines, deals = world.lines, world.deals
    heads = world.heads[0]
    heads.day[deals.invoice] = deals.bill_day
    heads.due[deals.invoice] = deals.due
    mine = np.flatnonzero(deals.billed[lines.deal])
    world.invoice_rows.append(
        InvoiceRows(
            line=mine,
            invoice=deals.invoice[lines.deal[mine]],
            qty=lines.supply[mine],
            unit_micro=lines.unit_micro[mine],
            shipping=lines.shipping[mine],
            credit=np.zeros(len(mine), dtype=bool),
            duplicate=np.zeros(len(mine), dtype=bool),
        )
    )


def _parcel_rows(world: World) -> None:
    lines, deals = world.lines, world.deals
    whole = deals.whole_parcel[lines.deal]
    # A parcel that is listed without SKU is one row, which the first line of the deal brings.
    first = np.ones(len(whole), dtype=bool)
    first[1:] = lines.deal[1:] != lines.deal[:-1]
    mine = np.flatnonzero((lines.ship_day >= 0) & (first | ~whole))
    world.parcel_rows.append(
        ParcelRows(
            line=mine,
            day=lines.ship_day[mine],
            qty=lines.ship_qty[mine],
            parcel=lines.parcel[mine],
            delivered=lines.delivered[mine],
            replacement=np.full(len(mine), ORIGINAL, dtype=np.int64),
            whole=whole[mine],
        )
    )


def _paid_alone(world: World) -> None:
    deals = world.deals
    mine = np.flatnonzero(deals.mode == PAID_ALONE)
    count = len(mine)
    zero = np.zeros(count, dtype=np.int64)
    amount = deals.payable[mine]
    day, minute = deals.pay_day[mine], deals.pay_minute[mine]
    status = (world.rng.random(count) < 0.5).astype(np.int64)
    world.payments.append(Payments(deals.supplier[mine], day, minute, amount, status, zero))
    ids = world.payment_count + np.arange(count)
    world.parts.append(PaymentParts(ids, mine, amount, np.ones(count, dtype=bool)))
    world.payment_count += count


def _paid_in_bulk(world: World) -> None:
    """Payments of a few orders each, in order of their days."""
    deals = world.deals
    mine = np.flatnonzero(deals.mode == PAID_IN_BULK)
    if not len(mine):
        return
    mine = mine[np.argsort(deals.pay_day[mine], kind="stable")]
    day = deals.pay_day[mine]
    begins = _breaks(day, world.rng.random(len(mine)) < 0.25)
    payment = np.cumsum(begins) - 1
    world.add_bulk(mine, payment, day[begins], deals.pay_minute[mine][begins])


def _paid_by_invoice(world: World) -> None:
    """Whole invoices, sometimes two in one payment, sometimes with the order's reference too."""
    deals, rng = world.deals, world.rng
    mine = np.flatnonzero(deals.mode == PAID_BY_INVOICE)
    if not len(mine):
        return
    mine = mine[np.lexsort((deals.invoice[mine], deals.pay_day[mine]))]
    invoice, day = deals.invoice[mine], deals.pay_day[mine]
    begins = _breaks(invoice, np.zeros(len(mine), dtype=bool))
    place = np.cumsum(begins) - 1  # which invoice, counted from 0
    first = np.flatnonzero(begins)
    # Every second invoice may be paid together with the one before.
    count = len(first)
    with_last = (np.arange(count) % 2 == 1) & (rng.random(count) < 0.3)
    with_last[1:] &= day[first][1:] == day[first][:-1]
    plain = ordinary(world)[mine[first]]
    with_last[1:] &= plain[1:] & plain[:-1]
    payment_of = np.cumsum(~with_last) - 1
    payment = payment_of[place]
    world.pay_invoice(mine, invoice, day[first][~with_last], payment)
    alone = np.bincount(payment)[payment] == 1
    named = alone & plain[place] & (rng.random(len(mine)) < 0.5)
    world.parts[-1].named[:] = named


def _breaks(value: Ints, also: Bools) -> Bools:
    """Where a run of equal values begins, and where it is told to."""
    begins = also.copy()
    begins[0] = True
    begins[1:] |= value[1:] != value[:-1]
    return begins
