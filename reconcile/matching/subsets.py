"""The only subset of amounts that adds up to a payment, and the proof that it is the only one."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

MOST_AMOUNTS = 40

Outcome = Literal["only", "none", "several", "too-many"]


@dataclass(frozen=True)
class Subset:
    """What the search found: positions of the amounts where the outcome is ``only``."""

    outcome: Outcome
    chosen: tuple[int, ...] = ()


def only_subset(amounts: Sequence[int], target: int) -> Subset:
    """The one subset of positive amounts that adds up to the target exactly.

    Meet in the middle: every subset of either half once, so that up to 40 amounts take some
    hundred milliseconds and the search either proves its answer or says that it is too large.
    Two subsets of one sum are ``several``, also where they hold equal amounts of other orders.
    """
    usable = [(amount, at) for at, amount in enumerate(amounts) if 0 < amount <= target]
    if sum(amount for amount, _ in usable) < target or target <= 0:
        return Subset("none")
    if len(usable) > MOST_AMOUNTS:
        return Subset("too-many")
    left, right = usable[::2], usable[1::2]
    small, large = _sums(left, target), _sums(right, target)
    ordered = sorted(large)
    keys = [total for total, _ in ordered]
    found: tuple[int, int] | None = None
    for amount, mask in small:
        begin, end = bisect_left(keys, target - amount), bisect_right(keys, target - amount)
        if end - begin + (found is not None) > 1:
            return Subset("several")
        if end > begin:
            found = (mask, ordered[begin][1])
    if found is None:
        return Subset("none")
    chosen = [left[bit][1] for bit in range(len(left)) if found[0] >> bit & 1]
    chosen += [right[bit][1] for bit in range(len(right)) if found[1] >> bit & 1]
    return Subset("only", tuple(sorted(chosen)))


def _sums(half: Sequence[tuple[int, int]], most: int) -> list[tuple[int, int]]:
    """Every subset of one half: its sum, and its members as bits; sums above ``most`` left out."""
    sums = [(0, 0)]
    for bit, (amount, _) in enumerate(half):
        sums += [(have + amount, mask | 1 << bit) for have, mask in sums if have + amount <= most]
    return sums
