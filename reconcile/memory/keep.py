"""Writing a night into the history."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from datetime import date

import numpy as np
import pandas as pd

from reconcile.memory.compare import Compared
from reconcile.memory.nights import (
    OF_NIGHT,
    OF_TEXTS,
    TOLD,
    Run,
    contents_before,
    night_digest,
    text_digest,
)

_OF_STATE = (*OF_NIGHT, "behind")


def keep_night(
    history: sqlite3.Connection,
    day: date,
    run: Run,
    files: pd.DataFrame,
    night_found: Compared,
    *,
    proofs_hold: bool,
) -> None:
    """Write a night, in the place of an earlier run of the same day; later nights stay."""
    found, cleared, open_items = night_found.found, night_found.cleared, night_found.open_items
    night = str(day)
    number = _begin(history, night, run, proofs_hold=proofs_hold)
    _files(history, number, files)
    _contents(history, day, night_found.contents)
    numbers = _exceptions(history, night, found)
    states = [(number, state) for state in _states(history, found, numbers)]
    history.executemany("INSERT INTO states_of_night VALUES (?, ?)", states)
    known = cleared["id"].map(_numbers(history, cleared["id"])).tolist()
    reasons = zip(known, cleared["reason"], cleared["evidence_of"], strict=True)
    _insert(history, "cleared", ((night, *row) for row in reasons))
    items = open_items[["class", "currency", "count", "amount_minor"]]
    _insert(history, "open_items", ((night, *row) for row in items.itertuples(index=False)))
    history.execute(
        "UPDATE nights SET digest = ? WHERE number = ?", (night_digest(history, night), number)
    )


def _begin(history: sqlite3.Connection, night: str, run: Run, *, proofs_hold: bool) -> int:
    """Make room for the night, and give its number."""
    for table in ("cleared", "open_items"):
        history.execute(f"DELETE FROM {table} WHERE night = ?", (night,))  # noqa: S608
    history.execute(
        "INSERT INTO nights (night, version, home_currency, settings, rules, proofs, digest) "
        "VALUES (?, ?, ?, ?, ?, ?, '') ON CONFLICT (night) DO UPDATE SET "
        "version = excluded.version, home_currency = excluded.home_currency, "
        "settings = excluded.settings, rules = excluded.rules, proofs = excluded.proofs",
        (night, run.version, run.home_currency, run.settings, run.rules, int(proofs_hold)),
    )
    [number] = history.execute("SELECT number FROM nights WHERE night = ?", (night,)).fetchone()
    for table in ("files_of_night", "states_of_night"):
        history.execute(f"DELETE FROM {table} WHERE night = ?", (number,))  # noqa: S608
    return int(number)


def _files(history: sqlite3.Connection, number: int, files: pd.DataFrame) -> None:
    place = ["source", "file", "sheet", "sha256", "rows"]
    rows = [_plain(row) for row in files[place].sort_values(place).itertuples(index=False)]
    marks = "INSERT INTO fingerprints (source, file, sheet, sha256, rows) VALUES (?, ?, ?, ?, ?)"
    history.executemany(f"{marks} ON CONFLICT DO NOTHING", rows)
    history.executemany(
        "INSERT OR IGNORE INTO files_of_night SELECT ?, number FROM fingerprints WHERE "
        "(source, file, sheet, sha256, rows) = (?, ?, ?, ?, ?)",
        [(number, *row) for row in rows],
    )


def _contents(history: sqlite3.Connection, day: date, contents: np.ndarray) -> None:
    """What this night's rows say and no earlier night's did."""
    new = np.setdiff1d(contents, contents_before(history, day))
    later = history.execute("SELECT 1 FROM nights WHERE night > ? LIMIT 1", (str(day),)).fetchone()
    old = history.execute("SELECT digests FROM contents WHERE night = ?", (str(day),)).fetchone()
    if later and old:  # what later nights count on as known stays known
        new = np.union1d(new, np.frombuffer(old[0], "<i8"))
    row = (str(day), new.astype("<i8").tobytes())
    history.execute("INSERT OR REPLACE INTO contents VALUES (?, ?)", row)


def _insert(history: sqlite3.Connection, table: str, rows: Iterable[tuple[object, ...]]) -> None:
    plain = [_plain(row) for row in rows]
    if plain:
        marks = ", ".join("?" * len(plain[0]))
        history.executemany(f"INSERT INTO {table} VALUES ({marks})", plain)  # noqa: S608


def _plain(row: Iterable[object]) -> tuple[object, ...]:
    return tuple(cell.item() if isinstance(cell, np.generic) else cell for cell in row)


def _numbers(history: sqlite3.Connection, ids: pd.Series) -> Mapping[str, int]:
    """The number of each exception that the history knows."""
    wanted = json.dumps(ids.tolist())
    query = "SELECT id, number FROM exceptions WHERE id IN (SELECT value FROM json_each(?))"
    return dict(history.execute(query, (wanted,)).fetchall())


def _exceptions(history: sqlite3.Connection, night: str, found: pd.DataFrame) -> list[int]:
    """The number of each exception of tonight; its texts are those of the latest night."""
    told_now = found[~found["gone"].to_numpy(dtype=bool)]  # what is gone was told before
    told = [
        json.dumps(dict(zip(TOLD, row, strict=True)), sort_keys=True, ensure_ascii=False)
        for row in told_now[list(TOLD)].itertuples(index=False)
    ]
    place = OF_TEXTS.index("told")
    number_of = _tellings(history, told)
    rows = [
        (*row[:place], number_of[row[place]], *row[place + 1 :], text_digest(row))
        for row in told_now.assign(told=told)[list(OF_TEXTS)].itertuples(index=False, name=None)
    ]
    names, again = [*OF_TEXTS, "digest"], [*OF_TEXTS[2:], "digest"]
    history.executemany(
        f"INSERT INTO exceptions ({', '.join(names)}) "  # noqa: S608
        f"VALUES ({', '.join('?' * len(names))}) ON CONFLICT (id) DO UPDATE SET "
        f"{', '.join(f'{name} = excluded.{name}' for name in again)} "
        "WHERE digest != excluded.digest "
        f"AND NOT EXISTS (SELECT 1 FROM seen WHERE exception = number AND night > '{night}')",
        rows,
    )
    numbers = _numbers(history, found["id"])
    return [numbers[each] for each in found["id"]]


def _tellings(history: sqlite3.Connection, told: list[str]) -> dict[str, int]:
    """The number of each text, of which rules have few."""
    rows = [(text,) for text in sorted(set(told))]
    history.executemany("INSERT INTO tellings (text) VALUES (?) ON CONFLICT DO NOTHING", rows)
    return dict(history.execute("SELECT text, number FROM tellings").fetchall())


def _states(history: sqlite3.Connection, found: pd.DataFrame, numbers: list[int]) -> list[int]:
    """The number of each exception's state of tonight; one that was before is not written again."""
    shown = found[list(OF_NIGHT)].copy()
    for name in ("event_date", "due_by"):
        shown[name] = shown[name].dt.strftime("%Y-%m-%d")
    shown = shown.astype(object).where(shown.notna(), None)
    shown["was_open"], shown["gone"] = found["was_open"].astype(int), found["gone"].astype(int)
    behind = _behind(history, found["behind"].tolist())
    wanted = [
        (number, *_plain(row), rows)
        for number, row, rows in zip(numbers, shown.itertuples(index=False), behind, strict=True)
    ]
    columns = ", ".join(("exception", *_OF_STATE))
    query = (
        f"SELECT {columns}, number FROM states "  # noqa: S608
        "WHERE exception IN (SELECT value FROM json_each(?))"
    )
    asked = history.execute(query, (json.dumps(numbers),))
    known = {tuple(row[:-1]): row[-1] for row in asked}
    [top] = history.execute("SELECT coalesce(max(number), 0) FROM states").fetchone()
    new = [row for row in wanted if row not in known]
    known |= {row: place for place, row in enumerate(new, start=top + 1)}
    marks = ", ".join("?" * (len(_OF_STATE) + 2))
    history.executemany(
        f"INSERT INTO states (number, {columns}) VALUES ({marks})",  # noqa: S608
        [(known[row], *row) for row in new],
    )
    return [known[row] for row in wanted]


def _behind(history: sqlite3.Connection, held: list[bytes | None]) -> list[int | None]:
    """The number of each exception's rows, None where it has none."""
    distinct = sorted({rows for rows in held if rows})
    history.executemany(
        "INSERT INTO behind (rows) VALUES (?) ON CONFLICT (rows) DO NOTHING",
        [(rows,) for rows in distinct],
    )
    query = "SELECT number FROM behind WHERE rows = ?"
    at = {rows: history.execute(query, (rows,)).fetchone()[0] for rows in distinct}
    return [at.get(rows) if rows else None for rows in held]
