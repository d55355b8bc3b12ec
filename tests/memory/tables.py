"""What a history holds, without the numbers by which its tables refer to each other."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

_OF_SEEN = (
    "s.night, e.id, s.verdict, s.class, s.list, s.currency, s.amount_minor, s.event_date, "
    "s.due_by, s.change, s.first_seen, s.was_open, s.gone, hex(b.rows)"
)
_QUERIES = {
    "nights": "SELECT night, version, home_currency, settings, rules, proofs FROM nights",
    "files": "SELECT * FROM files",
    "contents": "SELECT night, hex(digests) FROM contents",
    "exceptions": "SELECT id, rule, order_ref, order_key, sku, supplier, document, t.text, "
    "explanation, evidence FROM exceptions LEFT JOIN tellings t ON t.number = told",
    "seen": f"SELECT {_OF_SEEN} FROM seen s JOIN exceptions e ON e.number = s.exception "
    "LEFT JOIN behind b ON b.number = s.behind",
    "cleared": "SELECT c.night, e.id, c.reason, c.evidence FROM cleared c "
    "JOIN exceptions e ON e.number = c.exception",
    "open_items": "SELECT * FROM open_items",
    "logged": "SELECT * FROM logged",
    "changes": "SELECT DISTINCT change FROM seen WHERE verdict = 'open'",
}


def tables(folder: Path, *, leave: tuple[str, ...] = ()) -> dict[str, list[tuple[object, ...]]]:
    """Every table of a shop's history, its rows sorted."""
    with closing(sqlite3.connect(folder / "history.db")) as history:
        return {
            name: sorted(history.execute(query).fetchall(), key=repr)
            for name, query in _QUERIES.items()
            if name not in leave
        }
