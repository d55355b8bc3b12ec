"""Events of the history and of decisions: found, cleared, reopened, decided."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection
from datetime import date

import pandas as pd

from reconcile.memory.database import HISTORY_FILE
from reconcile.memory.decision_log import DECISIONS_FILE, load_decisions
from reconcile.memory.past import Known, Move, known_exceptions, moves_of
from reconcile.money import MICRO_DIGITS, amount_text, minor_digits
from reconcile.night import Night
from reconcile.story.event import Event, Place
from reconcile.story.named import cleaned, order_keys, tracking_keys
from reconcile.story.orders import day_of, places_of
from reconcile.story.scope import Scope

_ENDED = ("cleared", "gone")
_ANYONE = "*"  # in the place of a supplier, where the reference alone is known


def document_keys(night: Night, scope: Scope) -> set[tuple[str, str]]:
    """Payments of the story, and the thing itself: supplier and cleaned reference."""
    out: set[tuple[str, str]] = set()
    payments = night.intake.records.get("payments")
    if payments is not None:
        rows = payments.iloc[list(scope.rows["payments"])]
        whole = scope.whole or scope.named.kind == "payment"
        out |= set(zip(rows["supplier"], rows["payment_ref_key"], strict=True)) if whole else set()
    if scope.named.kind in ("invoice", "payment"):
        out.add((scope.named.supplier, cleaned(scope.named.reference)))
    if scope.named.kind == "parcel":
        numbers = tracking_keys(scope.named.reference)
        out |= {(scope.named.supplier, number) for number in numbers}
    if scope.named.kind == "past":
        numbers = tracking_keys(scope.named.reference)
        out |= {(_ANYONE, key) for key in {cleaned(scope.named.reference), *numbers}}
    return out


def order_keys_of(night: Night, scope: Scope) -> set[str]:
    """The cleaned references of the story's order, or of one that no order export has."""
    if scope.whole:
        return set(night.matched.orders["key"].iloc[list(scope.named.orders)])
    if scope.named.kind in ("documents", "past"):
        return set(order_keys(night.shop, scope.named.reference).values())
    return set()


def is_about(document: str, supplier: str, wanted: Collection[tuple[str, str]]) -> bool:
    """Whether one of the references in an exception's document is wanted, at its supplier."""
    for one in document.split("; "):
        keys = {cleaned(one), *tracking_keys(one)} if one else set()
        if any((who, key) in wanted for key in keys for who in (supplier, _ANYONE)):
            return True
    return False


def history_events(
    history: sqlite3.Connection, night: Night, scope: Scope, ids: Collection[str]
) -> tuple[list[Event], list[Known]]:
    """What the history knows up to the day, and the exceptions that it is about.

    ``ids`` are those of tonight. Of orders that share one key, as in two stores, the history
    cannot tell past exceptions apart but by the reference as it is written.
    """
    wanted = document_keys(night, scope)
    orders, keys = night.matched.orders, order_keys_of(night, scope)
    mine = orders.iloc[list(scope.named.orders)] if scope.whole else orders.iloc[:0]
    refs = set(mine["order_ref"])
    crowded = bool(orders["key"].isin(keys).sum() > len(mine)) and scope.whole
    others = set(night.exceptions["id"]) - set(ids)
    known = []
    for one in known_exceptions(history, ids, keys):
        of_order = one.order_key in keys and one.id not in others
        of_order &= not crowded or one.order_ref in refs
        if one.id in ids or of_order or is_about(one.document, one.supplier, wanted):
            known.append(one)
    return [_event(move) for move in moves_of(history, known, night.as_of)], known


def _event(move: Move) -> Event:
    kind = f"exception-{move.what}"
    about = f"{move.exception.rule}, {move.verdict}"
    if move.what in _ENDED:
        about = f"{move.exception.rule}; {move.reason}" if move.reason else move.exception.rule
    return Event(
        move.night, kind, f"{about} ({move.exception.id})", "", move.amount_minor,
        move.currency if move.amount_minor is not None else "", (Place(HISTORY_FILE),),
    )  # fmt: skip


def decision_events(night: Night, scope: Scope, rules_of: dict[str, str]) -> list[Event]:
    """Decisions up to the day on the exceptions in ``rules_of`` (rule by id), or on the order."""
    orders = night.matched.orders.iloc[list(scope.named.orders) if scope.whole else []]
    return [
        *_logged(night, set(orders["order_ref"]), rules_of),
        *_from_files(night, order_keys_of(night, scope), rules_of),
    ]


def _logged(night: Night, refs: set[str], rules_of: dict[str, str]) -> list[Event]:
    out = []
    others = set(night.exceptions["id"]) - set(rules_of)
    for row, one in enumerate(load_decisions(night.shop.folder), start=1):
        mine = one.id in rules_of or (one.order_ref in refs and one.id not in others)
        if not mine or one.decided_on > night.as_of:
            continue
        about = _decided(one.rule, one.decided_by, one.reason, one.until)
        amount, currency = one.amount_minor, one.currency
        place = (Place(DECISIONS_FILE, row=row),)
        shown = currency if amount is not None else ""
        out.append(Event(one.decided_on, "decided", about, "", amount, shown, place))
    return out


def _from_files(night: Night, keys: set[str], rules_of: dict[str, str]) -> list[Event]:
    """Decisions of a file that the shop keeps; an amount is in the currency of the exception."""
    frame = night.intake.records.get("decisions")
    if frame is None:
        return []
    out = []
    currencies = dict(zip(night.exceptions["id"], night.exceptions["currency"], strict=True))
    for at, row in frame.reset_index(drop=True).iterrows():
        id_ = str(row.get("id", ""))
        pair = (str(row.get("rule", "")), str(row.get("order_ref_key", "")))
        if id_ not in rules_of and (id_ or pair[0] == "" or pair[1] not in keys):
            continue
        rule = rules_of.get(id_, pair[0])
        until = day_of(row.get("until_date", pd.NaT))
        about = _decided(rule, str(row["decided_by"]), str(row["reason"]), until)
        micro = row.get("amount_micro", pd.NA)
        currency = currencies.get(id_, "")
        if not pd.isna(micro) and currency:
            minor = int(micro) // 10 ** (MICRO_DIGITS - (minor_digits(currency) or 0))
            about += f"; up to {amount_text(minor, currency)}"
        out.append(
            Event(
                day_of(row["decided_date"]),
                "decided",
                about,
                places=places_of(night, frame.iloc[[int(str(at))]]),
            )
        )
    return out


def _decided(rule: str, by: str, reason: str, until: date | None) -> str:
    who = f" by {by}" if by else ""
    ends = f", until {until}" if until else ""
    return f"{rule} accepted{who}{ends}: {reason}"
