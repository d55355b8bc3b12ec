"""The only subset of amounts that adds up to a payment, and the proof that it is the only one."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import gcd
from typing import Literal

import numpy as np

from reconcile.matching.columns import Ints
from reconcile.matching.subset_search import by_halves, by_reach, halves_steps, reach_steps

Outcome = Literal["only", "none", "several", "gave-up"]

# A step is a 64-bit word of sums that is made or looked at, some five nanoseconds: the limit is
# reached after about half a second, for 200 amounts and targets of several million minor units.
# It is counted and never timed, so that the same question always ends in the same way.
MOST_STEPS = 50_000_000
_BY_COUNT: tuple[Outcome, ...] = ("none", "only", "several")
_MOST_SUM = np.iinfo(np.int64).max // 2


@dataclass(frozen=True)
class Subset:
    """What the search found: positions of the amounts, rising.

    ``chosen`` where the outcome is ``only``; where it is ``several``, ``chosen`` and ``other``
    are the first two; where it is ``gave-up``, ``chosen`` is the one amount that is the target
    alone, if there is one. ``steps`` is what the search took.
    """

    outcome: Outcome
    chosen: tuple[int, ...] = ()
    other: tuple[int, ...] = ()
    steps: int = field(default=0, compare=False)


def only_subset(amounts: Ints, target: int, most_steps: int = MOST_STEPS) -> Subset:
    """The one subset of positive amounts that adds up to the target exactly.

    Either the outcome is proven, or it is ``gave-up``: after ``most_steps``, or where the sums
    would not fit into 64 bits. Two subsets of one sum are ``several``, also where they hold
    equal amounts at other positions. Amounts of zero or less, and above the target, are never
    part. The first two are those that the search comes to first, the smaller set before
    the larger: always the same for the same amounts in the same order.
    """
    usable = np.flatnonzero((amounts > 0) & (amounts <= target))
    if target <= 0 or not len(usable):
        return Subset("none")
    usable = usable[np.argsort(amounts[usable], kind="stable")]
    exact = usable[np.searchsorted(amounts[usable], target) :].tolist()
    if len(exact) > 1:
        return Subset("several", (exact[0],), (exact[1],))
    if target > _MOST_SUM // len(usable):
        return Subset("gave-up", tuple(exact))
    found, steps = _solutions(amounts[usable], target, most_steps)
    if found is None:
        return Subset("gave-up", tuple(exact), steps=steps)
    told = sorted((tuple(sorted(usable[list(one)].tolist())) for one in found), key=_small_first)
    first, second, *_ = [*told, (), ()]
    return Subset(_BY_COUNT[len(found)], first, second, steps)


def _small_first(chosen: tuple[int, ...]) -> tuple[int, tuple[int, ...]]:
    return len(chosen), chosen


def _solutions(
    amounts: Ints, target: int, most_steps: int
) -> tuple[list[tuple[int, ...]] | None, int]:
    """The first two solutions over rising positive amounts, None where it gave up; and the steps.

    What is left out of a solution adds up to the rest of the whole: the smaller of the two sums
    is searched for.
    """
    amounts = amounts[: np.searchsorted(amounts, target, side="right")]
    rest = int(amounts.sum()) - target
    if target == 0:
        return [()], 0
    if rest < 0:
        return [], 0
    if rest < target:
        found, steps = _solutions(amounts, rest, most_steps)
        every = frozenset(range(len(amounts)))
        turned = None if found is None else [tuple(sorted(every - set(one))) for one in found]
        return turned, steps
    # One unit that divides all; of very many small amounts the first few show that there is none.
    unit = int(np.gcd.reduce(amounts[:64]))
    if unit > 1:
        unit = int(np.gcd.reduce(amounts))
    if target % unit:
        return [], 0
    amounts, target = amounts // unit, target // unit
    halves = halves_steps(len(amounts))
    if halves <= min(4 * reach_steps(len(amounts), target), most_steps):
        return by_halves(amounts, target), halves
    spread = _spread(len(amounts))
    found, steps = by_reach(amounts[spread], target, most_steps)
    return None if found is None else [tuple(spread[list(one)].tolist()) for one in found], steps


def _spread(size: int) -> Ints:
    """Every place once, small and large amounts mixed: so two solutions come soonest.

    Steps of about the golden section, which leave no gap for long.
    """
    step = int(size * 0.618) + 1
    while gcd(step, size) > 1:
        step += 1
    return np.arange(size) * step % size
