"""Writing a night into the history."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from datetime import date

import numpy as np
import pandas as pd

from reconcile.memory.compare import Compared
from reconcile.memory.nights import OF_EXCEPTION, OF_NIGHT, TOLD, Run


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
    for table in ("nights", "files", "seen", "cleared", "open_items"):
        history.execute(f"DELETE FROM {table} WHERE night = ?", (night,))  # noqa: S608
    _insert(
        history,
        "nights",
        [(night, run.version, run.home_currency, run.settings, run.rules, int(proofs_hold))],
    )
    place = ["source", "file", "sheet", "sha256", "rows"]
    ordered = files[place].sort_values(place)
    _insert(history, "files", ((night, *row) for row in ordered.itertuples(index=False)))
    numbers = _exceptions(history, night, found)
    _insert(history, "seen", _seen_rows(history, night, found, numbers))
    known = cleared["id"].map(_numbers(history, cleared["id"])).tolist()
    reasons = zip(known, cleared["reason"], cleared["evidence_of"], strict=True)
    _insert(history, "cleared", ((night, *row) for row in reasons))
    items = open_items[["class", "currency", "count", "amount_minor"]]
    _insert(history, "open_items", ((night, *row) for row in items.itertuples(index=False)))


def _insert(history: sqlite3.Connection, table: str, rows: Iterable[tuple[object, ...]]) -> None:
    rows = [tuple(_plain(cell) for cell in row) for row in rows]
    if rows:
        marks = ", ".join("?" * len(rows[0]))
        history.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)  # noqa: S608


def _plain(cell: object) -> object:
    return cell.item() if isinstance(cell, np.generic) else cell


def _numbers(history: sqlite3.Connection, ids: pd.Series) -> Mapping[str, int]:
    """The number of each exception that the history knows."""
    wanted = json.dumps(ids.tolist())
    query = "SELECT id, number FROM exceptions WHERE id IN (SELECT value FROM json_each(?))"
    return dict(history.execute(query, (wanted,)).fetchall())


def _exceptions(history: sqlite3.Connection, night: str, found: pd.DataFrame) -> list[int]:
    """The number of each exception of tonight; its texts are those of the latest night."""
    told = [
        json.dumps(dict(zip(TOLD, row, strict=True)), sort_keys=True, ensure_ascii=False)
        for row in found[list(TOLD)].itertuples(index=False)
    ]
    texts = [*OF_EXCEPTION, "explanation", "evidence"]
    rows = [
        (*row[:-2], said, *row[-2:])
        for row, said in zip(found[texts].itertuples(index=False), told, strict=True)
    ]
    marks = ", ".join("?" * (len(texts) + 1))
    names = ", ".join([*OF_EXCEPTION, "told", "explanation", "evidence"])
    history.executemany(
        f"INSERT INTO exceptions ({names}) VALUES ({marks}) ON CONFLICT (id) DO UPDATE SET "  # noqa: S608
        "order_ref = excluded.order_ref, sku = excluded.sku, supplier = excluded.supplier, "
        "document = excluded.document, told = excluded.told, explanation = excluded.explanation, "
        "evidence = excluded.evidence "
        f"WHERE NOT EXISTS (SELECT 1 FROM seen WHERE exception = number AND night > '{night}')",
        rows,
    )
    numbers = _numbers(history, found["id"])
    return [numbers[each] for each in found["id"]]


def _seen_rows(
    history: sqlite3.Connection, night: str, found: pd.DataFrame, numbers: list[int]
) -> Iterable[tuple[object, ...]]:
    held = found["behind"].tolist()
    distinct = sorted({rows for rows in held if rows})
    history.executemany(
        "INSERT INTO behind (rows) VALUES (?) ON CONFLICT (rows) DO NOTHING",
        [(rows,) for rows in distinct],
    )
    at = {
        rows: history.execute("SELECT number FROM behind WHERE rows = ?", (rows,)).fetchone()[0]
        for rows in distinct
    }
    shown = found[list(OF_NIGHT)].copy()
    for name in ("event_date", "due_by"):
        shown[name] = shown[name].dt.strftime("%Y-%m-%d")
    shown = shown.astype(object).where(shown.notna(), None)
    shown["was_open"], shown["gone"] = found["was_open"].astype(int), found["gone"].astype(int)
    for number, row, rows in zip(numbers, shown.itertuples(index=False), held, strict=True):
        yield (night, number, *row, at.get(rows) if rows else None)
