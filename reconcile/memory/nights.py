"""Nights as the history has kept them."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.digests import Ints, digest_texts, places_in
from reconcile.empty import without_rows
from reconcile.memory.behind import NONE_BEHIND, Behind
from reconcile.memory.schema import damaged, legible
from reconcile.memory.stored import ABOUT, STATES, TOLD, arrow_of, numbers_of, part_of, table_of

OF_ITEMS = ("class", "currency", "count", "amount_minor")
_ASKED_LATE = ("about", "told")  # parts of which few rows are read, if any


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

    ``ids`` and ``states``: its exceptions, columns as the report has them, with ``was_open`` (it
    has been open on that night or before) and ``gone`` (its rows were missing from the files).
    ``behind``: the rows behind them; only where one was open or gone. ``open_items``: ``class,
    currency, count, amount_minor`` of its open exceptions. ``texts``: the parts with the rest.
    """

    night: date | None
    run: Run | None
    ids: pd.Series
    states: pd.DataFrame
    behind: Behind
    open_items: pd.DataFrame
    texts: Mapping[str, bytes]

    def places(self, ids: pd.Series) -> Ints:
        """Where exceptions stand in this night, -1 where they do not."""
        ordered, order = self._by_id
        at = places_in(ordered, digest_texts(ids))
        return np.where(at < 0, -1, order[at]) if len(order) else at

    @cached_property
    def _by_id(self) -> tuple[Ints, Ints]:
        digests = digest_texts(self.ids)
        order = np.argsort(digests)
        return digests[order], order

    def whole(self, at: Ints) -> pd.DataFrame:
        """Some exceptions with all that is known of them, by id; ``place`` is where they stand."""
        rest = [table_of(self.texts[part]).take(at) for part in _ASKED_LATE if len(at)]
        pieces = [self.ids.take(at).to_frame("id"), self.states.take(at), *rest]
        out = pd.concat([piece.reset_index(drop=True) for piece in pieces], axis=1)
        for name in (*ABOUT, *TOLD):
            out[name] = out[name] if name in out else pd.Series(dtype="str")
        return out.assign(place=at).sort_values("id", ignore_index=True)


@legible()
def night_before(history: sqlite3.Connection, day: date) -> Before:
    """What the history knows of the last night before ``day``.

    A night of the same day is not looked at. Raises sqlite3.DatabaseError where the night is not
    what was kept.
    """
    found = history.execute(
        "SELECT night, version, home_currency, settings, rules, digest FROM nights "
        "WHERE night < ? ORDER BY night DESC LIMIT 1",
        (str(day),),
    ).fetchone()
    if found is None:
        nothing, states = _nothing("id"), _typed(_nothing(*STATES))
        return Before(None, None, nothing["id"], states, NONE_BEHIND, _items([]), {})
    night = found[0]
    if night_digest(history, night) != found[5]:
        raise damaged(f"the night of {night} is not as it was kept")
    items = history.execute(_ITEMS, (night,)).fetchall()
    states = table_of(part_of(history, night, "states"))
    count = states.pop("rows_behind")
    behind = table_of(part_of(history, night, "behind")).astype(np.int64)
    return Before(
        night=date.fromisoformat(night),
        run=Run(*found[1:5]),
        ids=table_of(part_of(history, night, "ids"))["id"],
        states=_typed(states),
        behind=Behind(count.to_numpy(np.int64), behind),
        open_items=_items(items),
        texts={part: part_of(history, night, part) for part in _ASKED_LATE},
    )


def night_digest(history: sqlite3.Connection, night: str) -> str:
    """A digest of what a night is compared by: how it was run, its parts, and its sums."""
    hashed = hashlib.sha256()
    for query in _OF_DIGEST:
        for row in history.execute(query, (night,)):
            hashed.update(repr(row).encode())
    return hashed.hexdigest()


_ITEMS = "SELECT class, currency, count, amount_minor FROM open_items WHERE night = ? ORDER BY 1, 2"
_OF_DIGEST = (
    "SELECT night, version, home_currency, settings, rules, proofs FROM nights WHERE night = ?",
    "SELECT part, digest FROM parts WHERE night = ? ORDER BY part",
    _ITEMS,
)


def nights_kept(history: sqlite3.Connection) -> list[str]:
    """Every night, oldest first."""
    return [night for (night,) in history.execute("SELECT night FROM nights ORDER BY night")]


@legible()
def contents_before(history: sqlite3.Connection, day: date) -> Ints:
    """Digests of everything that the files of earlier nights said, sorted."""
    nights = [night for night in nights_kept(history) if night < str(day)]
    parts = [numbers_of(part_of(history, night, "contents")) for night in nights]
    if len(parts) == 1:
        return parts[0]
    every = np.concatenate([np.empty(0, np.int64), *parts])
    del parts
    # Each part is sorted, which a stable sort makes use of
    every.sort(kind="stable")
    return every


