"""A knot of bank rows and movements that name each other: which belong together, and which twice.

Plain whole numbers in, positions out; knots are few and small.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from reconcile.matching.subsets import only_subset

Group = tuple[tuple[int, ...], tuple[int, ...]]  # rows, movements


@dataclass
class Resolved:
    """``groups`` belong together; ``twice`` are rows that book a movement again (row, movement).

    ``tied`` are rows and movements for which there is more than one way.
    """

    groups: list[Group] = field(default_factory=list)
    twice: list[tuple[int, int]] = field(default_factory=list)
    tied: Group = ((), ())


def resolve(rows: Sequence[int], movements: Sequence[int]) -> Resolved:
    """Settle one knot; the amounts are of one sign and currency, in order of their dates.

    All together where one side is single and the sums are equal; then those of one amount on both
    sides; then the only rest, the only subset, or a rest of equal sums. Rows beyond as many
    movements of their amount book one of these again. Whatever is left on both sides is tied.
    """
    out = Resolved()
    if min(len(rows), len(movements)) == 1 and sum(rows) == sum(movements):
        out.groups.append((tuple(range(len(rows))), tuple(range(len(movements)))))
        return out
    left, open_ = _same_amounts(rows, movements, out)
    if left and open_:
        _rest(rows, movements, left, open_, out)
    return out


def _same_amounts(
    rows: Sequence[int], movements: Sequence[int], out: Resolved
) -> tuple[list[int], list[int]]:
    by_amount: dict[int, list[int]] = defaultdict(list)
    for at, amount in enumerate(movements):
        by_amount[amount].append(at)
    same: dict[int, list[int]] = defaultdict(list)
    for at, amount in enumerate(rows):
        same[amount].append(at)
    left, used = [], set[int]()
    for amount, mine in same.items():
        theirs = by_amount.get(amount, [])
        if not theirs:
            left += mine
        elif len(mine) >= len(theirs):
            out.groups += [((a,), (b,)) for a, b in zip(mine, theirs, strict=False)]
            out.twice += [(a, theirs[-1]) for a in mine[len(theirs) :]]
            used.update(theirs)
        else:
            out.tied = (out.tied[0] + tuple(mine), out.tied[1] + tuple(theirs))
            used.update(theirs)
    return sorted(left), [at for at in range(len(movements)) if at not in used]


def _rest(
    rows: Sequence[int], movements: Sequence[int], left: list[int], open_: list[int], out: Resolved
) -> None:
    amounts, owed = [abs(rows[at]) for at in left], [abs(movements[at]) for at in open_]
    if sum(amounts) == sum(owed) or (len(left) == 1 and len(open_) == 1):
        out.groups.append((tuple(left), tuple(open_)))
        return
    if len(left) == 1:
        found = only_subset(np.array(owed, np.int64), amounts[0])
        if found.outcome == "only":
            out.groups.append((tuple(left), tuple(open_[at] for at in found.chosen)))
            return
    if len(open_) == 1:
        found = only_subset(np.array(amounts, np.int64), owed[0])
        if found.outcome == "only":
            out.groups.append((tuple(left[at] for at in found.chosen), tuple(open_)))
            return
    out.tied = (out.tied[0] + tuple(left), out.tied[1] + tuple(open_))
