"""``python -m tests.shops FOLDER --orders 3000 --seed 7``: build a shop and its truth."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from tests.shops.build import USUAL_RATE, build_shop


def main() -> None:
    """Build a shop into FOLDER and its truth into FOLDER/expected."""
    parser = argparse.ArgumentParser(prog="python -m tests.shops", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--orders", type=int, default=3000, help="about 1.5 lines each")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument(
        "--fault-rate", type=float, default=USUAL_RATE, help="share of orders of each fault"
    )
    given = parser.parse_args()
    begin = time.perf_counter()
    truth = build_shop(
        given.folder, orders=given.orders, seed=given.seed, fault_rate=given.fault_rate
    )
    truth.write(given.folder / "expected")
    seconds = time.perf_counter() - begin
    counts = ", ".join(f"{rows:,} {record}" for record, rows in truth.rows.items())
    found = truth.exceptions["verdict"].value_counts().sort_index()
    verdicts = ", ".join(f"{count:,} {verdict}" for verdict, count in found.items())
    print(f"{given.folder}: as of {truth.as_of}, {counts}; {verdicts}; {seconds:.1f} s")  # noqa: T201


if __name__ == "__main__":
    main()
