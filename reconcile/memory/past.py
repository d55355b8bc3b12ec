"""What the history tells of single exceptions: found, changed, cleared, reopened."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from reconcile.memory.schema import legible


@dataclass(frozen=True)
class Known:
    """An exception that the history has seen: what it is about."""

    number: int
    id: str
    rule: str
    order_ref: str
    order_key: str
    supplier: str
    document: str


@dataclass(frozen=True)
class Move:
    """A night on which an exception moved.

    ``what`` is found, reopened, changed (its verdict or amount), cleared, or gone (it was not
    there any more, and had not been open). ``reason`` says what cleared it.
    """

    night: date
    exception: Known
    what: str
    verdict: str
    amount_minor: int | None
    currency: str
    reason: str = ""


@legible()
def known_exceptions(
    history: sqlite3.Connection, ids: Collection[str], order_keys: Collection[str]
) -> list[Known]:
    """Exceptions with one of the ids, of one of the orders, or about any document of no order."""
    found = history.execute(
        "SELECT number, id, rule, order_ref, order_key, supplier, document FROM exceptions "
        "WHERE id IN (SELECT value FROM json_each(?)) OR (order_key != '' AND order_key IN "
        "(SELECT value FROM json_each(?))) OR document != '' ORDER BY id",
        (json.dumps(sorted(ids)), json.dumps(sorted(order_keys))),
    )
    return [Known(*row) for row in found]


@legible()
def moves_of(history: sqlite3.Connection, known: Known, day: date) -> list[Move]:
    """The nights up to ``day`` on which an exception moved, oldest first."""
    nights = [
        night
        for (night,) in history.execute(
            "SELECT night FROM nights WHERE night <= ? ORDER BY night", (str(day),)
        )
    ]
    seen = {
        night: rest
        for night, *rest in history.execute(
            "SELECT night, verdict, amount_minor, currency, change FROM seen "
            "WHERE exception = ? AND night <= ?",
            (known.number, str(day)),
        )
    }
    cleared = dict(
        history.execute(
            "SELECT night, reason || CASE WHEN evidence = '' THEN '' ELSE ': ' || evidence END "
            "FROM cleared WHERE exception = ? AND night <= ?",
            (known.number, str(day)),
        ).fetchall()
    )
    out: list[Move] = []
    last: tuple[str, int | None, str] | None = None
    told: tuple[str, int | None, str] = ("", None, "")
    for night in nights:
        on = date.fromisoformat(night)
        if night not in seen:
            if night in cleared:
                out.append(Move(on, known, "cleared", *told, reason=cleared[night]))
            elif last is not None:
                out.append(Move(on, known, "gone", *told))
            last = None
            continue
        verdict, amount, currency, change = seen[night]
        told = (verdict, amount, currency)
        if change == "reopened" or (last is None and out):
            out.append(Move(on, known, "reopened", *told))
        elif last is None:
            out.append(Move(on, known, "found", *told))
        elif last != told:
            out.append(Move(on, known, "changed", *told))
        last = told
    return out
