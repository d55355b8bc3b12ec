"""Which exceptions a shop has to give, from what happened in it and not from its files.

The rules here are written anew, in the plainest way, over whole numbers; nothing of the project
is used. What the builder meant to put into each order is then compared with what is found, so
that a builder that does something else than it says fails at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pandas as pd

from tests.shops.catalogue import ALDER, KESTREL, Bools, Ints
from tests.shops.clock import NEVER
from tests.shops.columns import NO_PARCEL, ORIGINAL, joined, sums
from tests.shops.delivery_ledger import DELIVERY_RULES, deliveries
from tests.shops.facts import Facts, facts
from tests.shops.kind import Kind
from tests.shops.price_ledger import PRICE_RULES, prices
from tests.shops.unnamed_ledger import UNNAMED_RULES, unnamed
from tests.shops.world import World

# rule: its class of money, its list
RULES = {
    "unpaid": ("owed", "pay"),
    "part-paid": ("owed", "pay"),
    "double-paid": ("claim", "claim"),
    "overpaid": ("claim", "claim"),
    "refunded-but-paid": ("claim", "claim"),
    "unfunded": ("at-risk", "hold"),
    "billed-twice": ("stop", "hold"),  # claim and claim where the second bill was paid
    "unfulfilled": ("claim", "chase"),
    "short-shipped": ("claim", "chase"),
    "missing-tracking": ("timing", "chase"),
    "tracking-not-posted": ("timing", "post"),
    "unknown-order": ("at-risk", "check"),
    "customer-underpaid": ("at-risk", "collect"),
    **DELIVERY_RULES,
    **PRICE_RULES,
    **UNNAMED_RULES,
}
NO_AMOUNT = -1


class Book:
    """Collects exceptions as columns."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.pages: list[pd.DataFrame] = []

    def add(self, rule: str, verdict: Ints | Bools | str, deal: Ints, **more: Ints) -> None:
        """Exceptions of one rule. A verdict given as yes or no says whether each is overdue."""
        if isinstance(verdict, str):
            words = np.full(len(deal), verdict, dtype=object)
        else:
            words = np.where(verdict, "open", "waiting").astype(object)
        page = pd.DataFrame(
            {
                "rule": rule,
                "verdict": words,
                "order": self.world.deals.order[deal],
                "supplier": self.world.deals.supplier[deal],
                "line": NEVER,
                "amount": NO_AMOUNT,
                "due": NEVER,
                "class": RULES[rule][0],
                "list": RULES[rule][1],
                "document": "",
                "document_id": NEVER,
            }
        )
        for name, values in more.items():
            page[name] = values
        self.pages.append(page)

    def close(self) -> pd.DataFrame:
        """All of them; one row per exception."""
        return pd.concat([page for page in self.pages if len(page)] or self.pages[:1])


def exceptions(world: World, kinds: Sequence[Kind]) -> pd.DataFrame:
    """Every exception that the shop has to give, and a check that it was meant.

    One row per exception: rule, verdict, order and line (positions), supplier, amount in cents,
    due, class, list, and the kind and position of a document.
    """
    found = facts(world)
    book = Book(world)
    _money(world, found, book)
    _goods(world, found, book)
    _tracking(world, found, book)
    _unknown(world, book)
    _customers(world, book)
    deliveries(world, found, book)
    prices(world, found, book)
    unnamed(world, found, book)
    page = book.close().reset_index(drop=True)
    _follow(page)
    _check_subsets(world)
    _check(world, kinds, page)
    return page


def _money(world: World, found: Facts, book: Book) -> None:
    as_of = world.clock.as_of
    real = ~found.ghost
    owed = real & found.funded & found.live & (found.times == 0)
    deal = np.flatnonzero(owed)
    overdue = (found.due[deal] < as_of) & ~found.pending[deal]
    if (found.due[deal] < 0).any() or not found.known[deal].all():
        raise AssertionError("an unpaid order without a due date or a price")
    book.add("unpaid", overdue, deal, amount=found.payable[deal], due=found.due[deal])
    deal = np.flatnonzero(real & found.known & (found.paid > 0) & (found.paid < found.payable))
    missing = (found.payable - found.paid)[deal]
    book.add("part-paid", found.due[deal] < as_of, deal, amount=missing, due=found.due[deal])

    ended = ~found.live & ~found.sent & (found.paid > 0) & real
    deal = np.flatnonzero(ended)
    book.add("refunded-but-paid", "open", deal, amount=found.paid[deal])
    # What was paid for an order without a bill or a live line is "too much" in some way, too:
    # which one is nobody's concern, because the refund is the cause. It is left out.
    over = real & found.known & (found.paid > found.payable) & (found.payable > 0)
    twice = over & (found.paid - found.least >= found.payable)
    deal = np.flatnonzero(twice)
    verdict = np.where(ended[deal], "follows", "open").astype(object)
    excess = (found.paid - found.payable)[deal]
    book.add("double-paid", "open", deal, amount=excess)
    book.pages[-1]["verdict"] = verdict
    deal = np.flatnonzero(over & ~twice)
    book.add("overpaid", "open", deal, amount=(found.paid - found.payable)[deal])
    deal = np.flatnonzero(real & ~found.known & (found.times > 1))
    book.add("double-paid", "open", deal, amount=(found.paid - found.least)[deal])
    cancelled = world.orders.cancelled[world.deals.order] != NEVER
    touched = (found.paid > 0) | found.sent
    deal = np.flatnonzero(real & ~found.funded & ~cancelled & touched)
    amount = np.where(found.paid[deal] > 0, found.paid[deal], found.payable[deal])
    book.add("unfunded", "open", deal, amount=amount)
    _billed_twice(world, book, twice)


