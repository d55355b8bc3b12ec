"""The ordinary course of every order, before anything goes wrong with some of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.shops.catalogue import ALDER, ITEMS, KESTREL, SUPPLIERS, Bools, Ints, prices
from tests.shops.clock import NEVER, Clock
from tests.shops.columns import (
    NOT_PAID,
    PAID_ALONE,
    PAID_BY_INVOICE,
    PAID_IN_BULK,
    Deals,
    Lines,
    Orders,
    sums,
)
from tests.shops.kind import BOTH, Cases, Kind
from tests.shops.orders import FIRST_MINUTE, LAST_MINUTE, fill_orders, place_orders
from tests.shops.world import World


def start(
    clock: Clock, kinds: Sequence[Kind], counts: Sequence[int], plain: int, seed: int
) -> World:
    """A shop in which every order takes its ordinary course, with places for the cases.

    ``counts`` says how many cases of each kind there are, ``plain`` how many other orders.
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    table = prices()
    orders = place_orders(clock, kinds, counts, plain, rng)
    lines = fill_orders(orders, kinds, table, rng, clock)
    deals, deal_of = _deals(orders, lines)
    world = World(clock, table, rng, orders, lines, deals, deal_of)
    _invoices(world, kinds)
    _kestrel(world)
    _alder(world)
    return world


def cases(world: World, kind: Kind, index: int) -> Cases:
    """Where the cases of a kind are."""
    found = np.flatnonzero(world.orders.kind == index)
    by_group = found[np.lexsort((world.orders.role[found], world.orders.group[found]))]
    orders = by_group.reshape(-1, kind.orders)
    orders = orders[np.argsort(orders[:, 0], kind="stable")]
    deals = world.deal_of[orders, KESTREL if kind.supplier == BOTH else kind.supplier]
    return Cases(orders, deals)


def _deals(orders: Orders, lines: Lines) -> tuple[Deals, Ints]:
    """One supplier order for each order and supplier on it."""
    pairs, place = np.unique(lines.order * 2 + lines.deal, return_inverse=True)
    lines.deal = place.astype(np.int64)
    count = len(pairs)
    order, supplier = pairs // 2, pairs % 2
    deal_of = np.full((len(orders.day), len(SUPPLIERS)), -1, dtype=np.int64)
    deal_of[order, supplier] = np.arange(count)
    unpriced = np.array([item.goods == "unpriced" for item in ITEMS])
    never = np.full(count, NEVER, dtype=np.int64)
    zero = np.zeros(count, dtype=np.int64)
    deals = Deals(
        order=order,
        supplier=supplier,
        payable=sums(lines.deal, lines.amount, count),
        priced=sums(lines.deal, unpriced[lines.sku].astype(np.int64), count) == 0,
        mode=zero.copy(),
        pay_day=never.copy(),
        pay_minute=zero.copy(),
        billed=np.zeros(count, dtype=bool),
        bill_day=never.copy(),
        due=never.copy(),
        invoice=zero.copy(),
        whole_parcel=np.zeros(count, dtype=bool),
    )
    return deals, deal_of


def _invoices(world: World, kinds: Sequence[Kind]) -> None:
    """An invoice for each of Kestrel's; one for a few of a day for Alder's."""
    orders, deals = world.orders, world.deals
    kind = orders.kind[deals.order]
    shared = np.array([*(each.one_invoice for each in kinds), False])[kind]
    begins = np.ones(len(deals.order), dtype=bool)
    together = np.flatnonzero((deals.supplier == ALDER) & (kind < 0))  # in order of their days
    day = orders.day[deals.order[together]]
    same = np.concatenate([[False], day[1:] == day[:-1]]) if len(day) else np.zeros(0, dtype=bool)
    begins[together] = ~same | (world.rng.random(len(together)) < 0.45)
    number = np.zeros(len(deals.order), dtype=np.int64)
    alone = np.ones(len(deals.order), dtype=bool)
    alone[together] = False
    number[together] = np.cumsum(begins[together]) - 1
    first = int(number.max(initial=-1)) + 1
    number[alone] = first + np.arange(int(alone.sum()))
    first += int(alone.sum())
    number[shared] = first + orders.group[deals.order[shared]]
    _, deals.invoice[:] = np.unique(number, return_inverse=True)
    count = int(deals.invoice.max(initial=-1)) + 1
    supplier = np.zeros(count, dtype=np.int64)
    supplier[deals.invoice] = deals.supplier
    never = np.full(count, NEVER, dtype=np.int64)
    world.add_heads(supplier, never, never.copy())