@legible()
def seen(history: sqlite3.Connection, nights: Sequence[str], ids: pd.Series) -> pd.DataFrame:
    """Exceptions as nights saw them: ``night, id`` and ``STATES``; those that one had."""
    wanted = pa.array(ids.tolist(), pa.large_string())
    pieces = []
    for night in nights:
        there = arrow_of(part_of(history, night, "ids")).column("id")
        at = np.flatnonzero(pc.is_in(there, value_set=wanted).to_numpy())
        if len(at):
            states = arrow_of(part_of(history, night, "states")).take(at)
            piece = table_of(states.append_column("id", there.take(at)))
            pieces.append(piece.assign(night=night))
    if not pieces:
        return _typed(_nothing("night", "id", *STATES))
    return _typed(pd.concat(pieces, ignore_index=True))


@legible()
def whole_night(history: sqlite3.Connection, night: str) -> pd.DataFrame:
    """Every exception of a night as it saw it: ``night, id`` and ``STATES``."""
    ids, states = (table_of(part_of(history, night, part)) for part in ("ids", "states"))
    return _typed(pd.concat([ids, states], axis=1).assign(night=night))


def seen_earlier(
    history: sqlite3.Connection, ids: pd.Series, day: date, last: date | None
) -> pd.DataFrame:
    """Exceptions that nights before ``day`` other than ``last`` saw: ``first_seen, was_open``.

    Indexed by id.
    """
    nights = [night for night in nights_kept(history) if night < str(day) and night != str(last)]
    if not len(ids) or not nights:
        return pd.DataFrame({"first_seen": pd.Series(dtype="str"), "was_open": []})
    of_each = seen(history, nights, ids).groupby("id")
    return of_each.agg(first_seen=("first_seen", "min"), was_open=("was_open", "any"))


@dataclass(frozen=True)
class Found:
    """One exception as a night saw it; ``order_key``: the orders it is about, as it is compared."""

    rule: str
    order_ref: str
    order_key: str
    amount_minor: int | None
    currency: str
    night: str
    verdict: str


@legible()
def last_seen(history: sqlite3.Connection, id_: str, day: date) -> tuple[Found | None, list[str]]:
    """An exception as the last night up to ``day`` saw it, and the ids of that night's others."""
    nights = [night for night in nights_kept(history) if night <= str(day)]
    for night in reversed(nights):
        there = table_of(part_of(history, night, "ids"))["id"]
        at = np.flatnonzero((there == id_).to_numpy())
        if len(at):
            about = table_of(part_of(history, night, "about")).iloc[at[0]]
            state = _typed(table_of(part_of(history, night, "states"))).iloc[at[0]]
            amount = None if pd.isna(state["amount_minor"]) else int(state["amount_minor"])
            said = (about["rule"], about["order_ref"], about["order_key"])
            return Found(*said, amount, state["currency"], night, state["verdict"]), []
    others = table_of(part_of(history, nights[-1], "ids"))["id"].tolist() if nights else []
    return None, sorted(others)


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
    out = pd.DataFrame(rows, columns=["night", *OF_ITEMS])
    return out.astype({"count": "int64", "amount_minor": "int64"})


def amounts_then(history: sqlite3.Connection, wanted: pd.DataFrame, day: date) -> pd.DataFrame:
    """What exceptions came to when they were decided on.

    ``wanted``: ``id``, ``decided_on``. The night of that day or the last one before it counts,
    else the first after it; none of ``day`` or later. Gives ``id``, ``decided_on``,
    ``amount_minor_then`` and ``currency_then``; a pair that the history does not know has no row.
    """
    pairs = wanted[["id", "decided_on"]].drop_duplicates()
    nights = [night for night in nights_kept(history) if night < str(day)]
    names = ["id", "night", "amount_minor", "currency"]
    out = pairs.merge(seen(history, nights, pairs["id"])[names], on="id")
    days = (pd.to_datetime(out["night"]) - out["decided_on"]).dt.days
    # Days before count from 0 on, and any day after is farther away than those
    far = np.where(days > 0, days + date.max.toordinal(), -days)
    out = (
        out.assign(far=far).sort_values("far", kind="stable").drop_duplicates(["id", "decided_on"])
    )
    out = out.rename(columns={"amount_minor": "amount_minor_then", "currency": "currency_then"})
    return out[["id", "decided_on", "amount_minor_then", "currency_then"]].sort_index()


def _nothing(*names: str) -> pd.DataFrame:
    return without_rows(dict.fromkeys(names, "str"))


def _items(rows: list[tuple[object, ...]]) -> pd.DataFrame:
    out = pd.DataFrame(rows, columns=[*OF_ITEMS])
    return out.astype(
        {"class": "str", "currency": "str", "count": "int64", "amount_minor": "int64"}
    )


def _typed(states: pd.DataFrame) -> pd.DataFrame:
    """The columns as a run has them."""
    dates = dict.fromkeys(("event_date", "due_by"), "datetime64[s]")
    flags = dict.fromkeys(("was_open", "gone"), "bool")
    return states.astype({"amount_minor": "Int64", **dates, **flags})