def _billed_twice(world: World, book: Book, paid_too: Bools) -> None:
    rows = joined(world.invoice_rows)
    lines = world.lines
    again = rows.duplicate
    amount = sums(rows.line[again], rows.amount[again], len(lines.order))
    line = np.flatnonzero(amount)
    deal = lines.deal[line]
    book.add("billed-twice", "open", deal, line=line, amount=amount[line])
    page = book.pages[-1]
    page["verdict"] = np.where(paid_too[deal], "follows", "open").astype(object)
    page["class"] = np.where(paid_too[deal], "claim", "stop").astype(object)
    page["list"] = np.where(paid_too[deal], "claim", "hold").astype(object)


def _goods(world: World, found: Facts, book: Book) -> None:
    lines = world.lines
    parcels = joined(world.parcel_rows)
    gone = (parcels.day <= world.clock.as_of) & (parcels.replacement == ORIGINAL)
    whole = parcels.whole & gone
    sent = sums(parcels.line[gone & ~whole], parcels.qty[gone & ~whole], len(lines.order))
    by_deal = np.bincount(lines.deal[parcels.line[whole]], minlength=len(world.deals.order)) > 0
    sent = np.where(by_deal[lines.deal], lines.live, sent)
    wanted = (lines.live > 0) & (found.paid_in_full & ~found.ghost)[lines.deal]
    wanted &= (found.times > 0)[lines.deal]
    due = np.full(len(world.deals.order), NEVER, dtype=np.int64)
    for supplier in (KESTREL, ALDER):
        mine = np.flatnonzero((world.deals.supplier == supplier) & (found.last_day >= 0))
        due[mine] = world.clock.dispatch_due(supplier, found.last_day[mine])
    # What is paid for each line is what it costs only where paid is exactly what is payable.
    exact = (found.paid == found.payable)[lines.deal]
    for rule, missing in (
        ("unfulfilled", wanted & (sent == 0)),
        ("short-shipped", wanted & (sent > 0) & (sent < lines.live)),
    ):
        line = np.flatnonzero(missing)
        if not exact[line].all():
            raise AssertionError(f"{rule}: an order that is not paid for exactly")
        part, rest = np.divmod(lines.amount[line] * (lines.live - sent)[line], lines.live[line])
        if rest.any():
            raise AssertionError(f"{rule}: a share that is not whole cents")
        deal = lines.deal[line]
        overdue = due[deal] < world.clock.as_of
        book.add(rule, overdue, deal, line=line, amount=part, due=due[deal])


def _tracking(world: World, found: Facts, book: Book) -> None:
    lines, clock = world.lines, world.clock
    parcels = joined(world.parcel_rows)
    real = ~found.ghost[lines.deal[parcels.line]] & (parcels.day <= clock.as_of)
    row = np.flatnonzero(real & (parcels.parcel == NO_PARCEL))
    line, due = parcels.line[row], parcels.day[row] + 2
    place = np.where(parcels.whole[row], NEVER, line)
    book.add("missing-tracking", due < clock.as_of, lines.deal[line], line=place, due=due)
    known = np.flatnonzero(real & (parcels.parcel >= 0))
    far = np.iinfo(np.int64).max
    first = np.full(len(lines.order), far, dtype=np.int64)
    np.minimum.at(first, parcels.line[known], parcels.day[known])
    by_deal = np.full(len(world.deals.order), far, dtype=np.int64)
    whole = known[parcels.whole[known]]
    np.minimum.at(by_deal, lines.deal[parcels.line[whole]], parcels.day[whole])
    first = np.minimum(first, by_deal[lines.deal])
    shown = (lines.posted != NEVER) & (lines.posted <= clock.as_of)
    line = np.flatnonzero((first != far) & ~shown)
    due = first[line] + 1
    book.add("tracking-not-posted", due < clock.as_of, lines.deal[line], line=line, due=due)


