"""Faults and look-alikes of deliveries and of what customers pay."""

from __future__ import annotations

from tests.shops.catalogue import ALDER, KESTREL
from tests.shops.clock import Clock
from tests.shops.delivery_changes import (
    another_number_posted,
    arrived_late,
    arrived_late_long_ago,
    arrived_on_the_promised_day,
    called_off,
    called_off_on_that_day,
    customer_got_it_back,
    customer_paid_too_much,
    lost_and_replaced,
    never_arrived,
    number_damaged,
    number_of_another,
    one_parcel_for_two,
    one_unit_more,
    only_shown_as_sent,
    only_shown_as_sent_yesterday,
    promised_fifteen_days_ago,
    promised_for_today,
    promised_for_yesterday,
    promised_sixteen_days_ago,
    sold_for_one_euro,
    wrong_check_digit,
    wrong_check_digit_mended,
)
from tests.shops.kind import Kind, days_ago, on

SOLD_AT_LOSS = (("sold-at-loss", "open"),)
NOT_SENT_YET = ("unfulfilled", "waiting")

DELIVERY_FAULTS = (
    Kind(
        "sent-after-cancel",
        "cancelled, and sent on the day after",
        called_off,
        (("sent-after-cancel", "open"),),
    ),
    Kind(
        "over-shipped",
        "one unit more was sent than ordered",
        one_unit_more,
        (("over-shipped", "open"),),
        lines=(1,),
    ),
    Kind(
        "tracking-mismatch",
        "the storefront shows a number that the supplier never gave",
        another_number_posted,
        (("tracking-mismatch", "open"),),
    ),
    Kind(
        "tracking-damaged",
        "a spreadsheet has changed the supplier's number; the storefront shows the true one",
        number_damaged,
        (("tracking-invalid", "open"), ("tracking-mismatch", "follows")),
    ),
    Kind(
        "tracking-check-digit",
        "a postal number with another check digit than it should have, and posted so",
        wrong_check_digit,
        (("tracking-invalid", "open"),),
    ),
    Kind(
        "tracking-check-digit-mended",
        "the supplier's postal number has another check digit than it should have; the storefront "
        "shows the true number",
        wrong_check_digit_mended,
        (("tracking-invalid", "open"), ("tracking-mismatch", "follows")),
    ),
    Kind(
        "tracking-reused",
        "sent with the number of the other order, of another customer",
        number_of_another,
        (("tracking-reused", "open"),),
        orders=2,
        lines=(1,),
    ),
    Kind(
        "posted-not-shipped",
        "shown as sent two days before the run, and nothing was",
        only_shown_as_sent,
        (("posted-not-shipped", "open"), NOT_SENT_YET),
        on(Clock.paid_not_due, KESTREL),
    ),
    Kind(
        "posted-not-shipped-unfulfilled",
        "shown as sent, and overdue for dispatch",
        only_shown_as_sent,
        (("unfulfilled", "open"), ("posted-not-shipped", "follows")),
    ),
    Kind(
        "late-delivery-since-yesterday",
        "not delivered, and promised for yesterday",
        promised_for_yesterday,
        (("late-delivery", "open"), ("lost", "waiting")),
        days_ago(21),
    ),
    Kind(
        "late-delivery-not-lost",
        "not delivered, and promised for fifteen days before the run",
        promised_fifteen_days_ago,
        (("late-delivery", "open"), ("lost", "waiting")),
        days_ago(21),
    ),
    Kind(
        "lost-since-yesterday",
        "not delivered, and promised for sixteen days before the run",
        promised_sixteen_days_ago,
        (("lost", "open"), ("late-delivery", "follows")),
        days_ago(21),
    ),
    Kind(
        "lost",
        "never delivered, and nothing promised but what the quote or the supplier says",
        never_arrived,
        (("lost", "open"), ("late-delivery", "follows")),
    ),
    Kind(
        "delivered-late",
        "delivered a day after the promise",
        arrived_late,
        (("delivered-late", "open"),),
        days_ago(18),
    ),
    Kind(
        "customer-overpaid",
        "the customer paid 5.00 more than the order's total",
        customer_paid_too_much,
        (("customer-overpaid", "open"),),
    ),
    Kind("sold-at-loss", "sold at 1.00 a unit", sold_for_one_euro, SOLD_AT_LOSS, lines=(1,)),
    Kind(
        "sold-at-loss-in-dollars",
        "sold at 1.00 a unit, and the supplier is paid in dollars",
        sold_for_one_euro,
        SOLD_AT_LOSS,
        supplier=ALDER,
    ),
)

DELIVERY_LOOK_ALIKES = (
    Kind(
        "refunded-on-the-day-of-dispatch",
        "refunded in full on the day on which it was sent",
        called_off_on_that_day,
    ),
    Kind(
        "one-parcel-for-two-orders",
        "two orders of one customer in one parcel",
        one_parcel_for_two,
        orders=2,
        lines=(1,),
    ),
    Kind(
        "posted-not-shipped-until-today",
        "shown as sent yesterday, and nothing was",
        only_shown_as_sent_yesterday,
        (("posted-not-shipped", "waiting"), NOT_SENT_YET),
        on(Clock.paid_not_due, KESTREL),
    ),
    Kind(
        "late-delivery-until-today",
        "not delivered, and promised for today",
        promised_for_today,
        (("late-delivery", "waiting"), ("lost", "waiting")),
        days_ago(21),
    ),
    Kind(
        "lost-and-replaced",
        "the parcel never arrived, and its replacement did",
        lost_and_replaced,
        lines=(1,),
    ),
    Kind(
        "delivered-late-long-ago",
        "delivered thirty-one days before the run, a day after the promise",
        arrived_late_long_ago,
        day=days_ago(40),
    ),
    Kind(
        "delivered-on-the-promised-day",
        "delivered on the promised day",
        arrived_on_the_promised_day,
        day=days_ago(18),
    ),
    Kind(
        "customer-overpaid-and-back",
        "the customer paid 5.00 too much and got them back",
        customer_got_it_back,
    ),
)
