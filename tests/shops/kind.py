"""What a fault or a look-alike is made of."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tests.shops.catalogue import KESTREL, Goods, Ints
from tests.shops.clock import Clock
from tests.shops.world import World

BOTH = 2  # an order with lines of both suppliers; the case is about Kestrel's part

DaysOf = Callable[[Clock, np.random.Generator, int], Ints]


@dataclass(frozen=True)
class Cases:
    """The cases of one kind in a shop: ``orders`` is (cases, orders of a case), role 0 first."""

    orders: Ints
    deals: Ints  # same shape: the supplier order that the case is about

    @property
    def order(self) -> Ints:
        """The order that each case is about."""
        return np.ascontiguousarray(self.orders[:, 0])

    @property
    def deal(self) -> Ints:
        """The supplier order that each case is about."""
        return np.ascontiguousarray(self.deals[:, 0])


Change = Callable[[World, Cases], None]


def old(clock: Clock, rng: np.random.Generator, count: int) -> Ints:
    """Days so long ago that everything that was going to happen has happened."""
    return rng.integers(clock.first_day, clock.as_of - 32, count, dtype=np.int64)


def before_all(clock: Clock, _rng: np.random.Generator, count: int) -> Ints:
    """The day before the first of all other orders."""
    return np.full(count, clock.first_day - 1, dtype=np.int64)


def days_ago(ago: int) -> DaysOf:
    """Orders of one day, so many days before the run."""

    def day(clock: Clock, _rng: np.random.Generator, count: int) -> Ints:
        return np.full(count, clock.as_of - ago, dtype=np.int64)

    return day


def on(turn: Callable[[Clock, int], int], supplier: int, before: int = 0) -> DaysOf:
    """Orders of a day on which something turns for a supplier, or some days before it."""

    def day(clock: Clock, _rng: np.random.Generator, count: int) -> Ints:
        return np.full(count, turn(clock, supplier) - before, dtype=np.int64)

    return day


def nothing(_world: World, _cases: Cases) -> None:
    """An order that takes its ordinary course."""


@dataclass(frozen=True)
class Kind:
    """One way in which orders go wrong, or only look as if they did.

    ``gives`` are the rule and verdict of every exception about the order in question; the other
    orders of a case take their ordinary course and give none. ``change`` turns the ordinary
    course of the orders into the case.
    """

    name: str
    story: str
    change: Change = nothing
    gives: tuple[tuple[str, str], ...] = ()
    day: DaysOf = old
    supplier: int = KESTREL
    orders: int = 1
    lines: tuple[int, ...] = (1, 2)
    goods: Goods | Literal["any"] = "any"
    qty: int = 0  # of each line; 0 = drawn
    items: Literal["drawn", "by role", "same"] = "drawn"
    one_invoice: bool = False  # the orders of a case are on one invoice
    weight: int = 1  # how many times as common as the others
    sample_only: bool = False
    once: bool = False  # one case in a shop, however large, and none in the sample

    @property
    def is_fault(self) -> bool:
        """Whether something is open about it."""
        return any(verdict == "open" for _, verdict in self.gives)
