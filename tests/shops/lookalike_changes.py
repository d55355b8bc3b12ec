"""What only looks wrong: each function turns the ordinary course of orders into a look-alike."""

from __future__ import annotations

import numpy as np

from tests.shops.catalogue import ALDER, KESTREL
from tests.shops.columns import (
    FAILED,
    PENDING,
    REFUND,
    REPLACEMENT_FLAG,
    REPLACEMENT_SUFFIX,
    InvoiceRows,
)
from tests.shops.fault_changes import (
    HALF_PAST_ELEVEN,
    cancelled,
    no_number,
    not_posted,
    not_sent,
    paid_again,
    pay_two_of_three,
    sent_lately,
)
from tests.shops.kind import Cases
from tests.shops.orders import agree
from tests.shops.world import World


def two_payments(world: World, cases: Cases, first_day: int = 0) -> None:
    """A deposit of three tenths, and the balance."""
    payable = world.deals.payable[cases.deal]
    day = world.orders.day[cases.order]
    later = np.full_like(day, first_day) if first_day else day + 1
    world.not_paid(cases.deal)
    world.add_payments(cases.deal, payable * 3 // 10, day)
    world.add_payments(cases.deal, payable - payable * 3 // 10, later)


def balance_lately(world: World, cases: Cases) -> None:
    world.never_happened(cases.deal)
    two_payments(world, cases, world.clock.paid_not_due(KESTREL))


def same_day(world: World, cases: Cases) -> None:
    world.pay_alone(cases.deals.ravel(), world.orders.day[cases.orders.ravel()])


def two_parcels(world: World, cases: Cases) -> None:
    lines = world.lines_of(cases.deal)
    world.lines.ship_qty[lines] = 1
    world.ship_rest(lines, world.lines.live[lines] - 1)


def second_line_later(world: World, cases: Cases) -> None:
    lines = world.lines_of(cases.deal)
    second = lines[world.lines.no[lines] > 1]
    world.ship(second, world.lines.ship_day[second] + 2)


def replaced_by_suffix(world: World, cases: Cases) -> None:
    world.deliver_again(world.lines_of(cases.deal), REPLACEMENT_SUFFIX)


def replaced_by_flag(world: World, cases: Cases) -> None:
    world.deliver_again(world.lines_of(cases.deal), REPLACEMENT_FLAG)


def whole_parcel(world: World, cases: Cases) -> None:
    world.deals.whole_parcel[cases.deal] = True


def corrected_invoice(world: World, cases: Cases) -> None:
    day = world.deals.pay_day[cases.deal]
    world.bill_again(cases.deal, day + 1, dearer=1_000_000)
    world.bill_again(cases.deal, day + 3, dearer=1_000_000, credit=True)
    world.bill(cases.deal, day + 3)


def credited_duplicate(world: World, cases: Cases) -> None:
    day = world.deals.pay_day[cases.deal]
    world.bill(cases.deal, day)
    world.bill_again(cases.deal, day + 2)
    world.bill_again(cases.deal, day + 5, credit=True)


def billed_in_two_parts(world: World, cases: Cases) -> None:
    day = world.deals.pay_day[cases.deal]
    world.not_billed(cases.deal)
    lines = world.lines_of(cases.deal)
    one = np.ones_like(lines)
    sku, country = world.lines.sku[lines], world.orders.country[world.lines.order[lines]]
    tables = (world.prices.shipping, world.prices.shipping_next)
    for number, table in enumerate(tables):
        world.add_invoice_rows(
            InvoiceRows(
                line=lines,
                invoice=world.new_invoices(cases.deal, day + 2 * number),
                qty=one,
                unit_micro=world.lines.unit_micro[lines],
                shipping=table[sku, country],
                credit=one < 0,
                duplicate=one < 0,
            )
        )


def failed_then_paid(world: World, cases: Cases) -> None:
    payable = world.deals.payable[cases.deal]
    world.add_payments(cases.deal, payable, world.orders.day[cases.order], FAILED)


def pending(world: World, cases: Cases) -> None:
    world.never_happened(cases.deal)
    payable = world.deals.payable[cases.deal]
    world.add_payments(cases.deal, payable, world.orders.day[cases.order] + 1, PENDING)


def money_back(world: World, cases: Cases) -> None:
    payable = world.deals.payable[cases.deal]
    day = world.deals.pay_day[cases.deal] + 9
    world.add_payments(cases.deal, payable, day, movement=REFUND)


def paid_again_and_back(world: World, cases: Cases) -> None:
    paid_again(world, cases)
    money_back(world, cases)


def cancelled_and_back(world: World, cases: Cases) -> None:
    cancelled(world, cases)
    money_back(world, cases)


def cancelled_early(world: World, cases: Cases) -> None:
    world.never_happened(cases.deal)
    world.cancel(cases.order, world.orders.day[cases.order])


def cancelled_and_credited(world: World, cases: Cases) -> None:
    world.not_paid(cases.deal)
    world.not_shipped(world.lines_of(cases.deal))
    day = world.orders.day[cases.order] + 1
    world.cancel(cases.order, day)
    world.bill_again(cases.deal, day + 1, credit=True)


def goodwill(world: World, cases: Cases) -> None:
    amount = world.orders.total[cases.order] // 10
    world.refund_customer(cases.order, world.orders.day[cases.order] + 12, amount)


def returned(world: World, cases: Cases) -> None:
    world.bill(cases.deal, world.deals.pay_day[cases.deal])
    day = world.orders.day[cases.order] + 28
    world.refund_customer(cases.order, day, world.orders.total[cases.order])
    lines = world.lines_of(cases.deal)
    world.lines.refunded_qty[lines] = world.lines.qty[lines]
    world.end_lines(cases.order)


def one_unit_less(world: World, cases: Cases) -> None:
    lines = world.lines_of(cases.deal)
    world.lines.refunded_qty[lines] = 1
    world.lines.live[lines] -= 1
    world.lines.supply[lines] -= 1
    world.lines.ship_qty[lines] -= 1
    agree(world.lines, world.orders, world.prices, world.clock, lines)
    world.deals.payable[cases.deal] = world.lines.amount[lines]
    day = world.orders.day[cases.order]
    world.refund_customer(cases.order, day, world.lines.price[lines])


def rest_by_reference(world: World, cases: Cases) -> None:
    pay_two_of_three(world, cases)
    day = world.deals.due[cases.deal]
    world.add_payments(cases.deal, world.deals.payable[cases.deal], day)


def paid_before_holiday(world: World, cases: Cases) -> None:
    world.not_paid(cases.deal)
    world.not_shipped(world.lines_of(cases.deal))
    day = world.clock.paid_before_holiday(ALDER)
    days = np.full(len(cases.deal), day, dtype=np.int64)
    world.add_payments(cases.deal, world.deals.payable[cases.deal], days)


def paid_at_night(world: World, cases: Cases) -> None:
    not_sent(world, cases)
    today = np.full(len(cases.deal), world.clock.as_of, dtype=np.int64)
    world.pay_alone(cases.deal, today, HALF_PAST_ELEVEN)


def no_number_so_far(world: World, cases: Cases) -> None:
    sent_lately(world, cases, 2)
    no_number(world, cases)


def not_posted_so_far(world: World, cases: Cases) -> None:
    sent_lately(world, cases, 1)
    not_posted(world, cases)


def customer_never_paid(world: World, cases: Cases) -> None:
    world.never_happened(cases.deal)
    world.orders.funded[cases.order] = False
    world.orders.customer_paid[cases.order] = 0


def one_number_twice(world: World, cases: Cases) -> None:
    world.orders.number[cases.orders[:, 1]] = world.orders.number[cases.order]
    world.orders.bare[cases.orders[:, 1]] = True
