"""What a history holds, night by night, read from the file itself."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pyarrow as pa

Table = list[tuple[object, ...]]

_QUERIES = {
    "nights": "SELECT night, version, home_currency, settings, rules, proofs FROM nights",
    "open_items": "SELECT * FROM open_items",
    "logged": "SELECT * FROM logged",
}
ALONE = pa.ipc.IpcReadOptions(use_threads=False)
_PARTS = (
    "SELECT p.night, p.part, s.bytes FROM parts p JOIN stored s ON s.digest = p.digest "
    "ORDER BY p.night, p.part"
)


def tables(folder: Path, *, leave: tuple[str, ...] = ()) -> dict[str, Table]:
    """Every table of a shop's history, its rows sorted: the night first, then the id.

    ``exceptions`` are the texts of each night's exceptions, ``seen`` their states and the digests
    of the rows behind them, ``changes`` every word of change that is used of what is open.
    """
    with closing(sqlite3.connect(folder / "history.db")) as history:
        out = {name: list(history.execute(query)) for name, query in _QUERIES.items()}
        parts = history.execute(_PARTS).fetchall()
    out |= {name: [] for name in ("exceptions", "seen", "changes", "files", "cleared", "contents")}
    for night in sorted({row[0] for row in parts}):
        _add(out, night, {part: data for of, part, data in parts if of == night})
    out["changes"] = list({(row[9],) for row in out["seen"] if row[2] == "open"})
    return {name: sorted(rows, key=repr) for name, rows in out.items() if name not in leave}


def _add(out: dict[str, Table], night: str, parts: dict[str, bytes]) -> None:
    contents = memoryview(parts.pop("contents")).cast("q").tolist()
    texts = {
        name: [
            tuple(row.values())
            for row in pa.ipc.open_stream(data, options=ALONE).read_all().to_pylist()
        ]
        for name, data in parts.items()
    }
    end = 0
    for id_, about, told, (*state, count) in zip(
        *(texts[name] for name in ("ids", "about", "told", "states")),
        strict=True,
    ):
        begin, end = end, end + count
        out["exceptions"].append((night, *id_, *about, *told))
        out["seen"].append((night, *id_, *state, *texts["behind"][begin:end]))
    assert end == len(texts["behind"])
    out["contents"].append((night, *contents))
    out["files"] += [(night, *row) for row in texts["files"]]
    out["cleared"] += [(night, *row) for row in texts["cleared"]]
