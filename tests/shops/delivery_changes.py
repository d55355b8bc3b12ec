"""What goes wrong after dispatch, or only looks so; and with what customers pay."""

from __future__ import annotations

import numpy as np

from tests.shops.columns import DAMAGED, MISTYPED, NOT_WRITTEN, sums
from tests.shops.fault_changes import not_sent_since_order, sent_lately
from tests.shops.kind import Cases
from tests.shops.orders import total_of
from tests.shops.text import POSTAL
from tests.shops.world import World


def _all(lines: np.ndarray, day: int) -> np.ndarray:
    return np.full(len(lines), day, dtype=np.int64)


def called_off(world: World, cases: Cases) -> None:
    """Billed and paid, cancelled, and sent on the day after that."""
    lines = world.lines_of(cases.deal)
    world.bill(cases.deal, world.deals.pay_day[cases.deal])
    day = world.deals.pay_day[cases.deal] + 1
    place = np.searchsorted(cases.deal, world.lines.deal[lines])
    world.ship(lines, (day + 1)[place])
    world.cancel(cases.order, day)


def called_off_on_that_day(world: World, cases: Cases) -> None:
    """Billed and paid; refunded in full on the day on which it was sent."""
    lines = world.lines_of(cases.deal)
    world.bill(cases.deal, world.deals.pay_day[cases.deal])
    day = world.deals.pay_day[cases.deal] + 1
    place = np.searchsorted(cases.deal, world.lines.deal[lines])
    world.ship(lines, day[place])
    world.refund_customer(cases.order, day, world.orders.total[cases.order])
    world.end_lines(cases.order)


def one_unit_more(world: World, cases: Cases) -> None:
    world.lines.ship_qty[world.lines_of(cases.deal)] += 1


def another_number_posted(world: World, cases: Cases) -> None:
    lines = world.lines_of(cases.deal)
    world.lines.shown[lines] = world.new_parcels(len(lines))


def number_damaged(world: World, cases: Cases) -> None:
    """The supplier's file was saved by a spreadsheet; the storefront has the true number."""
    lines = world.lines_of(cases.deal)
    world.lines.shown[lines] = world.lines.parcel[lines]
    world.lines.parcel[lines] = DAMAGED


def wrong_check_digit(world: World, cases: Cases) -> None:
    """A postal number with a slip in its check digit; the storefront shows it as it came."""
    lines = world.lines_of(cases.deal)
    _, place = np.unique(world.lines.deal[lines], return_inverse=True)
    new = world.new_parcels(POSTAL * (len(cases.deal) + 1))
    postal = new[-new[0] % POSTAL :: POSTAL]
    world.lines.parcel[lines] = MISTYPED + postal[place]


def wrong_check_digit_mended(world: World, cases: Cases) -> None:
    """The same, and the storefront shows the number on the label."""
    wrong_check_digit(world, cases)
    lines = world.lines_of(cases.deal)
    world.lines.shown[lines] = world.lines.parcel[lines] - MISTYPED


def number_of_another(world: World, cases: Cases) -> None:
    """Sent after the other order, with that one's number."""
    deals = cases.deals
    lines, first = world.lines_of(cases.deal), world.lines_of(np.ascontiguousarray(deals[:, 1]))
    world.pay_alone(deals.ravel(), world.orders.day[cases.orders.ravel()])
    world.ship(lines, world.lines.ship_day[first] + 2)
    world.lines.parcel[lines] = world.lines.parcel[first]
    recipient = world.orders.recipient
    same = recipient[cases.order] == recipient[cases.orders[:, 1]]
    recipient[cases.order[same]] += 1


def one_parcel_for_two(world: World, cases: Cases) -> None:
    number_of_another(world, cases)
    world.orders.recipient[cases.order] = world.orders.recipient[cases.orders[:, 1]]


