"""``python -m tests.bench.month [--lines 10000]``: what the cash check of one month costs.

A shop with a year behind it, so many order lines a month, with its bank, payouts, statements,
rates and books, is built in a process of its own; its last month is then checked as a whole
process, several times. Prints seconds, processor seconds and the most memory as JSON.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from tests.bench.processes import REPOSITORY, Costs, measure, python
from tests.month_end.places import SCENARIO
from tests.shops.build import Plan, imagine, shop_toml
from tests.shops.cash import money_of
from tests.shops.cash_tables import written

MONTH = f"{SCENARIO.as_of:%Y-%m}"
_MONTHS, _DAYS = 12, 365
_LINES_OF_TEN_ORDERS = 15
_CASES = 0.0005  # share of orders of each fault and look-alike


def build(folder: Path, lines: int) -> dict[str, int]:
    """Write the shop; the rows of each record."""
    scenario = replace(SCENARIO, days=_DAYS)
    orders = lines * _MONTHS * 10 // _LINES_OF_TEN_ORDERS
    exports, _ = imagine(Plan(orders, 5, _CASES, _CASES, scenario=scenario))
    tables = {export.record: export.table().to_pandas() for export in exports}
    tables |= written(money_of(tables), scenario.as_of)
    folder.mkdir(parents=True, exist_ok=True)
    for record, table in tables.items():
        table.to_csv(folder / f"{record}.csv", index=False, lineterminator="\n")
    (folder / "shop.toml").write_text(shop_toml(scenario, list(tables)), encoding="utf-8")
    return {record: len(table) for record, table in tables.items()}


def main() -> None:
    """Build, measure, and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.month", description=__doc__)
    parser.add_argument("--lines", type=int, default=10_000, help="order lines a month")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--build", type=Path, help="only build the shop into this folder")
    given = parser.parse_args()
    if given.build is not None:
        sys.stdout.write(json.dumps(build(given.build, given.lines)) + "\n")
        return
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        shop, out = Path(folder) / "shop", Path(folder) / "out"
        command = python("tests.bench.month", "--build", shop, "--lines", str(given.lines))
        built = subprocess.run(command, cwd=REPOSITORY, capture_output=True, check=True)
        costs = []
        for _ in range(given.rounds):
            shutil.rmtree(out, ignore_errors=True)
            check = python("reconcile", "month-end", shop, "--month", MONTH, "--out", out)
            costs.append(measure(check))
        told = {"month": MONTH, "rows": json.loads(built.stdout)}
        told |= {"cash check": Costs(tuple(costs)).as_json()}
        sys.stdout.write(json.dumps(told, indent=2) + "\n")


if __name__ == "__main__":
    main()
