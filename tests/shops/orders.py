"""Orders and their lines: when, what, how many, at which prices."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.shops.catalogue import (
    ALDER,
    BREAK_QTY,
    COUNTRIES,
    KESTREL,
    MICRO_IN_CENT,
    Ints,
    Prices,
    pool,
)
from tests.shops.clock import NEVER, Clock
from tests.shops.columns import NO_PARCEL, Lines, Orders, round_half_up, sums
from tests.shops.kind import BOTH, Kind

FIRST_MINUTE, LAST_MINUTE = 8 * 60, 21 * 60
_STEPS = np.array([1, 5, 7])  # each visits twelve goods without meeting one twice


def place_orders(
    clock: Clock,
    kinds: Sequence[Kind],
    counts: Sequence[int],
    plain: int,
    rng: np.random.Generator,
) -> Orders:
    """Orders by day, numbered in that order."""
    sizes = np.array([kind.orders for kind in kinds], dtype=np.int64)
    of_kind = np.asarray(counts, dtype=np.int64)
    kind_of_group = np.repeat(np.arange(len(kinds)), of_kind)
    days = [kind.day(clock, rng, int(n)) for kind, n in zip(kinds, counts, strict=True)]
    size_of_group = sizes[kind_of_group]
    group = np.repeat(np.arange(len(kind_of_group)), size_of_group)
    begin = np.repeat(np.cumsum(size_of_group) - size_of_group, size_of_group)
    none = np.full(plain, -1, dtype=np.int64)
    ordinary_days = rng.integers(clock.first_day, clock.as_of, plain, dtype=np.int64)
    ordinary_days[:1] = clock.export_day  # the export reaches to its last day in any case
    special_days = np.concatenate([*days, np.zeros(0, dtype=np.int64)])
    day = np.concatenate([np.repeat(special_days, size_of_group), ordinary_days])
    count = len(day)
    minute = rng.integers(FIRST_MINUTE, LAST_MINUTE, count)
    place = np.lexsort((minute, day))
    group_of = np.concatenate([group, none])[place]
    country = rng.integers(0, len(COUNTRIES), count)
    shared = rng.integers(0, len(COUNTRIES), max(len(kind_of_group), 1))
    never = np.full(count, NEVER, dtype=np.int64)
    base = 10 ** len(str(count)) * 10 if count < 10**4 else 10 ** len(str(count))
    zero = np.zeros(count, dtype=np.int64)
    return Orders(
        kind=np.concatenate([kind_of_group[group], none])[place],
        group=group_of,
        role=np.concatenate([np.arange(len(group)) - begin, none])[place],
        day=day[place],
        minute=minute[place],
        country=np.where(group_of >= 0, shared[group_of], country),
        recipient=np.arange(count) * 31 % (count // 2 + 1),
        number=base + 1 + np.arange(count),
        bare=np.zeros(count, dtype=bool),
        ghost=np.zeros(count, dtype=bool),
        funded=np.ones(count, dtype=bool),
        total=zero.copy(),
        customer_paid=zero.copy(),
        shipping_charged=zero.copy(),
        discount=zero.copy(),
        cancelled=never.copy(),
        refunded_on=never.copy(),
        refunded=zero.copy(),
        first_line=zero.copy(),
        line_count=zero.copy(),
    )


def fill_orders(
    orders: Orders, kinds: Sequence[Kind], table: Prices, rng: np.random.Generator, clock: Clock
) -> Lines:
    """One to three lines for each order, with goods, quantities and agreed prices."""
    count = len(orders.day)
    mix = rng.choice(3, count, p=[0.46, 0.44, 0.10])
    size = rng.choice(3, count, p=[0.60, 0.30, 0.10]) + 1
    base = rng.integers(0, 12, count)
    for index, kind in enumerate(kinds):
        mine = orders.kind == index
        mix[mine] = kind.supplier
        size[mine] = rng.choice(np.array(kind.lines), int(mine.sum()))
        if kind.items == "by role":
            base[mine] = orders.role[mine]
        if kind.items == "same":
            base[mine] = orders.group[mine] % 12
    size = np.where(mix == BOTH, np.maximum(size, 2), size)
    orders.line_count[:] = size
    orders.first_line[:] = np.cumsum(size) - size
    order = np.repeat(np.arange(count), size)
    no = np.arange(len(order)) - orders.first_line[order]
    supplier = np.where(mix[order] == BOTH, no % 2, mix[order])
    step = np.where(orders.kind >= 0, 1, rng.choice(_STEPS, count))[order]
    sku = _skus(kinds, orders.kind[order], supplier, base[order] + no * step)
    qty = rng.choice(np.array([1, 2, 3, 4, 6]), len(order), p=[0.62, 0.25, 0.08, 0.03, 0.02])
    for index, kind in enumerate(kinds):
        if kind.qty:
            qty[orders.kind[order] == index] = kind.qty
    never = np.full(len(order), NEVER, dtype=np.int64)
    promised = rng.random(len(order)) < 0.1
    lines = Lines(
        order=order,
        deal=supplier,  # replaced once supplier orders are numbered
        no=no + 1,
        sku=sku,
        qty=qty,
        refunded_qty=np.zeros_like(qty),
        live=qty.copy(),
        supply=qty.copy(),
        price=table.sales_cents[sku],
        discount=np.where(rng.random(len(order)) < 0.05, 100, 0),
        unit_micro=np.zeros_like(qty),
        goods=np.zeros_like(qty),
        shipping=np.zeros_like(qty),
        ship_day=never.copy(),
        ship_qty=qty.copy(),
        parcel=np.full(len(order), NO_PARCEL, dtype=np.int64),
        shown=np.full(len(order), NO_PARCEL, dtype=np.int64),
        delivered=never.copy(),
        posted=never.copy(),
        sent=never.copy(),
        promised=np.where(promised, orders.day[order] + 40, NEVER),
    )
    agree(lines, orders, table, clock, np.arange(len(order)))
    charge(orders, lines, rng)
    return lines


def _skus(kinds: Sequence[Kind], kind_of: Ints, supplier: Ints, turn: Ints) -> Ints:
    """The goods of each line, of the class that its kind wants; ``turn`` walks through them."""
    every = np.stack([pool(KESTREL, "any"), pool(ALDER, "any")])
    sku = every[supplier, turn % every.shape[1]]
    for index, kind in enumerate(kinds):
        if kind.goods == "any":
            continue
        mine = np.flatnonzero(kind_of == index)
        for who in (KESTREL, ALDER):
            here = mine[supplier[mine] == who]
            goods = pool(who, kind.goods)
            if len(here):
                sku[here] = goods[turn[here] % len(goods)]
    return np.asarray(sku)


def agree(lines: Lines, orders: Orders, table: Prices, clock: Clock, where: Ints) -> None:
    """Price what is asked of the supplier by the quote of the order's day, line by line."""
    sku, supply = lines.sku[where], lines.supply[where]
    order = lines.order[where]
    country = orders.country[order]
    period = (orders.day[order] >= clock.new_quotes_day).astype(np.int64)
    step = (table.has_break[sku] & (supply >= BREAK_QTY)).astype(np.int64)
    lines.unit_micro[where] = table.cost_micro[sku, country, period, step]
    lines.goods[where] = round_half_up(supply * lines.unit_micro[where], MICRO_IN_CENT)
    further = table.shipping_next[sku, country] * (supply - 1)
    lines.shipping[where] = table.shipping[sku, country] + further


def charge(orders: Orders, lines: Lines, rng: np.random.Generator) -> None:
    """What customers owe and have paid for their orders."""
    count = len(orders.day)
    goods = sums(lines.order, lines.qty * lines.price - lines.discount, count)
    orders.discount[:] = np.where(rng.random(count) < 0.04, 200, 0)
    orders.shipping_charged[:] = np.where(goods < 10_000, 490, 0)
    orders.total[:] = total_of(orders, goods)
    orders.customer_paid[:] = orders.total


def total_of(orders: Orders, goods: Ints) -> Ints:
    """What customers owe for goods that come to so much."""
    return goods - orders.discount + orders.shipping_charged