def shown_as_sent(world: World, cases: Cases, days_before: int) -> None:
    """Shown as sent so many days before the run, with a number of nobody; nothing was sent."""
    lines = world.lines_of(cases.deal)
    day = world.clock.as_of - days_before
    world.lines.shown[lines] = world.new_parcels(len(lines))
    world.lines.posted[lines] = day
    world.lines.sent[lines] = day


def only_shown_as_sent(world: World, cases: Cases) -> None:
    not_sent_since_order(world, cases)
    shown_as_sent(world, cases, 2)


def only_shown_as_sent_yesterday(world: World, cases: Cases) -> None:
    not_sent_since_order(world, cases)
    shown_as_sent(world, cases, 1)


def on_its_way(world: World, cases: Cases, promised_before: int) -> None:
    """Sent three weeks before the run and not delivered; promised so many days before the run."""
    sent_lately(world, cases, 19)
    lines = world.lines_of(cases.deal)
    world.lines.delivered[lines] = NOT_WRITTEN
    world.lines.promised[lines] = world.clock.as_of - promised_before


def promised_for_yesterday(world: World, cases: Cases) -> None:
    on_its_way(world, cases, 1)


def promised_for_today(world: World, cases: Cases) -> None:
    on_its_way(world, cases, 0)


def promised_fifteen_days_ago(world: World, cases: Cases) -> None:
    on_its_way(world, cases, 15)


def promised_sixteen_days_ago(world: World, cases: Cases) -> None:
    on_its_way(world, cases, 16)


def never_arrived(world: World, cases: Cases) -> None:
    """Sent on the day after the order, never delivered, and nothing else was promised."""
    lines = world.lines_of(cases.deal)
    day = world.orders.day[world.lines.order[lines]]
    world.pay_alone(cases.deal, world.orders.day[cases.order])
    world.not_billed(cases.deal)
    world.ship(lines, day + 1)
    world.lines.delivered[lines] = NOT_WRITTEN
    world.lines.promised[lines] = NOT_WRITTEN


def lost_and_replaced(world: World, cases: Cases) -> None:
    """The first parcel never arrived, its replacement did."""
    lines = world.lines_of(cases.deal)
    world.lines.delivered[lines] = NOT_WRITTEN
    world.deliver_again(lines, 1)


def arrived_late(world: World, cases: Cases) -> None:
    """Delivered ten days before the run, a day after the promise."""
    sent_lately(world, cases, 15)
    lines = world.lines_of(cases.deal)
    world.lines.promised[lines] = world.lines.delivered[lines] - 1


def arrived_late_long_ago(world: World, cases: Cases) -> None:
    """Delivered thirty-one days before the run, a day after the promise."""
    sent_lately(world, cases, 36)
    lines = world.lines_of(cases.deal)
    world.lines.promised[lines] = world.lines.delivered[lines] - 1


def arrived_on_the_promised_day(world: World, cases: Cases) -> None:
    sent_lately(world, cases, 15)
    lines = world.lines_of(cases.deal)
    world.lines.promised[lines] = world.lines.delivered[lines]


def customer_paid_too_much(world: World, cases: Cases) -> None:
    world.orders.customer_paid[cases.order] += 500


def customer_got_it_back(world: World, cases: Cases) -> None:
    customer_paid_too_much(world, cases)
    day = world.orders.day[cases.order] + 3
    world.refund_customer(cases.order, day, np.full(len(day), 500, dtype=np.int64))


def sold_for_one_euro(world: World, cases: Cases) -> None:
    """Every line at a price of 1.00, and the shipping at the shop's cost."""
    lines, orders = world.lines, world.orders
    mine = world.lines_of(cases.deal)
    lines.price[mine] = 100
    lines.discount[mine] = 0
    orders.shipping_charged[cases.order] = 0
    orders.discount[cases.order] = 0
    goods = sums(lines.order, lines.qty * lines.price - lines.discount, len(orders.day))
    orders.total[cases.order] = total_of(orders, goods)[cases.order]
    orders.customer_paid[cases.order] = orders.total[cases.order]
