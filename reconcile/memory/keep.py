"""Writing a night into the history."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from datetime import date
from functools import partial

import numpy as np
import pandas as pd

from reconcile.digests import Ints, each_once
from reconcile.lean import LONG, Texts
from reconcile.memory.compare import Compared, as_told_first
from reconcile.memory.nights import OF_ITEMS, Run, night_digest
from reconcile.memory.stored import (
    ABOUT,
    STATES,
    TOLD,
    drop_unused,
    numbers_of,
    packed,
    part_of,
    put,
    put_numbers,
)

Part = tuple[str, memoryview]

_TOLD_OF_RULES = tuple(name for name in TOLD if name not in LONG)
_OF_FILES = ["source", "file", "sheet", "sha256", "rows"]


def parts_of_night(files: pd.DataFrame, tonight: Compared, texts: Texts) -> Iterator[Part]:
    """What is kept of a night but its new contents; each part is packed when it is asked for."""
    yield "files", packed(files[_OF_FILES].sort_values(_OF_FILES))
    found = tonight.found
    yield "ids", packed(found[["id"]])
    yield "about", packed(found[[*ABOUT]])
    yield "told", packed(found[[*_TOLD_OF_RULES]], partial(_long, found, texts))
    yield "states", packed(found[[*STATES]].assign(rows_behind=tonight.behind.count))
    yield "behind", packed(tonight.behind.rows)
    yield "cleared", packed(tonight.cleared[["id", "reason", "evidence_of"]])


def keep_night(
    history: sqlite3.Connection,
    day: date,
    run: Run,
    tonight: Compared,
    parts: Iterable[Part],
    *,
    proofs_hold: bool,
) -> None:
    """Write a night, in the place of an earlier run of the same day; later nights stay."""
    night = str(day)
    contents = _contents(history, night, tonight.new_contents)
    again = _begin(history, night, run, proofs_hold=proofs_hold)
    put_numbers(history, night, "contents", contents)
    for part, data in parts:
        put(history, night, part, data)
    items = tonight.open_items[[*OF_ITEMS]].astype(object).itertuples(index=False)
    history.executemany(
        "INSERT INTO open_items VALUES (?, ?, ?, ?, ?)", [(night, *row) for row in items]
    )
    digest = night_digest(history, night)
    history.execute("UPDATE nights SET digest = ? WHERE night = ?", (digest, night))
    if again:
        drop_unused(history)


def _long(found: pd.DataFrame, texts: Texts, rows: slice) -> pd.DataFrame:
    """The long texts of some exceptions."""
    out = texts.rows(found, rows, LONG)
    gone = found["gone"].to_numpy(dtype=bool)[rows]
    return out.assign(explanation=as_told_first(out["explanation"], gone))


def _begin(history: sqlite3.Connection, night: str, run: Run, *, proofs_hold: bool) -> bool:
    """Make room for the night; whether it was there already."""
    found = history.execute("DELETE FROM nights WHERE night = ?", (night,)).rowcount
    for table in ("parts", "open_items"):
        history.execute(f"DELETE FROM {table} WHERE night = ?", (night,))  # noqa: S608
    row = (night, run.version, run.home_currency, run.settings, run.rules, int(proofs_hold))
    history.execute("INSERT INTO nights VALUES (?, ?, ?, ?, ?, ?, '')", row)
    return found > 0


def _contents(history: sqlite3.Connection, night: str, new: Ints) -> Ints:
    """What this night's rows say and no earlier night's did."""
    [later] = history.execute("SELECT count(*) FROM nights WHERE night > ?", (night,)).fetchone()
    [there] = history.execute("SELECT count(*) FROM nights WHERE night = ?", (night,)).fetchone()
    if later and there:  # what later nights count on as known stays known
        return each_once(np.concatenate([new, numbers_of(part_of(history, night, "contents"))]))
    return new
