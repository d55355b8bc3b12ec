"""What the truth says of payments without a reference: every set of open orders, one by one."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from tests.shops.catalogue import Ints
from tests.shops.clock import NEVER
from tests.shops.columns import REFUND, SETTLED_BLANK, joined
from tests.shops.facts import Facts
from tests.shops.world import World

if TYPE_CHECKING:
    from tests.shops.ledger import Book

UNNAMED_RULES = {"payment-unmatched": ("at-risk", "check")}
_MOST_OPEN = 12


def unnamed(world: World, found: Facts, book: Book) -> None:
    """Each has one set of open orders; those are not plainly unpaid."""
    moves = joined(world.payments)
    said = np.zeros(len(moves.day), dtype=bool)
    said[joined(world.parts).payment] = True
    said[joined(world.payment_invoices).payment] = True
    bare = ~said & (moves.status <= SETTLED_BLANK) & (moves.movement != REFUND)
    for payment in np.flatnonzero(bare & (moves.day <= world.clock.as_of)):
        one = np.array([payment])
        chosen = _only_set(world, found, moves.supplier[one], moves.day[one], moves.amount[one])
        book.add("payment-unmatched", "open", chosen[:1], amount=moves.amount[one], document_id=one)
        book.pages[-1]["document"] = "payment"
        for page in book.pages:
            mine = page["order"].isin(world.deals.order[chosen]) & (page["rule"] == "unpaid")
            page.loc[mine & page["supplier"].isin(moves.supplier[one]), "verdict"] = "unknown"


def _only_set(world: World, found: Facts, supplier: Ints, day: Ints, amount: Ints) -> Ints:
    """The supplier orders that were open on the day and add up to the amount."""
    orders, deals = world.orders, world.deals
    rest = found.payable - found.paid
    cancelled = orders.cancelled[deals.order]
    is_open = (deals.supplier == supplier) & found.known & ~found.ghost & (rest > 0)
    is_open &= orders.day[deals.order] <= day
    is_open &= (cancelled == NEVER) | (cancelled >= day)
    mine = np.flatnonzero(is_open)
    if len(mine) > _MOST_OPEN:
        raise AssertionError("a payment without a reference, and too many open orders")
    sets = [
        chosen
        for size in range(1, len(mine) + 1)
        for chosen in combinations(mine.tolist(), size)
        if rest[list(chosen)].sum() == amount[0]
    ]
    if len(sets) != 1:
        raise AssertionError("a payment without a reference that can be read in several ways")
    return np.array(sets[0], dtype=np.int64)
