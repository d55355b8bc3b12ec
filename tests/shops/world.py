"""One shop and how to make things happen in it: bill, pay, ship, refund, cancel.

The ordinary course of an order is kept in its columns and written down at the end; payments,
invoice lines and parcel lines beyond the ordinary ones are kept in chunks that are added to it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.shops.catalogue import KESTREL, SUPPLIERS, Bools, Ints, Prices
from tests.shops.clock import NEVER, Clock
from tests.shops.columns import (
    NO_PARCEL,
    NOON,
    NOT_PAID,
    ORIGINAL,
    PAID_ALONE,
    PAYMENT,
    SETTLED,
    Deals,
    InvoiceHeads,
    InvoiceRows,
    Lines,
    Orders,
    ParcelRows,
    PaymentInvoices,
    PaymentParts,
    Payments,
    sums,
)


@dataclass
class World:
    """Everything that happened, and how to make other things happen."""

    clock: Clock
    prices: Prices
    rng: np.random.Generator
    orders: Orders
    lines: Lines
    deals: Deals
    deal_of: Ints  # order, supplier; -1 = none
    heads: list[InvoiceHeads] = field(default_factory=list)
    invoice_rows: list[InvoiceRows] = field(default_factory=list)
    parcel_rows: list[ParcelRows] = field(default_factory=list)
    payments: list[Payments] = field(default_factory=list)
    parts: list[PaymentParts] = field(default_factory=list)
    payment_invoices: list[PaymentInvoices] = field(default_factory=list)
    invoice_count: int = 0
    payment_count: int = 0
    parcel_count: int = 0

    # Looking things up

    def lines_of(self, deals: Ints) -> Ints:
        """The lines of supplier orders, in order."""
        order = self.deals.order[deals]
        count = self.orders.line_count[order]
        start = np.repeat(self.orders.first_line[order] - np.cumsum(count) + count, count)
        found = start + np.arange(count.sum())
        return np.asarray(found[self.lines.deal[found] == np.repeat(deals, count)])

    # The supplier's side

    def add_heads(self, supplier: Ints, day: Ints, due: Ints) -> Ints:
        """New invoices; returns their numbers within this world."""
        ids = np.arange(self.invoice_count, self.invoice_count + len(day), dtype=np.int64)
        self.heads.append(InvoiceHeads(supplier, day, due))
        self.invoice_count += len(day)
        return ids

    def new_invoices(self, deals: Ints, day: Ints) -> Ints:
        """One new invoice for each supplier order, on its supplier's terms."""
        supplier = self.deals.supplier[deals]
        terms = np.array([each.due_days for each in SUPPLIERS])[supplier]
        return self.add_heads(supplier, day, np.where(terms > 0, day + terms, NEVER))

    def new_parcels(self, count: int) -> Ints:
        """New parcels, each with a tracking number of its own."""
        ids = np.arange(self.parcel_count, self.parcel_count + count, dtype=np.int64)
        self.parcel_count += count
        return ids

    def bill(self, deals: Ints, day: Ints) -> None:
        """The supplier bills its part of these orders on that day."""
        self.deals.billed[deals] = True
        self.deals.bill_day[deals] = day

    def not_billed(self, deals: Ints) -> None:
        """The supplier never bills these."""
        self.deals.billed[deals] = False

    def not_shipped(self, lines: Ints) -> None:
        """These lines are never sent, and nothing about them is posted."""
        for column in (self.lines.ship_day, self.lines.delivered, self.lines.posted):
            column[lines] = NEVER
        self.lines.sent[lines] = NEVER
        self.lines.parcel[lines] = NO_PARCEL

    def ship(self, lines: Ints, day: Ints, transit_days: int = 5) -> None:
        """These lines are sent whole on that day; the number is posted on the same day."""
        arrival = day + transit_days
        self.lines.ship_day[lines] = day
        self.lines.ship_qty[lines] = self.lines.live[lines]
        self.lines.delivered[lines] = np.where(arrival <= self.clock.as_of, arrival, NEVER)
        known = np.where(day <= self.clock.export_day, day, NEVER)
        self.lines.posted[lines] = known
        self.lines.sent[lines] = known
        if len(lines):
            _, place = np.unique(self.lines.deal[lines], return_inverse=True)
            self.lines.parcel[lines] = self.new_parcels(int(place.max()) + 1)[place]

    def no_number(self, lines: Ints) -> None:
        """The supplier gave no tracking number for these, so none is posted."""
        self.lines.parcel[lines] = NO_PARCEL
        self.lines.posted[lines] = NEVER

    def not_posted(self, lines: Ints) -> None:
        """The storefront shows neither a number nor that these were sent."""
        self.lines.posted[lines] = NEVER
        self.lines.sent[lines] = NEVER

    def deliver_again(self, lines: Ints, replacement: int, after_days: int = 6) -> None:
        """A replacement of these lines is sent, with a number of its own."""
        day = self.lines.ship_day[lines] + after_days
        parcels = self.new_parcels(len(lines))
        kind = np.full(len(lines), replacement, dtype=np.int64)
        self._add_parcels(lines, day, self.lines.ship_qty[lines], parcels, kind)

    def ship_rest(self, lines: Ints, qty: Ints, after_days: int = 2) -> None:
        """The rest of a line follows in a parcel of its own."""
        day = self.lines.ship_day[lines] + after_days
        kind = np.full(len(lines), ORIGINAL, dtype=np.int64)
        self._add_parcels(lines, day, qty, self.new_parcels(len(lines)), kind)

    def _add_parcels(
        self, lines: Ints, day: Ints, qty: Ints, parcel: Ints, replacement: Ints
    ) -> None:
        arrival = day + 4
        delivered = np.where(arrival <= self.clock.as_of, arrival, NEVER)
        whole = np.zeros(len(lines), dtype=bool)
        self.parcel_rows.append(ParcelRows(lines, day, qty, parcel, delivered, replacement, whole))

    def add_invoice_rows(self, rows: InvoiceRows) -> None:
        """Invoice lines beyond the ordinary ones."""
        self.invoice_rows.append(rows)

    def bill_again(
        self,
        deals: Ints,
        day: Ints,
        *,
        duplicate: bool = False,
        credit: bool = False,
        dearer: int = 0,
    ) -> Ints:
        """The same lines on another document; returns its invoice for each supplier order.

        ``dearer`` is what the document's unit cost is above the quote, in millionths.
        """
        ids = self.new_invoices(deals, day)
        if credit:
            self.heads[-1].due[:] = NEVER
        lines = self.lines_of(deals)
        place = np.searchsorted(deals, self.lines.deal[lines])
        self.add_invoice_rows(
            InvoiceRows(
                line=lines,
                invoice=ids[place],
                qty=self.lines.supply[lines],
                unit_micro=self.lines.unit_micro[lines] + dearer,
                shipping=self.lines.shipping[lines],
                credit=np.full(len(lines), credit),
                duplicate=np.full(len(lines), duplicate),
            )
        )
        return ids

    # Money to and from suppliers

    def not_paid(self, deals: Ints) -> None:
        """Nothing of the ordinary kind is paid for these."""
        self.deals.mode[deals] = NOT_PAID
        self.deals.pay_day[deals] = NEVER

    def pay_alone(self, deals: Ints, day: Ints, minute: int = NOON) -> None:
        """One payment for each of these, in full, by order reference."""
        self.deals.mode[deals] = PAID_ALONE
        self.deals.pay_day[deals] = day
        self.deals.pay_minute[deals] = minute

    def add_payments(
        self, deals: Ints, amount: Ints, day: Ints, status: int = SETTLED, movement: int = PAYMENT
    ) -> None:
        """One more movement for each of these, by order reference."""
        count = len(deals)
        ids = np.arange(self.payment_count, self.payment_count + count, dtype=np.int64)
        self.payments.append(
            Payments(
                supplier=self.deals.supplier[deals],
                day=day,
                minute=np.full(count, NOON + 90, dtype=np.int64),
                amount=amount,
                status=np.full(count, status, dtype=np.int64),
                movement=np.full(count, movement, dtype=np.int64),
            )
        )
        self.parts.append(PaymentParts(ids, deals, amount, np.ones(count, dtype=bool)))
        self.payment_count += count

    def add_unnamed(self, deals: Ints, amount: Ints, day: Ints) -> None:
        """One settled payment for each of these, which says neither an order nor an invoice."""
        zero = np.zeros(len(deals), dtype=np.int64)
        supplier = self.deals.supplier[deals]
        self.payments.append(Payments(supplier, day, zero + NOON + 60, amount, zero, zero.copy()))
        self.payment_count += len(deals)

    def add_bulk(self, deals: Ints, payment: Ints, day: Ints, minute: Ints) -> None:
        """Bulk payments: ``payment`` says, counted from 0, in which each supplier order is."""
        count = len(day)
        if not count:
            return
        first = np.zeros(count, dtype=np.int64)
        first[payment] = self.deals.supplier[deals]
        amount = sums(payment, self.deals.payable[deals], count)
        plain = np.zeros(count, dtype=np.int64)
        self.payments.append(Payments(first, day, minute, amount, plain, plain.copy()))
        share = self.deals.payable[deals]
        ids = self.payment_count + payment
        self.parts.append(PaymentParts(ids, deals, share, np.ones(len(deals), dtype=bool)))
        self.payment_count += count

    def bulk(self, deals: Ints, day: Ints) -> None:
        """One bulk payment for each row of ``deals`` (payments, supplier orders)."""
        count, size = deals.shape
        payment = np.repeat(np.arange(count, dtype=np.int64), size)
        self.add_bulk(deals.ravel(), payment, day, np.full(count, NOON, dtype=np.int64))

    def pay_invoice(
        self, deals: Ints, invoice: Ints, day: Ints, payment: Ints | None = None
    ) -> None:
        """Payments by invoice number for these supplier orders, which the invoices bill.

        ``payment`` says, counted from 0, in which payment each is; left out: one each. ``day``
        is per payment. An invoice number is given once in a payment.
        """
        if payment is None:
            payment = np.arange(len(deals), dtype=np.int64)
        count = len(day)
        share = self.deals.payable[deals]
        supplier = np.zeros(count, dtype=np.int64)
        supplier[payment] = self.deals.supplier[deals]
        amount = sums(payment, share, count)
        plain = np.zeros(count, dtype=np.int64)
        self.payments.append(
            Payments(supplier, day, plain + NOON + 30, amount, plain, plain.copy())
        )
        unnamed = np.zeros(len(deals), dtype=bool)
        self.parts.append(PaymentParts(self.payment_count + payment, deals, share, unnamed))
        pairs = np.unique(np.stack([self.payment_count + payment, invoice], axis=1), axis=0)
        self.payment_invoices.append(PaymentInvoices(pairs[:, 0], pairs[:, 1]))
        self.payment_count += count

    # The customer's side

    def refund_customer(self, orders: Ints, day: Ints, amount: Ints) -> None:
        """The customer gets so much back on that day."""
        self.orders.refunded_on[orders] = day
        self.orders.refunded[orders] = amount

    def end_lines(self, orders: Ints) -> None:
        """Nothing of these orders is wanted any more."""
        count = self.orders.line_count[orders]
        start = np.repeat(self.orders.first_line[orders] - np.cumsum(count) + count, count)
        self.lines.live[start + np.arange(count.sum())] = 0

    def cancel(self, orders: Ints, day: Ints) -> None:
        """The order is cancelled and the customer gets everything back."""
        self.orders.cancelled[orders] = day
        self.refund_customer(orders, day, self.orders.total[orders])
        self.end_lines(orders)

    def never_happened(self, deals: Ints) -> None:
        """Neither billed, nor paid, nor sent."""
        self.not_billed(deals)
        self.not_paid(deals)
        self.not_shipped(self.lines_of(deals))

    @property
    def is_kestrel(self) -> Bools:
        """Which supplier orders are Kestrel's."""
        return np.asarray(self.deals.supplier == KESTREL)
