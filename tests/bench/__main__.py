"""``python -m tests.bench [--orders 65000 650000]``: the nightly run against four queries.

Both read the same exports as whole processes, in turn; ratios of medians count, seconds depend on
the machine. No timing is asserted; that both find the same is. 65,000 orders are about 100,000
order lines with their invoices, payments and shipments.
"""

from __future__ import annotations

import argparse
import csv
import json
import platform
import re
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from importlib.metadata import version
from os import cpu_count
from pathlib import Path
from statistics import median
from typing import Any

from tests.bench.processes import REPOSITORY, Cost, Costs, measure, python

RULES = ("unpaid", "double-paid", "unfulfilled", "missing-tracking")
PACKAGES = ("numpy", "pandas", "pyarrow", "duckdb")
_STAGE = re.compile(r"^(\w+) +([0-9.]+) s$", re.MULTILINE)
_MIB = 2**20
Found = Counter[tuple[str, str, str]]


def main() -> None:
    """Measure each size asked for, print a table, and write everything as JSON."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--orders", type=int, nargs="+", default=[65_000])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--json", type=Path, default=REPOSITORY / "build/bench.json")
    given = parser.parse_args()
    sizes = []
    for orders in given.orders:
        with tempfile.TemporaryDirectory(prefix="bench-") as folder:
            sizes.append(measure_size(Path(folder), orders, given.rounds, given.seed))
        sys.stdout.write(table(sizes[-1]))
        sys.stdout.flush()
    given.json.parent.mkdir(parents=True, exist_ok=True)
    result = {"machine": machine(), "sizes": sizes}
    given.json.write_text(json.dumps(result, indent=2) + "\n", encoding="utf-8")


def measure_size(folder: Path, orders: int, rounds: int, seed: int) -> dict[str, Any]:
    """Build a shop of so many orders, run both on it in turn, and compare what they found."""
    shop, out, four = folder / "shop", folder / "out", folder / "four.csv"
    built = subprocess.run(
        python("tests.bench.shop", shop, str(orders), str(seed)),
        cwd=REPOSITORY,
        capture_output=True,
        check=True,
    )
    facts = json.loads(built.stdout)
    nightly = python("reconcile", "nightly", shop, "--as-of", facts["as_of"], "--out", out)
    yardstick = python("tests.bench.duckdb_four", shop, facts["as_of"], four)
    ours: list[Cost] = []
    theirs: list[Cost] = []
    stages: list[dict[str, float]] = []
    for _ in range(rounds):
        shutil.rmtree(out, ignore_errors=True)
        ours.append(measure(nightly))
        stages.append(stage_seconds(out, ours[-1]))
        theirs.append(measure(yardstick))
    reading = reading_costs(shop, facts["as_of"], rounds)
    same = compared(found(out / "exceptions.csv"), found(four))
    nightly_costs, four_costs = Costs(tuple(ours)), Costs(tuple(theirs))
    return {
        "orders": orders,
        "rows": facts["rows"],
        "input_bytes": sum(path.stat().st_size for path in shop.glob("*.csv")),
        "open": same,
        "nightly": nightly_costs.as_json(),
        "duckdb_four": four_costs.as_json(),
        "ratio_of_medians": round(
            median(nightly_costs.seconds()) / median(four_costs.seconds()), 3
        ),
        "reading": reading,
        "stages": {name: round(median(each[name] for each in stages), 3) for name in stages[0]},
    }


def reading_costs(shop: Path, as_of: str, rounds: int) -> dict[str, Any]:
    """Reading the orders beside pyarrow, which only turns them into text: medians and ratios."""
    run = subprocess.run(
        python("tests.bench.reading", shop, as_of, str(rounds)),
        cwd=REPOSITORY,
        capture_output=True,
        check=True,
    )
    told = json.loads(run.stdout)
    found: dict[str, Any] = {"rows": told["rows"]}
    for at, unit in enumerate(("seconds", "cpu_seconds")):
        medians = {name: median(each[at] for each in told[name]) for name in ("pyarrow", "intake")}
        found |= {f"{name}_{unit}": round(value, 3) for name, value in medians.items()}
        found[f"ratio_{unit}"] = round(medians["intake"] / medians["pyarrow"], 3)
    return found


def stage_seconds(out: Path, whole: Cost) -> dict[str, float]:
    """Seconds by stage as run.log has them; the rest is the interpreter, imports and writing."""
    log = (out / "run.log").read_text(encoding="utf-8")
    stages = {name: float(seconds) for name, seconds in _STAGE.findall(log)}
    rest = "start and end" if "writing" in stages else "start and writing"
    return stages | {rest: whole.seconds - sum(stages.values())}


def found(path: Path) -> Found:
    """What is open by the four rules: rule, order reference and SKU."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        return Counter(
            (row["rule"], row["order_ref"], row["sku"])
            for row in csv.DictReader(file)
            if row["rule"] in RULES and row.get("verdict", "open") == "open"
        )


def compared(ours: Found, theirs: Found) -> dict[str, int]:
    """The number of open exceptions of each rule. Raises SystemExit where the two differ."""
    differ = [*(ours - theirs).items(), *(theirs - ours).items()]
    if differ:
        shown = "\n".join(str(each) for each in differ[:10])
        raise SystemExit(f"The nightly run and the four queries differ in {len(differ)}:\n{shown}")
    counts = Counter(rule for rule, _, _ in ours.elements())
    return {rule: counts[rule] for rule in RULES}


def machine() -> dict[str, Any]:
    """What the seconds were measured on."""
    return {
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "processors": cpu_count(),
        "packages": {name: version(name) for name in PACKAGES},
    }


def table(size: dict[str, Any]) -> str:
    """One size as text."""
    rows = ", ".join(f"{count:,} {record}" for record, count in size["rows"].items())
    lines = [
        f"{size['orders']:,} orders: {rows}; {size['input_bytes'] / 1e6:,.1f} MB of input",
        "the same is open: " + ", ".join(f"{n:,} {rule}" for rule, n in size["open"].items()),
        f"{'':14}{'median':>10}{'min':>10}{'max':>10}{'processor':>12}{'peak memory':>14}",
    ]
    for name in ("nightly", "duckdb_four"):
        cost = size[name]
        seconds = "".join(f"{cost[key]:>8.2f} s" for key in ("median", "min", "max"))
        peak = f"{cost['peak_bytes'] / _MIB:,.0f} MiB"
        lines.append(f"{name:14}{seconds}{cost['cpu_median']:>10.2f} s{peak:>14}")
    lines.append(f"ratio of medians {size['ratio_of_medians']:.2f}")
    reading = size["reading"]
    lines.append(
        f"reading {reading['rows']:,} rows of orders, parsed and checked: "
        f"{reading['ratio_seconds']:.2f} times what pyarrow takes to read them as text "
        f"({reading['ratio_cpu_seconds']:.2f} times its processor seconds)"
    )
    stages = ", ".join(f"{name} {seconds:.2f} s" for name, seconds in size["stages"].items())
    return "\n".join([*lines, f"stages (medians): {stages}", "", ""])


if __name__ == "__main__":
    main()
