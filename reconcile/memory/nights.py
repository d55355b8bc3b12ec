"""Nights as the history has kept them."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.memory.schema import damaged, legible

# What an exception was told as, besides what every night may change
TOLD = ("title", "severity", "action", "table")
OF_EXCEPTION = ("id", "rule", "order_ref", "order_key", "sku", "supplier", "document")
OF_TEXTS = (*OF_EXCEPTION, "told", "explanation", "evidence")
OF_NIGHT = (
    "verdict", "class", "list", "currency", "amount_minor", "event_date", "due_by", "change",
    "first_seen", "was_open", "gone",
)  # fmt: skip


@dataclass(frozen=True)
class Run:
    """What decides a night besides its files: the versions of the tool, settings and rules."""

    version: str
    home_currency: str
    settings: str
    rules: str


@dataclass(frozen=True)
class Before:
    """The last night before a run, as it was kept; ``night`` is None where there is none.

    ``seen``: its exceptions, columns as the report has them, with ``was_open`` (it has been open
    on that night or before), ``gone`` (its rows were missing from the files) and ``behind`` (keys
    and contents of its rows, as bytes; only where it was open or gone). ``open_items``: ``class,
    currency, count, amount_minor`` of its open exceptions. ``earlier``: of tonight's exceptions
    that were seen on other nights before ``id``, ``first_seen``, ``was_open``.
    """

    night: date | None
    run: Run | None
    seen: pd.DataFrame
    open_items: pd.DataFrame
    earlier: pd.DataFrame


@legible()
def night_before(history: sqlite3.Connection, day: date, ids: pd.Series) -> Before:
    """What the history knows before ``day`` and of the exceptions ``ids``.

    A night of the same day is not looked at. Raises sqlite3.DatabaseError where the night is not
    what was kept.
    """
    found = history.execute(
        "SELECT night, version, home_currency, settings, rules, digest FROM nights "
        "WHERE night < ? ORDER BY night DESC LIMIT 1",
        (str(day),),
    ).fetchone()
    night = "" if found is None else found[0]
    if found is not None and night_digest(history, night) != found[5]:
        raise damaged(f"the night of {night} is not as it was kept")
    seen = _frame(
        history.execute(
            f"SELECT {', '.join(f'e.{name}' for name in OF_EXCEPTION)}, t.text AS told, "  # noqa: S608
            "e.explanation, e.evidence, e.digest, "
            f"{', '.join(f's.{name}' for name in OF_NIGHT)}, b.rows AS behind "
            "FROM seen s JOIN exceptions e ON e.number = s.exception "
            "LEFT JOIN tellings t ON t.number = e.told "
            "LEFT JOIN behind b ON b.number = s.behind WHERE s.night = ? ORDER BY e.id",
            (night,),
        )
    )
    texts = seen[list(OF_TEXTS)].itertuples(index=False, name=None)
    if [text_digest(row) for row in texts] != seen.pop("digest").tolist():
        raise damaged("an exception is not as it was kept")
    # What is open or gone has no rows behind it where none are kept, such as colliding references.
    seen["behind"] = [b"" if rows is None else rows for rows in seen["behind"]]
    items = _frame(
        history.execute(
            "SELECT class, currency, count, amount_minor FROM open_items WHERE night = ? "
            "ORDER BY class, currency",
            (night,),
        )
    )
    others = json.dumps(sorted(set(ids) - set(seen["id"])))
    earlier = _frame(
        history.execute(
            "SELECT e.id, min(s.first_seen) AS first_seen, max(s.was_open) AS was_open "
            "FROM exceptions e JOIN seen s ON s.exception = e.number WHERE s.night < ? "
            "AND e.id IN (SELECT value FROM json_each(?)) GROUP BY e.id",
            (str(day), others),
        )
    )
    told = pd.DataFrame([json.loads(text) for text in seen.pop("told")], columns=list(TOLD))
    seen = pd.concat([seen, told.astype("str")], axis=1)
    return Before(
        night=None if found is None else date.fromisoformat(night),
        run=None if found is None else Run(*found[1:5]),
        seen=_typed(seen),
        open_items=items.astype({"count": "int64", "amount_minor": "int64"}),
        earlier=earlier.astype({"was_open": "int64"}),
    )


def text_digest(texts: Iterable[object]) -> str:
    """A digest of what an exception is and was told as."""
    return hashlib.sha256(repr(tuple(texts)).encode()).hexdigest()[:16]


def night_digest(history: sqlite3.Connection, night: str) -> str:
    """A digest of what a night is compared by: its exceptions, their rows, and its sums."""
    hashed = hashlib.sha256()
    for query in _OF_DIGEST:
        for row in history.execute(query, (night,)):
            hashed.update(repr(row).encode())
    return hashed.hexdigest()


_OF_DIGEST = (
    f"SELECT e.id, {', '.join(f's.{name}' for name in OF_NIGHT)}, b.rows FROM seen s "  # noqa: S608
    "JOIN exceptions e ON e.number = s.exception LEFT JOIN behind b ON b.number = s.behind "
    "WHERE s.night = ? ORDER BY e.id",
    "SELECT class, currency, count, amount_minor FROM open_items WHERE night = ? ORDER BY 1, 2",
)


@legible()
def contents_before(history: sqlite3.Connection, day: date) -> NDArray[np.int64]:
    """Digests of everything that the files of earlier nights said."""
    found = history.execute("SELECT digests FROM contents WHERE night < ?", (str(day),)).fetchall()
    parts = [np.frombuffer(text, "<i8") for (text,) in found]
    return np.concatenate([np.empty(0, dtype=np.int64), *parts]).astype(np.int64)


@dataclass(frozen=True)
class Found:
    """One exception as a night saw it."""

    rule: str
    order_ref: str
    amount_minor: int | None
    currency: str
    night: str
    verdict: str


@legible()
def last_seen(history: sqlite3.Connection, id_: str, day: date) -> tuple[Found | None, list[str]]:
    """An exception as the last night up to ``day`` saw it, and the ids of that night's others."""
    found = history.execute(
        "SELECT e.rule, e.order_ref, s.amount_minor, s.currency, s.night, s.verdict "
        "FROM exceptions e JOIN seen s ON s.exception = e.number "
        "WHERE e.id = ? AND s.night <= ? ORDER BY s.night DESC LIMIT 1",
        (id_, str(day)),
    ).fetchone()
    if found is not None:
        return Found(*found), []
    ids = history.execute(
        "SELECT e.id FROM seen s JOIN exceptions e ON e.number = s.exception WHERE s.night = "
        "(SELECT max(night) FROM nights WHERE night <= ?) ORDER BY e.id",
        (str(day),),
    ).fetchall()
    return None, [each for (each,) in ids]