def _unknown(world: World, book: Book) -> None:
    lines, deals, cover = world.lines, world.deals, world.clock.export_day
    ghost = world.orders.ghost[deals.order]
    rows, heads = joined(world.invoice_rows), joined(world.heads)
    moves, parts = joined(world.payments), joined(world.parts)
    parcels = joined(world.parcel_rows)

    def add(name: str, deal: Ints, day: Ints, **more: Ints) -> None:
        book.add("unknown-order", "open", deal, **more)
        book.pages[-1]["verdict"] = np.where(day > cover, "unknown", "open").astype(object)
        book.pages[-1]["document"] = name

    row = np.flatnonzero(ghost[lines.deal[rows.line]])
    line, invoice = rows.line[row], rows.invoice[row]
    amount = rows.amount[row]
    day = heads.day[invoice]
    add("invoice", lines.deal[line], day, line=line, amount=amount, document_id=invoice)
    part = np.flatnonzero(ghost[parts.deal])
    payment = parts.payment[part]
    share = parts.share[part]
    add("payment", parts.deal[part], moves.day[payment], amount=share, document_id=payment)
    row = np.flatnonzero(ghost[lines.deal[parcels.line]])
    line = parcels.line[row]
    number = parcels.parcel[row]
    add("parcel", lines.deal[line], parcels.day[row], line=line, document_id=number)


def _customers(world: World, book: Book) -> None:
    orders = world.orders
    gap = orders.total - orders.customer_paid
    short = ~orders.funded & (orders.customer_paid > 0) & (gap > 0)
    order = np.flatnonzero(short & ~orders.ghost)
    deal = world.deal_of[order].max(axis=1)
    book.add("customer-underpaid", "open", deal, amount=gap[order])
    book.pages[-1]["supplier"] = NEVER


def _follow(page: pd.DataFrame) -> None:
    """An order that was never funded explains why its goods were not sent."""
    unfunded = page.loc[page["rule"] == "unfunded", "order"]
    follows = (page["rule"] == "unfulfilled") & page["order"].isin(unfunded)
    page.loc[follows & (page["verdict"] == "open"), "verdict"] = "follows"
    late = page["rule"].eq("unfulfilled") & page["verdict"].eq("open")
    overdue = pd.MultiIndex.from_frame(page.loc[late, ["order", "line"]])
    shown = page["rule"] == "posted-not-shipped"
    shown &= pd.MultiIndex.from_frame(page[["order", "line"]]).isin(overdue)
    page.loc[shown & (page["verdict"] == "open"), "verdict"] = "follows"


def _check_subsets(world: World) -> None:
    """A payment of some orders of an invoice can be read in one way only."""
    parts, moves = joined(world.parts), joined(world.payments)
    given = joined(world.payment_invoices)
    deals = world.deals
    size = np.bincount(deals.invoice, deals.billed, minlength=world.invoice_count)
    total = np.zeros(world.invoice_count, dtype=np.int64)
    rows = joined(world.invoice_rows)
    np.add.at(total, rows.invoice, np.where(rows.credit, -rows.amount, rows.amount))
    times = np.bincount(given.payment, minlength=len(moves.day))
    smaller = moves.amount[given.payment] < total[given.invoice]
    for payment, invoice in zip(given.payment[smaller], given.invoice[smaller], strict=True):
        mine = np.flatnonzero(deals.invoice == invoice)
        amounts = deals.payable[mine]
        if times[payment] > 1 or size[invoice] != len(mine):
            raise AssertionError("a part of several invoices")
        sums_of = [
            int(amounts[[bool(code >> place & 1) for place in range(len(mine))]].sum())
            for code in range(1, 2 ** len(mine))
        ]
        if sums_of.count(int(moves.amount[payment])) != 1:
            raise AssertionError("a part of an invoice that can be read in several ways")
    named = parts.named | (np.bincount(given.payment, minlength=len(moves.day)) > 0)[parts.payment]
    if not named.all():
        raise AssertionError("a payment without a reference")


def _check(world: World, kinds: Sequence[Kind], page: pd.DataFrame) -> None:
    """What was found is what every kind says that it gives; ordinary orders only wait."""
    kind_of = world.orders.kind
    found = page[["order", "rule", "verdict"]].drop_duplicates()
    plain = kind_of[found["order"]] < 0
    companion = world.orders.role[found["order"]] > 0
    stray = found[(plain | companion) & (found["verdict"] != "waiting")]
    if len(stray):
        raise AssertionError(f"exceptions of ordinary orders: {stray.head()}")
    told = found[~plain & ~companion]
    names = [kinds[kind].name for kind in kind_of[told["order"]]]
    here = dict(Counter(zip(names, told["rule"], told["verdict"], strict=True)))
    wanted = {
        (kind.name, rule, verdict): int(((kind_of == index) & (world.orders.role == 0)).sum())
        for index, kind in enumerate(kinds)
        for rule, verdict in kind.gives
    }
    wanted = {key: n for key, n in wanted.items() if n}
    # What is on its way waits for its arrival, whatever else is the matter with its order.
    moving = [(rule, "waiting") for rule in ("late-delivery", "lost")]
    here = {key: n for key, n in here.items() if key in wanted or key[1:] not in moving}
    if here != wanted:
        different = sorted(set(here.items()) ^ set(wanted.items()))
        raise AssertionError(f"not what was meant: {different}")
