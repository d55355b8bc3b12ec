"""What is true of every supplier order on the day of the run, added up from what happened."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.shops.catalogue import KESTREL, Bools, Ints
from tests.shops.clock import NEVER
from tests.shops.columns import ORIGINAL, PENDING, REFUND, SETTLED_BLANK, joined, sums
from tests.shops.world import World


@dataclass
class Facts:
    """What is true of every supplier order on the day of the run."""

    paid: Ints
    times: Ints  # settled payments
    least: Ints  # the smallest of them
    last_day: Ints
    pending: Bools
    billed: Ints
    duplicate: Ints
    payable: Ints
    known: Bools  # whether what is payable is known
    live: Bools
    sent: Bools
    funded: Bools
    ghost: Bools
    due: Ints  # the day on which it has to be paid

    @property
    def paid_in_full(self) -> Bools:
        """Paid covers payable; where that is not known, anything is paid."""
        return np.where(self.known, self.paid >= self.payable, self.paid > 0)


def facts(world: World) -> Facts:
    """Add up what was billed, paid and sent for each supplier order until the day of the run."""
    deals, lines, orders = world.deals, world.lines, world.orders
    count, as_of = len(deals.order), world.clock.as_of
    moves, parts = joined(world.payments), joined(world.parts)
    seen = (moves.day <= as_of)[parts.payment]
    settled = seen & (moves.status <= SETTLED_BLANK)[parts.payment]
    back = (moves.movement == REFUND)[parts.payment]
    out = settled & ~back
    last_day = np.full(count, NEVER, dtype=np.int64)
    np.maximum.at(last_day, parts.deal[out], moves.day[parts.payment[out]])
    least = np.full(count, np.iinfo(np.int64).max, dtype=np.int64)
    np.minimum.at(least, parts.deal[out], parts.share[out])
    waiting = seen & (moves.status == PENDING)[parts.payment]
    rows = joined(world.invoice_rows)
    heads = joined(world.heads)
    now = heads.day[rows.invoice] <= as_of
    signed = np.where(rows.credit, -rows.amount, rows.amount)
    deal = lines.deal[rows.line]
    first = now & ~rows.duplicate
    has_bill = np.bincount(deal[now], minlength=count) > 0
    live = np.bincount(lines.deal, lines.live, minlength=count) > 0
    billed = sums(deal[first], signed[first], count)
    parcels = joined(world.parcel_rows)
    gone = (parcels.day <= as_of) & (parcels.replacement == ORIGINAL)
    day = orders.day[deals.order]
    return Facts(
        paid=sums(parts.deal[settled], np.where(back, -parts.share, parts.share)[settled], count),
        times=np.bincount(parts.deal[out], minlength=count).astype(np.int64),
        least=least,
        last_day=last_day,
        pending=np.bincount(parts.deal[waiting], minlength=count) > 0,
        billed=billed,
        duplicate=sums(deal[rows.duplicate], signed[rows.duplicate], count),
        payable=np.where(has_bill, billed, np.where(live, deals.payable, 0)),
        known=has_bill | deals.priced,
        live=live,
        sent=np.bincount(lines.deal[parcels.line[gone]], minlength=count) > 0,
        funded=orders.funded[deals.order],
        ghost=orders.ghost[deals.order],
        due=np.where(deals.supplier == KESTREL, day + 1, deals.due),
    )
