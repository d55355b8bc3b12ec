"""What goes wrong with orders: each function turns the ordinary course of orders into a fault."""

from __future__ import annotations

import numpy as np

from tests.shops.catalogue import KESTREL, Ints
from tests.shops.columns import (
    FAILED,
    REVERSED,
    InvoiceRows,
)
from tests.shops.kind import Cases
from tests.shops.world import World

HALF_PAST_ELEVEN = 23 * 60 + 30


def _order_day(world: World, cases: Cases) -> Ints:
    return world.orders.day[cases.order]


def _payable(world: World, cases: Cases) -> Ints:
    return world.deals.payable[cases.deal]


def _pay_day(world: World, cases: Cases) -> Ints:
    return world.deals.pay_day[cases.deal]


def untouched(world: World, cases: Cases) -> None:
    """The supplier hears nothing of it."""
    world.never_happened(cases.deal)


def late_evening(world: World, cases: Cases) -> None:
    world.never_happened(cases.deal)
    world.orders.minute[cases.order] = HALF_PAST_ELEVEN


def payment_failed(world: World, cases: Cases) -> None:
    world.never_happened(cases.deal)
    day = _order_day(world, cases) + 1
    world.add_payments(cases.deal, _payable(world, cases), day, FAILED)


def payment_reversed(world: World, cases: Cases) -> None:
    world.never_happened(cases.deal)
    day = _order_day(world, cases) + 1
    world.add_payments(cases.deal, _payable(world, cases), day, REVERSED)


def paid_after_the_run(world: World, cases: Cases) -> None:
    world.never_happened(cases.deal)
    day = np.full(len(cases.deal), world.clock.as_of + 2, dtype=np.int64)
    world.add_payments(cases.deal, _payable(world, cases), day)


def not_paid(world: World, cases: Cases) -> None:
    """Billed and sent, never paid."""
    world.not_paid(cases.deal)


def pay_two_of_three(world: World, cases: Cases) -> None:
    """One payment by invoice number pays all orders of it but the first."""
    two = np.ascontiguousarray(cases.deals[:, 1:])
    day = world.deals.due[cases.deal] - 1
    world.not_paid(cases.deals.ravel())
    payment = np.repeat(np.arange(len(day), dtype=np.int64), two.shape[1])
    world.pay_invoice(two.ravel(), world.deals.invoice[two.ravel()], day, payment)


def deposit_only(world: World, cases: Cases) -> None:
    world.never_happened(cases.deal)
    deposit = _payable(world, cases) * 3 // 10
    world.add_payments(cases.deal, deposit, _order_day(world, cases))


def part_of_invoice(world: World, cases: Cases) -> None:
    world.not_paid(cases.deal)
    part = _payable(world, cases) * 6 // 10
    world.add_payments(cases.deal, part, world.deals.due[cases.deal] - 2)


def paid_again(world: World, cases: Cases) -> None:
    """A second payment of the same amount, some days after the first."""
    world.add_payments(cases.deal, _payable(world, cases), _pay_day(world, cases) + 3)


def paid_three_times(world: World, cases: Cases) -> None:
    paid_again(world, cases)
    world.add_payments(cases.deal, _payable(world, cases), _pay_day(world, cases) + 5)


def alone_and_in_bulk(world: World, cases: Cases) -> None:
    day = _pay_day(world, cases) + 2
    world.not_paid(cases.deals[:, 1:].ravel())
    world.bulk(cases.deals, day)


def in_two_bulks(world: World, cases: Cases) -> None:
    day = _pay_day(world, cases)
    world.not_paid(cases.deals.ravel())
    world.bulk(np.ascontiguousarray(cases.deals[:, [0, 1, 2]]), day)
    world.bulk(np.ascontiguousarray(cases.deals[:, [0, 3, 4]]), day + 3)


def duplicate_invoice_paid(world: World, cases: Cases) -> None:
    day = world.deals.bill_day[cases.deal] + 2
    invoice = world.bill_again(cases.deal, day, duplicate=True)
    world.pay_invoice(cases.deal, invoice, _pay_day(world, cases) + 3)


def too_much(world: World, cases: Cases) -> None:
    amount = _payable(world, cases) * 9 // 8 + 1
    day = _pay_day(world, cases)
    world.not_paid(cases.deal)
    world.add_payments(cases.deal, amount, day)


