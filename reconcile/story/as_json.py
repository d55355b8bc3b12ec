"""A trace as plain values for JSON: amounts are texts in major units, dates ISO, no times."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from typing import Any

import pandas as pd

from reconcile.checks.standing import Standing
from reconcile.money import amount_text
from reconcile.story.event import Event, Place
from reconcile.story.looked import Looked, Near, Rejected
from reconcile.story.rules import Missed
from reconcile.story.tell import Customer, Money, Story

_FOUND = (
    "id", "rule", "title", "verdict", "severity", "class", "currency", "order_ref", "sku",
    "supplier", "document", "list", "cause", "explanation", "action", "evidence", "first_seen",
    "change",
)  # fmt: skip


def plain_story(story: Story) -> dict[str, object]:
    """One story as plain values."""
    named = story.named
    return {
        "kind": named.kind,
        "reference": named.reference,
        "store": named.store,
        "supplier": named.supplier,
        "customer": None if story.customer is None else _customer(story.customer),
        "suppliers": [_money(one) for one in story.suppliers],
        "orders": [
            {
                "order_ref": one.order_ref,
                "store": one.store,
                "suppliers": [_money(money) for money in one.money],
            }
            for one in (story.concerned if story.order is None else [story.order])
        ],
        "events": [_event(event) for event in story.events],
        "rules": {
            "fire": [_found(row) for row in story.found.to_dict("records")],
            "just_missed": [_missed(one) for one in story.missed],
        },
    }


def plain_looked(looked: Iterable[Looked]) -> list[dict[str, object]]:
    """Where it was looked."""
    return [
        {"what": one.what, "count": one.count, "files": list(one.files), "covered_to": one.until}
        for one in looked
    ]


def plain_rejected(rows: Iterable[Rejected]) -> list[dict[str, object]]:
    """Rejected rows that name the reference."""
    return [
        {**place(one.place), "column": one.column, "text": one.text, "expected": one.expected}
        for one in rows
    ]


def plain_near(near: Iterable[Near]) -> list[dict[str, object]]:
    """What is called nearly so."""
    return [{"kind": one.kind, "reference": one.reference} for one in near]


def amount(minor: int | None, currency: str) -> str | None:
    """Minor units as decimal text in major units, without the currency."""
    return None if minor is None else amount_text(minor, currency).split(" ")[0]


def place(one: Place) -> dict[str, object]:
    """A place; ``row`` is null where the file has no rows."""
    return {"file": one.file, "sheet": one.sheet, "row": one.row or None}


def _money(one: Money) -> dict[str, object]:
    code = one.currency
    return {
        "supplier": one.supplier,
        "currency": code,
        "payable": amount(one.payable, code),
        "paid": amount(one.paid, code),
        "balance": amount(one.balance, code),
    }


def _customer(one: Customer) -> dict[str, object]:
    code = one.currency
    return {
        "currency": code,
        "order_total": amount(one.total, code),
        "paid": amount(one.paid, code),
        "refunded": amount(one.refunded, code),
    }


def _event(one: Event) -> dict[str, object]:
    return {
        "date": None if one.day is None else one.day.isoformat(),
        "event": one.kind,
        "about": one.about,
        "supplier": one.supplier,
        "amount": amount(one.amount, one.currency),
        "currency": one.currency,
        "moves_balance": one.moves_money,
        "balance": amount(one.balance, one.currency),
        "evidence": [place(each) for each in one.places],
    }


def _found(row: Mapping[Hashable, Any]) -> dict[str, object]:
    minor = None if pd.isna(row["amount_minor"]) else int(row["amount_minor"])
    days = {
        name: None if pd.isna(row[name]) else f"{row[name]:%Y-%m-%d}"
        for name in ("event_date", "due_by")
    }
    texts = {name: str(row[name]) for name in _FOUND}
    return {**texts, "amount": amount(minor, str(row["currency"])), **days}


def _missed(one: Missed) -> dict[str, object]:
    return {
        "rule": one.rule,
        "title": one.title,
        "about": list(one.about),
        "lacking": [_standing(each) for each in one.lacking],
        "held": [_standing(each) for each in one.held],
        "numbers": list(one.beside),
    }


def _standing(one: Standing) -> dict[str, object]:
    return {"fact": one.fact, "is": one.comparison, "said": one.said}
