"""Faults of payments that say neither an order nor an invoice."""

from __future__ import annotations

from tests.shops.kind import Cases, Kind, before_all
from tests.shops.world import World


def paid_without_reference(world: World, cases: Cases) -> None:
    """Paid to the cent on the day of the order, when nothing else is open at the supplier."""
    world.never_happened(cases.deal)
    payable = world.deals.payable[cases.deal].copy()
    world.add_unnamed(cases.deal, payable, world.orders.day[cases.order].copy())


UNNAMED_FAULTS = (
    Kind(
        "paid-without-reference",
        "its only payment bears no reference, and adds up to it alone",
        paid_without_reference,
        (("payment-unmatched", "open"), ("unpaid", "unknown")),
        before_all,
        # Of several such payments one could be for the order of the other.
        once=True,
    ),
)
