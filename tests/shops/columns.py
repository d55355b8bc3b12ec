"""What happened in a shop, as columns of whole numbers: no text yet, and no rule.

Orders, lines and deals are parallel arrays, one entry per order, order line, and supplier order
(one customer order at one supplier). Days count from 1970-01-01, NEVER where nothing happened.
Money is int64 cents of the supplier's currency, or of EUR on the customer's side.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np

from tests.shops.catalogue import MICRO_IN_CENT, Bools, Ints

NOT_PAID, PAID_ALONE, PAID_IN_BULK, PAID_BY_INVOICE = range(4)
STATUSES = ("settled", "", "pending", "failed", "reversed")
SETTLED, SETTLED_BLANK, PENDING, FAILED, REVERSED = range(5)
MOVEMENTS = ("payment", "", "refund")
PAYMENT, PAYMENT_BLANK, REFUND = range(3)
NO_PARCEL = -1
DAMAGED = -2  # a tracking number that a spreadsheet has changed
MISTYPED = 50_000_000  # from here on: the postal number of so much less, with another check digit
NOT_WRITTEN = -1  # a day that is in no file
ORIGINAL, REPLACEMENT_SUFFIX, REPLACEMENT_FLAG = range(3)
NOON = 12 * 60

Chunk = TypeVar("Chunk")


def round_half_up(numerator: Ints, denominator: int) -> Ints:
    """Whole-number division of amounts that are not negative, an exact half upwards."""
    return np.asarray((2 * numerator + denominator) // (2 * denominator), dtype=np.int64)


def sums(place: Ints, values: Ints, count: int) -> Ints:
    """Whole-number sums of ``values`` by ``place``."""
    total = np.zeros(count, dtype=np.int64)
    np.add.at(total, place, values)
    return total


def joined(chunks: list[Chunk]) -> Chunk:
    """Several chunks of one kind as one."""
    kind = type(chunks[0])
    names = [each.name for each in fields(kind)]  # type: ignore[arg-type]
    return kind(*(np.concatenate([getattr(chunk, name) for chunk in chunks]) for name in names))


@dataclass
class Orders:
    """One entry per customer order."""

    kind: Ints  # index into the kinds of this shop, -1 = nothing special
    group: Ints  # orders of one group belong to one case; -1 = none
    role: Ints  # place in its group; 0 is the order that the case is about
    day: Ints
    minute: Ints  # local time of day
    country: Ints
    recipient: Ints  # one customer may have several orders
    number: Ints
    bare: Bools  # written without the shop's prefix
    ghost: Bools  # in no order export
    funded: Bools
    total: Ints
    customer_paid: Ints
    shipping_charged: Ints
    discount: Ints  # of the whole order
    cancelled: Ints
    refunded_on: Ints
    refunded: Ints
    first_line: Ints
    line_count: Ints


@dataclass
class Lines:
    """One entry per order line; the lines of an order are neighbours."""

    order: Ints
    deal: Ints
    no: Ints
    sku: Ints
    qty: Ints
    refunded_qty: Ints
    live: Ints
    supply: Ints  # the quantity that was asked of the supplier
    price: Ints  # customer's price of one unit
    discount: Ints
    unit_micro: Ints  # quoted unit cost
    goods: Ints  # supply x unit cost, in whole cents
    shipping: Ints  # quoted shipping of the supply
    ship_day: Ints
    ship_qty: Ints
    parcel: Ints  # NO_PARCEL = no tracking number
    shown: Ints  # whose number the storefront shows, where it is not that of the parcel
    delivered: Ints
    posted: Ints  # when the tracking number was posted to the customer
    sent: Ints
    promised: Ints

    @property
    def amount(self) -> Ints:
        """What was agreed for the line."""
        return self.goods + self.shipping


@dataclass
class Deals:
    """One entry per supplier order."""

    order: Ints
    supplier: Ints
    payable: Ints  # what was agreed, or a made-up price where no quote exists
    priced: Bools
    mode: Ints
    pay_day: Ints
    pay_minute: Ints
    billed: Bools
    bill_day: Ints
    due: Ints
    invoice: Ints
    whole_parcel: Bools  # the parcel list names the order and no SKU


@dataclass
class InvoiceHeads:
    """One entry per invoice or credit note."""

    supplier: Ints
    day: Ints
    due: Ints  # NEVER = no due date on it


@dataclass
class InvoiceRows:
    """One entry per invoice line."""

    line: Ints
    invoice: Ints
    qty: Ints
    unit_micro: Ints
    shipping: Ints
    credit: Bools
    duplicate: Bools  # bills again what was billed before

    @property
    def amount(self) -> Ints:
        """What the line adds up to, as billed."""
        return round_half_up(self.qty * self.unit_micro, MICRO_IN_CENT) + self.shipping


@dataclass
class ParcelRows:
    """One entry per parcel line."""

    line: Ints
    day: Ints
    qty: Ints
    parcel: Ints
    delivered: Ints
    replacement: Ints
    whole: Bools


@dataclass
class Payments:
    """One entry per movement of money between the shop and a supplier."""

    supplier: Ints
    day: Ints
    minute: Ints
    amount: Ints
    status: Ints
    movement: Ints


@dataclass
class PaymentParts:
    """What a movement is for: one entry per supplier order in it."""

    payment: Ints
    deal: Ints
    share: Ints
    named: Bools  # the payment gives the order's reference


@dataclass
class PaymentInvoices:
    """The invoice numbers that a movement gives."""

    payment: Ints
    invoice: Ints
