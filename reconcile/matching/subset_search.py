"""Two ways to find the subsets of one sum, by the number of amounts and by the size of the sum.

Both give the first two solutions, which is enough to tell one from several. Amounts are positive,
at most the target.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import isqrt

import numpy as np
from numpy.typing import NDArray

from reconcile.matching.columns import Ints

MOST_BY_HALVES = 40
# 2^64 over the golden ratio and over the square root of two: each spreads sums of any pattern.
_HASHES = (np.uint64(0x9E3779B97F4A7C15), np.uint64(0xB504F333F9DE6485))
_FIRST = 4096  # halves that are matched first, since two pairs are enough
_MOST_BITS = 1 << 27  # sums that are held at once; sixteen megabytes
_OVERHEAD = 50  # steps of a level beside its words

Solutions = list[tuple[int, ...]]


def halves_steps(amounts: int) -> int:
    """What `by_halves` takes at most; without limit where there are too many amounts."""
    if amounts > MOST_BY_HALVES:
        return np.iinfo(np.int64).max
    return 32 << ((amounts + 1) // 2) - 1


def reach_steps(amounts: int, target: int) -> int:
    """What `by_reach` takes to reach the end; it often stops before, and then traces back."""
    if target >= _MOST_BITS:
        return np.iinfo(np.int64).max
    return amounts * (target // 64 + _OVERHEAD)


def by_halves(amounts: Ints, target: int) -> Solutions:
    """Meet in the middle: every subset of either half once, whatever the size of the sums.

    A sum stands at the place whose bits are its members. Those whose other part cannot be in the
    other half are dropped by a table of hashes before anything is sorted.
    """
    even, odd = np.arange(0, len(amounts), 2), np.arange(1, len(amounts), 2)
    left, right = _every_sum(amounts[even]), _every_sum(amounts[odd])
    perhaps = _perhaps_in(target - left, right)
    found: Solutions = []
    for mine in (perhaps[:_FIRST], perhaps[_FIRST:]):  # where there are many, the first will do
        other = _perhaps_in(right, target - left[mine])
        other = other[np.argsort(right[other], kind="stable")]
        wanted, held = target - left[mine], right[other]
        begin = np.searchsorted(held, wanted)
        end = np.searchsorted(held, wanted, side="right")
        for at in np.flatnonzero(end > begin)[:2]:
            for place in range(int(begin[at]), min(int(end[at]), int(begin[at]) + 2)):
                chosen = [*_members(int(mine[at]), even), *_members(int(other[place]), odd)]
                found.append(tuple(sorted(chosen)))
        if len(found) > 1:
            break
    return found[:2]


def _every_sum(amounts: Ints) -> Ints:
    sums = np.zeros(1 << len(amounts), dtype=np.int64)
    for at, amount in enumerate(amounts):
        np.add(sums[: 1 << at], amount, out=sums[1 << at : 2 << at])
    return sums


def _perhaps_in(sums: Ints, others: Ints) -> NDArray[np.intp]:
    """Places of the sums that may be among the others; of those that are not a few are left."""
    bits = max(len(sums), len(others)).bit_length() + 1
    places = np.arange(len(sums))
    for factor in _HASHES:
        table = np.zeros(1 << bits, dtype=bool)
        table[_hashed(others, bits, factor)] = True
        places = places[table[_hashed(sums[places], bits, factor)]]
    return places


def _hashed(sums: Ints, bits: int, factor: np.uint64) -> NDArray[np.intp]:
    hashes = sums.view(np.uint64) * factor
    hashes >>= np.uint64(64 - bits)
    return hashes.view(np.intp)


def _members(bits: int, places: NDArray[np.intp]) -> list[int]:
    return [int(place) for at, place in enumerate(places) if bits >> at & 1]


def by_reach(amounts: Ints, target: int, most_steps: int) -> tuple[Solutions | None, int]:
    """Which sums can be reached, as bits of one whole number; None where it takes too long.

    Bit ``r`` of a level says that the amounts before it can leave ``r`` of the target. A solution
    ends with the amount that is all that is left, so the second such end proves ``several``; one
    end is the only solution where no step on its way back had another choice.
    """
    if target >= _MOST_BITS:
        return None, 0
    each = target // 64 + _OVERHEAD
    stride = isqrt(len(amounts)) + 1
    left = 1 << target
    kept, ends, steps = [left], [], 0
    for at in range(len(amounts)):
        steps += each
        if steps > most_steps:
            return None, steps
        less = left >> int(amounts[at])  # what would be more than the target falls off the end
        if less & 1:
            ends.append(at)
            if len(ends) > 1:
                break
        left |= less
        if (at + 1) % stride == 0:
            kept.append(left)
    found: Solutions = []
    most = 2 if len(ends) == 1 else 1  # of two ends one solution each
    for end in ends:
        solutions, levels = _back(amounts, target, end, (kept, stride), most)
        found += solutions
        steps += (1 + most) * levels * each
    return found, steps


def _back(
    amounts: Ints, target: int, end: int, levels: tuple[list[int], int], most: int
) -> tuple[Solutions, int]:
    """Up to ``most`` solutions whose last amount is the one at ``end``, one level back at a time.

    And how many levels it took.
    """
    paths: list[tuple[int, tuple[int, ...]]] = [(int(amounts[end]), (end,))]
    at = end
    for at, before in _downwards(amounts, end, levels):
        if all(left == target for left, _ in paths):
            break
        amount, further = int(amounts[at]), []
        for left, chosen in paths:
            if before >> left & 1:
                further.append((left, chosen))
            if before >> left + amount & 1:
                further.append((left + amount, (at, *chosen)))
        paths = further[:most]
    return [chosen for _, chosen in paths], end - at


def _downwards(amounts: Ints, end: int, levels: tuple[list[int], int]) -> Iterator[tuple[int, int]]:
    """The places before ``end``, last first, each with its level: kept ones, and those between."""
    kept, stride = levels
    for begin in range((end - 1) // stride * stride, -1, -stride):
        between = [kept[begin // stride]]
        for at in range(begin, min(begin + stride, end) - 1):
            between.append(between[-1] | between[-1] >> int(amounts[at]))
        yield from zip(range(begin + len(between) - 1, begin - 1, -1), between[::-1], strict=True)