def balance_too_high(world: World, cases: Cases) -> None:
    day = _pay_day(world, cases)
    world.not_paid(cases.deal)
    world.add_payments(cases.deal, _payable(world, cases) * 3 // 10, day)
    world.add_payments(cases.deal, _payable(world, cases) * 8 // 10, day + 1)


def refunded(world: World, cases: Cases) -> None:
    day = _pay_day(world, cases)
    world.not_shipped(world.lines_of(cases.deal))
    world.bill(cases.deal, day)
    world.refund_customer(cases.order, day + 2, world.orders.total[cases.order])
    world.end_lines(cases.order)


def refunded_and_paid_again(world: World, cases: Cases) -> None:
    refunded(world, cases)
    paid_again(world, cases)


def cancelled(world: World, cases: Cases) -> None:
    """Paid for, then cancelled before anything was billed or sent."""
    world.not_shipped(world.lines_of(cases.deal))
    world.not_billed(cases.deal)
    world.cancel(cases.order, _pay_day(world, cases) + 1)


def never_paid_by_customer(world: World, cases: Cases) -> None:
    world.orders.funded[cases.order] = False
    world.orders.customer_paid[cases.order] = 0


def unfunded_paid(world: World, cases: Cases) -> None:
    never_paid_by_customer(world, cases)
    not_sent(world, cases)


def unfunded_sent(world: World, cases: Cases) -> None:
    never_paid_by_customer(world, cases)
    world.not_paid(cases.deal)


def customer_paid_too_little(world: World, cases: Cases) -> None:
    world.orders.funded[cases.order] = False
    world.orders.customer_paid[cases.order] -= 500


def billed_twice(world: World, cases: Cases) -> None:
    day = _pay_day(world, cases)
    world.bill(cases.deal, day)
    world.bill_again(cases.deal, day + 4, duplicate=True)


def one_unit_billed_twice(world: World, cases: Cases) -> None:
    day = _pay_day(world, cases)
    world.bill(cases.deal, day)
    lines = world.lines_of(cases.deal)
    one = np.ones_like(lines)
    world.add_invoice_rows(
        InvoiceRows(
            line=lines,
            invoice=world.new_invoices(cases.deal, day + 6),
            qty=one,
            unit_micro=world.lines.unit_micro[lines],
            shipping=one * 0,
            credit=one < 0,
            duplicate=one > 0,
        )
    )


def not_sent(world: World, cases: Cases) -> None:
    """Paid for, never sent and never billed."""
    world.not_shipped(world.lines_of(cases.deal))
    world.not_billed(cases.deal)


def billed_and_not_sent(world: World, cases: Cases) -> None:
    world.not_shipped(world.lines_of(cases.deal))
    world.bill(cases.deal, _pay_day(world, cases))


def second_line_not_sent(world: World, cases: Cases) -> None:
    lines = world.lines_of(cases.deal)
    world.not_shipped(lines[world.lines.no[lines] > 1])


def bulk_and_one_not_sent(world: World, cases: Cases) -> None:
    day = _pay_day(world, cases)
    world.not_paid(cases.deals.ravel())
    world.bulk(cases.deals, day)
    not_sent(world, cases)


def not_sent_since_order(world: World, cases: Cases) -> None:
    """Paid for on the day of the order, never sent and never billed."""
    world.pay_alone(cases.deal, _order_day(world, cases))
    not_sent(world, cases)


def one_of_two_sent(world: World, cases: Cases) -> None:
    world.lines.ship_qty[world.lines_of(cases.deal)] = 1


def no_number(world: World, cases: Cases) -> None:
    """Sent without a tracking number."""
    world.no_number(world.lines_of(cases.deal))


def not_posted(world: World, cases: Cases) -> None:
    """Sent with a number that the storefront does not show."""
    world.not_posted(world.lines_of(cases.deal))


def sent_lately(world: World, cases: Cases, days_before: int) -> None:
    """Paid for on the day of the order, and sent so many days before the run."""
    if world.deals.supplier[cases.deal[0]] == KESTREL:
        world.pay_alone(cases.deal, _order_day(world, cases))
        world.not_billed(cases.deal)
    lines = world.lines_of(cases.deal)
    world.ship(lines, np.full(len(lines), world.clock.as_of - days_before, dtype=np.int64))


def no_number_lately(world: World, cases: Cases) -> None:
    sent_lately(world, cases, 3)
    no_number(world, cases)


def not_posted_lately(world: World, cases: Cases) -> None:
    sent_lately(world, cases, 2)
    not_posted(world, cases)


def posted_after_the_run(world: World, cases: Cases) -> None:
    lines = world.lines_of(cases.deal)
    world.lines.posted[lines] = world.clock.as_of + 1
    world.lines.sent[lines] = world.clock.as_of + 1


def unknown_invoice(world: World, cases: Cases) -> None:
    """An invoice for an order that no export shows."""
    world.orders.ghost[cases.order] = True
    world.not_paid(cases.deal)
    world.not_shipped(world.lines_of(cases.deal))


def unknown_payment(world: World, cases: Cases) -> None:
    """A payment for an order that no export shows."""
    world.orders.ghost[cases.order] = True
    not_sent_since_order(world, cases)


def unknown_parcel(world: World, cases: Cases) -> None:
    """A parcel for an order that no export shows."""
    world.orders.ghost[cases.order] = True
    world.not_paid(cases.deal)
    world.not_billed(cases.deal)
    lines = world.lines_of(cases.deal)
    world.ship(lines, world.orders.day[world.lines.order[lines]])