@legible()
def nights_before(history: sqlite3.Connection, day: date, most: int) -> pd.DataFrame:
    """What was open on the last nights before ``day``, oldest first.

    One row per night, class and currency: ``night, class, currency, count, amount_minor``; a
    night on which nothing was open has one row of 0 without class and currency.
    """
    rows = history.execute(
        "SELECT n.night, coalesce(o.class, ''), coalesce(o.currency, ''), coalesce(o.count, 0), "
        "coalesce(o.amount_minor, 0) FROM (SELECT night FROM nights WHERE night < ? "
        "ORDER BY night DESC LIMIT ?) n LEFT JOIN open_items o ON o.night = n.night "
        "ORDER BY n.night, o.class, o.currency",
        (str(day), most),
    ).fetchall()
    out = pd.DataFrame(rows, columns=["night", "class", "currency", "count", "amount_minor"])
    return out.astype({"count": "int64", "amount_minor": "int64"})


@legible()
def amounts_then(history: sqlite3.Connection, wanted: pd.DataFrame, day: date) -> pd.DataFrame:
    """What exceptions came to when they were decided on.

    ``wanted``: ``id``, ``decided_on``. The night of that day or the last one before it counts,
    else the first after it; none of ``day`` or later. Gives ``id``, ``decided_on``,
    ``amount_minor_then`` and ``currency_then``; a pair that the history does not know has no row.
    """
    rows = []
    for id_, decided in wanted[["id", "decided_on"]].drop_duplicates().itertuples(index=False):
        on = str(decided.date())
        found = history.execute(
            "SELECT s.amount_minor, s.currency FROM seen s JOIN exceptions e ON e.number = "
            "s.exception WHERE e.id = ? AND s.night < ? ORDER BY s.night > ?, "
            "CASE WHEN s.night > ? THEN s.night END, s.night DESC LIMIT 1",
            (id_, str(day), on, on),
        ).fetchone()
        if found is not None:
            rows.append((id_, decided, *found))
    columns = ["id", "decided_on", "amount_minor_then", "currency_then"]
    out = pd.DataFrame(rows, columns=columns)
    return out.astype({"id": "str", "decided_on": "datetime64[s]", "amount_minor_then": "Int64"})


def _frame(cursor: sqlite3.Cursor) -> pd.DataFrame:
    names = [column[0] for column in cursor.description]
    return pd.DataFrame(cursor.fetchall(), columns=names, dtype=object)


def _typed(seen: pd.DataFrame) -> pd.DataFrame:
    """The columns as a run has them."""
    texts = set(seen.columns) - {
        "amount_minor", "event_date", "due_by", "was_open", "gone", "behind"
    }  # fmt: skip
    out = seen.astype(dict.fromkeys(sorted(texts), "str"))
    out["amount_minor"] = out["amount_minor"].astype("Int64")
    for name in ("event_date", "due_by"):
        out[name] = pd.to_datetime(out[name]).astype("datetime64[s]")
    for name in ("was_open", "gone"):
        out[name] = out[name].astype("int64").astype(bool)
    return out
