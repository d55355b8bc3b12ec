"""One event of a story, where it stands in the files, and what it does to the balance."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

# In the order in which events of one day are told
KINDS = {
    "ordered": "ordered",
    "customer-paid": "customer paid",
    "agreed": "agreed with",
    "billed": "billed by",
    "credited": "credited by",
    "paid": "paid to",
    "refund-received": "refund from",
    "topped-up": "topped up at",
    "payment-pending": "payment pending to",
    "payment-failed": "payment failed to",
    "payment-reversed": "payment reversed to",
    "shipped": "shipped by",
    "marked-sent": "shown as sent",
    "posted": "tracking posted",
    "delivered": "delivered by",
    "cancelled": "cancelled",
    "customer-refunded": "customer refunded",
    "exception-found": "exception found",
    "exception-reopened": "exception reopened",
    "exception-changed": "exception changed",
    "exception-cleared": "exception cleared",
    "exception-gone": "exception ended",
    "decided": "decided",
}


@dataclass(frozen=True, order=True)
class Place:
    """Where evidence stands: a file of the shop folder, its sheet if any, and a row of it.

    ``row`` is counted as a spreadsheet does; 0 where the file has no rows, as the history.
    """

    file: str
    sheet: str = ""
    row: int = 0


@dataclass(frozen=True)
class Step:
    """What one row does to a supplier order's money, in minor units of one currency."""

    supplier_order: int
    billed: int = 0
    duplicate: int = 0
    paid: int = 0
    is_bill: bool = False


@dataclass(frozen=True)
class Event:
    """One thing that happened.

    ``day`` is None where the files give no date. ``amount`` is in minor units of ``currency``.
    ``balance`` is what is payable to the supplier less what is paid, after the event, in its
    currency; None where the event moves no money of theirs, or where what is payable is not known.
    """

    day: date | None
    kind: str
    about: str
    supplier: str = ""
    amount: int | None = None
    currency: str = ""
    places: tuple[Place, ...] = ()
    steps: tuple[Step, ...] = ()
    balance: int | None = None

    @property
    def moves_money(self) -> bool:
        """Whether it changes what is owed to the supplier."""
        return bool(self.steps) or self.kind == "agreed"


def in_time(events: list[Event]) -> list[Event]:
    """Events by day, within a day in the order of ``KINDS``; those without a date last."""
    rank = {kind: place for place, kind in enumerate(KINDS)}
    return sorted(
        events,
        key=lambda one: (
            one.day or date.max,
            rank[one.kind],
            one.supplier,
            one.currency,
            one.places,
            one.about,
        ),
    )
