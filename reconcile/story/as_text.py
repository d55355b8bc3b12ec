"""A trace as people read it in a terminal, in lines of at most 80 characters."""

from __future__ import annotations

import textwrap
from collections.abc import Hashable, Iterable, Mapping
from typing import Any

import pandas as pd

from reconcile.counted import counted
from reconcile.money import amount_text
from reconcile.story.event import KINDS, Event, Place
from reconcile.story.looked import Looked, Near, Rejected
from reconcile.story.rules import Missed
from reconcile.story.tell import Concerned, Customer, Money, Story

WIDTH = 80
_INDENT = 12  # below the date and two blanks
_WHAT, _AMOUNT = 34, 16
_ROWS = 12  # rows of one file that an event names
_FILES = 6
_TITLES = {
    "order": "Order",
    "invoice": "Invoice",
    "payment": "Payment",
    "parcel": "Tracking number",
    "documents": "Documents that name an order that is in no order export, or several:",
    "past": "Nothing in the files, but in the history:",
}
_BALANCE = (
    "Balance: what is payable to that supplier in that currency, less what is paid; below 0, more "
    "is paid than payable."
)


def story_lines(story: Story) -> list[str]:
    """One story: what it is about, its money, its events, and what the rules say."""
    named = story.named
    who = ", ".join(part for part in (named.store, named.supplier) if part)
    title = f"{_TITLES[named.kind]} {named.reference}" + (f" ({who})" if who else "")
    lines = wrapped(title)
    lines.append("=" * max(len(line) for line in lines))
    if story.order is not None and named.kind != "order":
        lines += wrapped(f"Its order: {_order(story.order)}", 2)
    lines += [] if story.customer is None else wrapped(_customer(story.customer), 2)
    for money in story.suppliers:
        lines += wrapped(_money(money), 2)
    if story.concerned:
        lines += ["", f"Orders that it concerns: {len(story.concerned)}"]
        for one in story.concerned:
            moneys = "; ".join(_money(money) for money in one.money)
            lines += wrapped(f"{_order(one)}: {moneys or 'no money'}", 4, first=2)
    lines += ["", *_event_lines(story.events)]
    lines += ["", "Rules that fire", *_found_lines(story.found)]
    return [*lines, "", "Rules that just missed", *_missed_lines(story.missed)]


def wrapped(text: str, indent: int = 0, *, first: int = 0) -> list[str]:
    """A text in lines of the width; nothing unseen, and no control characters."""
    plain = "".join(sign if sign.isprintable() else " " for sign in text)
    return textwrap.wrap(
        plain, WIDTH, initial_indent=" " * first, subsequent_indent=" " * indent
    ) or [""]


def looked_lines(looked: Iterable[Looked], unread: int) -> list[str]:
    """What there was to be found, and where."""
    lines = []
    for one in looked:
        names = [*one.files[:_FILES]]
        more = len(one.files) - _FILES
        names += [f"and {more} more"] if more > 0 else []
        until = f", up to {one.until}" if one.until else ""
        many = counted(one.count, one.what.removesuffix("s"))
        lines += wrapped(f"- {many}{until}, in {', '.join(names)}", 2)
    if unread:
        what = "with too few or too many cells could not be searched"
        lines += wrapped(f"- {counted(unread, 'rejected row')} {what}", 2)
    return lines


def near_lines(near: Iterable[Near]) -> list[str]:
    """The nearest references."""
    named = [f"{one.kind} {one.reference}" for one in near]
    return wrapped("Nearest: " + ", ".join(named) if named else "Nothing is called nearly so.", 2)


def rejected_lines(rows: Iterable[Rejected]) -> list[str]:
    """Rejected rows that name the reference: where, and why they could not be read."""
    lines = []
    for one in rows:
        shown = f" {one.text!r}" if one.text else ""
        column = f", column {one.column}" if one.column else ""
        what = f"- {_places([one.place])[0]}{column}{shown}; expected: {one.expected}"
        lines += wrapped(what, 2)
    return lines


def _order(one: Concerned) -> str:
    return one.order_ref + (f" ({one.store})" if one.store else "")