def _send(world: World, lines: Ints, day: Ints) -> None:
    """Ship these lines on these days where they are past, and post the numbers soon after."""
    clock, rng = world.clock, world.rng
    done = day <= clock.as_of
    lines, day = lines[done], day[done]
    deal = world.lines.deal[lines]
    count = len(world.deals.order)
    supplier = world.deals.supplier[deal]
    longest = np.array([each.delivery_days - 2 for each in SUPPLIERS])
    travel = (3 + rng.random(count) * (longest[world.deals.supplier] - 3)).astype(np.int64)[deal]
    world.ship(lines, day)
    arrival = day + np.minimum(travel, longest[supplier])
    world.lines.delivered[lines] = np.where(arrival <= clock.as_of, arrival, NEVER)
    posted = day + rng.integers(0, 2, count)[deal]
    posted = np.where(posted <= clock.export_day, posted, NEVER)
    world.lines.posted[lines] = posted
    world.lines.sent[lines] = posted
    late = (day >= clock.as_of - 2) & (rng.random(count) < 0.2)[deal]
    world.no_number(lines[late])
    suppliers = (world.deal_of >= 0).sum(axis=1)[world.deals.order]
    whole = ordinary(world) & (suppliers == 1) & (rng.random(count) < 0.08)
    world.deals.whole_parcel[deal] = whole[deal]


def _kestrel(world: World) -> None:
    """Paid by the day after the order, alone or in bulk; sent within three working days."""
    orders, deals, rng, clock = world.orders, world.deals, world.rng, world.clock
    mine = np.flatnonzero(world.is_kestrel)
    day = orders.day[deals.order[mine]]
    pay_day = day + (rng.random(len(mine)) < 0.4)
    waits = (day == clock.export_day) & (rng.random(len(mine)) < 0.4)
    ordinary = orders.kind[deals.order[mine]] < 0
    in_bulk = ordinary & (rng.random(len(mine)) < 0.55)
    deals.mode[mine] = np.where(in_bulk, PAID_IN_BULK, PAID_ALONE)
    deals.pay_day[mine] = pay_day
    deals.pay_minute[mine] = rng.integers(FIRST_MINUTE, LAST_MINUTE, len(mine))
    ship_day = clock.add_business_days(KESTREL, pay_day, rng.integers(1, 4, len(mine)))
    world.not_paid(mine[waits & ordinary])
    ship_of_deal = np.full(len(deals.order), clock.as_of + 1, dtype=np.int64)
    ship_of_deal[mine[~(waits & ordinary)]] = ship_day[~(waits & ordinary)]
    lines = world.lines_of(mine)
    _send(world, lines, ship_of_deal[world.lines.deal[lines]])
    billed = (rng.random(len(mine)) < 0.85) & (ship_of_deal[mine] <= clock.as_of)
    billed &= deals.priced[mine]
    world.bill(mine[billed], ship_of_deal[mine[billed]])


def _alder(world: World) -> None:
    """Billed on the day of the order, sent within five working days, paid when it falls due."""
    orders, deals, rng, clock = world.orders, world.deals, world.rng, world.clock
    mine = np.flatnonzero(~world.is_kestrel)
    day = orders.day[deals.order[mine]]
    world.bill(mine, day)
    deals.due[mine] = day + SUPPLIERS[ALDER].due_days
    early = rng.integers(0, 5, world.invoice_count)[deals.invoice[mine]]
    pay_day = deals.due[mine] - early
    paid = pay_day <= clock.as_of
    deals.mode[mine] = np.where(paid, PAID_BY_INVOICE, NOT_PAID)
    deals.pay_day[mine] = np.where(paid, pay_day, NEVER)
    ship_of_deal = np.zeros(len(deals.order), dtype=np.int64)
    ship_of_deal[mine] = clock.add_business_days(ALDER, day, rng.integers(1, 6, len(mine)))
    lines = world.lines_of(mine)
    _send(world, lines, ship_of_deal[world.lines.deal[lines]])


def ordinary(world: World) -> Bools:
    """Which supplier orders belong to orders that are no case."""
    return np.asarray(world.orders.kind[world.deals.order] < 0)
