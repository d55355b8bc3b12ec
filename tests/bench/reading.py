"""``python -m tests.bench.reading SHOP AS_OF ROUNDS``: what reading orders costs beside pyarrow.

Reads the one file of orders in turn: with pyarrow, every column as text and nothing done with it;
and with intake, every cell parsed, checked and given its fate. Both warm, in one process.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import replace
from datetime import date
from pathlib import Path

from reconcile.intake.load import load
from reconcile.shop_file import load_shop
from tests.bench.as_text import as_text


def main(folder: Path, as_of: date, rounds: int) -> None:
    """Print the rows, and the wall and processor seconds of each round after the first."""
    shop = load_shop(folder)
    shop = replace(shop, sources=tuple(one for one in shop.sources if one.record == "orders"))
    path = folder / shop.sources[0].files[0]
    taken: dict[str, list[tuple[float, float]]] = {"pyarrow": [], "intake": []}
    rows = 0
    for _ in range(rounds + 1):
        for name, read in (
            ("pyarrow", lambda: as_text(path).num_rows),
            ("intake", lambda: load(shop, as_of)),
        ):
            begun, busy = time.perf_counter(), time.process_time()
            result = read()
            seconds = time.perf_counter() - begun, time.process_time() - busy
            taken[name].append(seconds)
            rows = result if isinstance(result, int) else rows
            del result
    counted = {name: seconds[1:] for name, seconds in taken.items()}
    sys.stdout.write(json.dumps({"rows": rows} | counted))


if __name__ == "__main__":
    main(Path(sys.argv[1]), date.fromisoformat(sys.argv[2]), int(sys.argv[3]))
