"""What the history tells of single exceptions: found, changed, cleared, reopened."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.memory.nights import nights_kept, seen
from reconcile.memory.schema import legible
from reconcile.memory.stored import arrow_of, part_of

_OF_KNOWN = ["id", "rule", "order_ref", "order_key", "supplier", "document"]


@dataclass(frozen=True)
class Known:
    """An exception that the history has seen: what it is about."""

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
    """Exceptions with one of the ids, of one of the orders, or about any document of no order.

    By id; each as the last night that had it knew it.
    """
    wanted = pa.array(sorted(ids), pa.large_string())
    orders = pa.array(sorted(set(order_keys) - {""}), pa.large_string())
    found: list[Known] = []
    told = pa.array([], pa.large_string())  # the ids of those
    for night in reversed(nights_kept(history)):
        about = arrow_of(part_of(history, night, "about"))
        ids = arrow_of(part_of(history, night, "ids"))["id"]
        mine = pc.or_(
            pc.or_(pc.is_in(ids, wanted), pc.is_in(about["order_key"], orders)),
            pc.not_equal(about["document"], ""),
        )
        mine = pc.and_not(mine, pc.is_in(ids, told))
        rows = about.append_column("id", ids).select(_OF_KNOWN).filter(mine)
        found += [Known(**row) for row in rows.to_pylist()]
        told = pa.concat_arrays([told, *rows["id"].chunks])
    return sorted(found, key=lambda one: one.id)


def moves_of(history: sqlite3.Connection, known: Sequence[Known], day: date) -> list[Move]:
    """The nights up to ``day`` on which exceptions moved, oldest first; of one after the other."""
    nights = [night for night in nights_kept(history) if night <= str(day)]
    ids = pd.Series([one.id for one in known], dtype="str")
    states = seen(history, nights, ids)
    told = dict(
        zip(
            zip(states["id"], states["night"], strict=True),
            states[["verdict", "amount_minor", "currency", "change"]].itertuples(index=False),
            strict=True,
        )
    )
    cleared = _cleared(history, nights, ids)
    return [move for one in known for move in _moves(one, nights, told, cleared)]


@legible()
def _cleared(
    history: sqlite3.Connection, nights: Sequence[str], ids: pd.Series
) -> dict[tuple[str, str], str]:
    """By id and night what cleared an exception."""
    wanted = pa.array(ids.tolist(), pa.large_string())
    out = {}
    for night in nights:
        part = arrow_of(part_of(history, night, "cleared"))
        for row in part.filter(pc.is_in(part.column("id"), wanted)).to_pylist():
            evidence = f": {row['evidence_of']}" if row["evidence_of"] else ""
            out[row["id"], night] = row["reason"] + evidence
    return out


def _moves(
    one: Known,
    nights: Sequence[str],
    states: Mapping[tuple[str, str], tuple[Any, ...]],
    cleared: Mapping[tuple[str, str], str],
) -> Iterator[Move]:
    begun = False
    last: tuple[str, int | None, str] | None = None
    told: tuple[str, int | None, str] = ("", None, "")
    for night in nights:
        on = date.fromisoformat(night)
        if (one.id, night) not in states:
            if (one.id, night) in cleared:
                yield Move(on, one, "cleared", *told, reason=cleared[one.id, night])
            elif last is not None:
                yield Move(on, one, "gone", *told)
            last = None
            continue
        verdict, amount, currency, change = states[one.id, night]
        told = (verdict, None if pd.isna(amount) else int(amount), currency)
        if change == "reopened" or (last is None and begun):
            yield Move(on, one, "reopened", *told)
        elif last is None:
            yield Move(on, one, "found", *told)
        elif last != told:
            yield Move(on, one, "changed", *told)
        begun, last = True, told