def _customer(one: Customer) -> str:
    parts = [
        ("order total", one.total),
        ("paid", one.paid),
        ("refunded", one.refunded),
    ]
    shown = [f"{name} {_amount(minor, one.currency)}" for name, minor in parts]
    return "Customer: " + ", ".join(shown)


def _money(one: Money) -> str:
    parts = [("payable", one.payable), ("paid", one.paid), ("balance", one.balance)]
    shown = [f"{name} {_amount(minor, one.currency)}" for name, minor in parts]
    return f"{one.supplier or 'unknown supplier'}: " + ", ".join(shown)


def _amount(minor: int | None, currency: str) -> str:
    return "not known" if minor is None else amount_text(minor, currency)


def _event_lines(events: list[Event]) -> list[str]:
    if not events:
        return ["No event is known."]
    lines = wrapped(_BALANCE) if any(event.moves_money for event in events) else []
    lines.append(_row("Date", "Event", "Amount", "Balance"))
    for event in events:
        lines += _one_event(event)
    return lines


def _row(day: str, what: str, amount: str, balance: str) -> str:
    row = f"{day:<10}  {what:<{_WHAT}} {amount:>{_AMOUNT}} {balance:>{_AMOUNT}}"
    return row.rstrip()


def _one_event(event: Event) -> list[str]:
    day = "no date" if event.day is None else event.day.isoformat()
    what = textwrap.wrap(f"{KINDS[event.kind]} {event.supplier}".rstrip(), _WHAT)
    amount = "" if event.amount is None else _amount(event.amount, event.currency)
    balance = _amount(event.balance, event.currency) if event.moves_money else ""
    if max(len(amount), len(balance)) > _AMOUNT:
        lines = [_row(day, what[0], "", "")]
        rest = [f"amount {amount}", f"balance {balance}" if balance else ""]
        more = [*what[1:], "; ".join(part for part in rest if part)]
    else:
        lines, more = [_row(day, what[0], amount, balance)], what[1:]
    details = [*more, *([event.about] if event.about else []), *_places(event.places)]
    for detail in details:
        lines += wrapped(detail, _INDENT, first=_INDENT)
    return lines


def _places(places: Iterable[Place]) -> list[str]:
    """One text per file, with its rows."""
    rows: dict[str, list[int]] = {}
    for one in places:
        name = one.file + (f" [{one.sheet}]" if one.sheet else "")
        rows.setdefault(name, []).append(one.row)
    out = []
    for name, numbers in rows.items():
        known = [str(number) for number in numbers if number]
        more = f" and {len(known) - _ROWS} more" if len(known) > _ROWS else ""
        word = " row " if len(known) == 1 else " rows "
        out.append(name + (word + ", ".join(known[:_ROWS]) + more if known else ""))
    return out


def _found_lines(found: pd.DataFrame) -> list[str]:
    lines = []
    for row in found.to_dict("records"):
        lines += wrapped(f"- {_found_words(row)}", 2)
        lines += wrapped(str(row["explanation"]), 2, first=2)
        if row["cause"]:
            lines += wrapped(f"Because: {row['cause']}", 2, first=2)
        lines += wrapped(f"To do: {row['action']}", 2, first=2)
    return lines or ["- none"]


def _found_words(row: Mapping[Hashable, Any]) -> str:
    words = [f"{row['rule']}: {row['verdict']}"]
    if not pd.isna(row["amount_minor"]):
        words.append(f"{row['class']} {_amount(int(row['amount_minor']), str(row['currency']))}")
    if not pd.isna(row["due_by"]) and row["verdict"] == "waiting":
        words.append(f"due {row['due_by']:%Y-%m-%d}")
    words += [f"first seen {row['first_seen']}", f"id {row['id']}"]
    return ", ".join(words)


def _missed_lines(missed: list[Missed]) -> list[str]:
    lines = []
    for one in missed:
        about = f" [{', '.join(one.about)}]" if one.about else ""
        said = "; ".join(each.said for each in one.lacking)
        counted = any(each.comparison not in ("yes", "no") for each in one.lacking)
        beside = f" ({', '.join(one.beside)})" if one.beside and counted else ""
        lines += wrapped(f"- {one.rule}{about}: {said}{beside}", 2)
    return lines or ["- none"]
