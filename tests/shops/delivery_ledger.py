"""What the truth says of deliveries, tracking numbers and what customers paid."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tests.shops.catalogue import ITEMS, KESTREL, SUPPLIERS, Bools, Ints
from tests.shops.clock import NEVER
from tests.shops.columns import (
    DAMAGED,
    MISTYPED,
    NO_PARCEL,
    NOT_WRITTEN,
    ORIGINAL,
    ParcelRows,
    joined,
    sums,
)
from tests.shops.facts import Facts
from tests.shops.world import World

if TYPE_CHECKING:
    from tests.shops.ledger import Book

LOST_DAYS, WITHIN_DAYS = 15, 30
DELIVERY_RULES = {
    "sent-after-cancel": ("at-risk", "claim"),
    "over-shipped": ("info", "check"),
    "tracking-invalid": ("timing", "chase"),
    "tracking-mismatch": ("timing", "post"),
    "tracking-reused": ("at-risk", "check"),
    "posted-not-shipped": ("at-risk", "chase"),
    "late-delivery": ("timing", "chase"),
    "lost": ("claim", "claim"),
    "delivered-late": ("info", "check"),
    "customer-overpaid": ("owed", "refund"),
    "sold-at-loss": ("info", "check"),
}
_EUR_FOR_USD, _MILLION = 909_091, 1_000_000


def deliveries(world: World, found: Facts, book: Book) -> None:
    """Write down everything of these rules."""
    _sent_after(world, found, book)
    _on_the_way(world, found, book)
    _shown(world, found, book)
    _numbers(world, found, book)
    _customers(world, found, book)


def _gone(world: World) -> tuple[ParcelRows, Bools]:
    rows = joined(world.parcel_rows)
    return rows, rows.day <= world.clock.as_of


def _sent_after(world: World, found: Facts, book: Book) -> None:
    lines, orders, deals = world.lines, world.orders, world.deals
    rows, gone = _gone(world)
    mine = gone & (rows.replacement == ORIGINAL)
    ended = np.where(orders.cancelled != NEVER, orders.cancelled, orders.refunded_on)
    over = ~found.live & (ended[deals.order] != NEVER)
    after = np.zeros(len(deals.order), dtype=bool)
    deal = lines.deal[rows.line]
    late = mine & over[deal] & (rows.day > ended[deals.order[deal]])
    after[deal[late]] = True
    which = np.flatnonzero(after & ~found.ghost)
    book.add("sent-after-cancel", "open", which, amount=found.paid[which])
    sent = sums(rows.line[mine & ~rows.whole], rows.qty[mine & ~rows.whole], len(lines.order))
    line = np.flatnonzero((sent > lines.qty) & ~found.ghost[lines.deal])
    book.add("over-shipped", "open", lines.deal[line], line=line)


def _tally(world: World, rows: ParcelRows, mine: Bools) -> tuple[Ints, Ints, Ints, Ints]:
    """By line: parcels, those that have arrived, the last dispatch and the last arrival."""
    lines, deals = world.lines, world.deals
    size, there = len(lines.order), rows.delivered != NOT_WRITTEN
    found = []
    for chosen in (mine, mine & there):
        alone = np.bincount(rows.line[chosen & ~rows.whole], minlength=size)
        whole = lines.deal[rows.line[chosen & rows.whole]]
        found.append(alone + np.bincount(whole, minlength=len(deals.order))[lines.deal])
    for days in (rows.day, rows.delivered):
        last = np.full(size, NEVER, dtype=np.int64)
        np.maximum.at(last, rows.line[mine & ~rows.whole], days[mine & ~rows.whole])
        by_deal = np.full(len(deals.order), NEVER, dtype=np.int64)
        np.maximum.at(by_deal, lines.deal[rows.line[mine & rows.whole]], days[mine & rows.whole])
        found.append(np.maximum(last, by_deal[lines.deal]))
    parcels, arrived, sent, came = (np.asarray(each, dtype=np.int64) for each in found)
    return parcels, arrived, sent, came


def _takes(world: World) -> Ints:
    """Days from dispatch to delivery: three more to the last country, where the quote says so."""
    lines, orders = world.lines, world.orders
    usual = np.array([each.delivery_days for each in SUPPLIERS])[world.deals.supplier[lines.deal]]
    by_country = np.array([item.goods not in ("anywhere", "unpriced") for item in ITEMS])
    far = (orders.country[lines.order] == 3) & by_country[lines.sku]
    return np.asarray(usual + 3 * far)


def _share(world: World, found: Facts, line: Ints) -> Ints:
    """What is paid for a line: all that it costs, or nothing."""
    deal = world.lines.deal[line]
    paid, exact = found.paid[deal], found.paid[deal] == found.payable[deal]
    if not (exact | (paid == 0)).all():
        raise AssertionError("a share of what is paid that is neither all nor nothing")
    return np.asarray(np.where(paid == 0, 0, world.lines.amount[line]))


def _on_the_way(world: World, found: Facts, book: Book) -> None:
    lines, as_of = world.lines, world.clock.as_of
    rows, gone = _gone(world)
    parcels, there, sent, came = _tally(world, rows, gone & (rows.replacement == ORIGINAL))
    again, again_there, again_sent, _ = _tally(world, rows, gone & (rows.replacement != ORIGINAL))
    real = ~found.ghost[lines.deal] & (parcels > 0)
    arrived = (there == parcels) | ((again > 0) & (again_there == again))
    takes = _takes(world)
    promise = np.where(lines.promised != NEVER, lines.promised, sent + takes)
    limit = np.where(again > 0, np.maximum(promise, again_sent + takes), promise)
    line = np.flatnonzero(real & ~arrived)
    deal, due = lines.deal[line], limit[line]
    lost = due + LOST_DAYS < as_of
    book.add("late-delivery", due < as_of, deal, line=line, due=due)
    book.pages[-1].loc[lost, "verdict"] = "follows"
    share = _share(world, found, line)
    book.add("lost", lost, deal, line=line, amount=share, due=due + LOST_DAYS)
    late = real & (there == parcels) & (came > promise) & (came >= as_of - WITHIN_DAYS)
    line = np.flatnonzero(late)
    book.add("delivered-late", "open", lines.deal[line], line=line)


def _shown(world: World, found: Facts, book: Book) -> None:
    lines, as_of = world.lines, world.clock.as_of
    rows, gone = _gone(world)
    parcels, _, _, _ = _tally(world, rows, gone)
    day = np.where(lines.sent != NEVER, lines.sent, lines.posted)
    shown = (day != NEVER) & (day <= as_of) & ~found.ghost[lines.deal]
    line = np.flatnonzero(shown & (parcels == 0) & (lines.live > 0))
    deal, due = lines.deal[line], day[line] + 1
    share = _share(world, found, line)
    book.add("posted-not-shipped", due < as_of, deal, line=line, amount=share, due=due)
    other = shown & (parcels > 0) & (lines.shown != NO_PARCEL) & (lines.shown != lines.parcel)
    line = np.flatnonzero(other & (lines.posted != NEVER))
    book.add("tracking-mismatch", "open", lines.deal[line], line=line)
    book.pages[-1].loc[_invalid(lines.parcel[line]), "verdict"] = "follows"


def _invalid(parcel: Ints) -> Bools:
    return np.asarray((parcel == DAMAGED) | (parcel >= MISTYPED))


def _numbers(world: World, found: Facts, book: Book) -> None:
    lines, orders = world.lines, world.orders
    rows, gone = _gone(world)
    real = gone & ~found.ghost[lines.deal[rows.line]]
    row = np.flatnonzero(real & _invalid(rows.parcel))
    book.add("tracking-invalid", "open", lines.deal[rows.line[row]], line=rows.line[row])
    row = np.flatnonzero(real & (rows.parcel >= 0))
    order = lines.order[rows.line[row]]
    place = np.lexsort((rows.day[row], rows.parcel[row]))
    row, order = row[place], order[place]
    same = rows.parcel[row][1:] == rows.parcel[row][:-1]
    other = orders.recipient[order][1:] != orders.recipient[order][:-1]
    deal = np.unique(lines.deal[rows.line[row[1:][same & other]]])
    book.add("tracking-reused", "open", deal, amount=found.paid[deal])


def _customers(world: World, found: Facts, book: Book) -> None:
    orders, lines = world.orders, world.lines
    excess = orders.customer_paid - orders.refunded - orders.total
    order = np.flatnonzero((excess > 0) & ~orders.ghost)
    book.add("customer-overpaid", "open", world.deal_of[order].max(axis=1), amount=excess[order])
    book.pages[-1]["supplier"] = NEVER
    # Only an order of one supplier, whole as it was ordered, can be a sale at a loss here.
    changed = sums(lines.order, (lines.live != lines.qty).astype(np.int64), len(orders.day)) > 0
    deal = np.flatnonzero(found.known & (found.payable > 0) & ~found.ghost)
    order = world.deals.order[deal]
    keep = ~changed[order] & ((world.deal_of[order] >= 0).sum(axis=1) == 1)
    deal, order = deal[keep], order[keep]
    in_dollars = world.deals.supplier[deal] != KESTREL
    rate = np.where(in_dollars, _EUR_FOR_USD, _MILLION)
    loss = found.payable[deal] * rate - orders.total[order] * _MILLION
    cents = (2 * np.abs(loss) + _MILLION) // (2 * _MILLION)
    hit = (loss > 0) & (cents > 0)
    book.add("sold-at-loss", "open", deal[hit], amount=cents[hit])
