"""One size of shop: built, spoiled, measured in turn, and what was found in it compared."""

from __future__ import annotations

import csv
import json
import subprocess
from collections import Counter
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from statistics import median
from typing import Any

from tests.bench.processes import REPOSITORY, python
from tests.bench.turns import Runner, Taken, in_turn

RULES = ("unpaid", "double-paid", "unfulfilled", "missing-tracking")
LINES_OF_AN_ORDER = 1.52  # as the shops of tests.shops come out
PAIRS = (
    ("nightly", "duckdb_four"),
    ("nightly", "polars_four"),
    ("nightly", "as_text"),
    ("second_night", "nightly"),
    ("in_portions", "nightly"),
    ("spoiled_night", "nightly"),
)
_IN_PORTIONS = ("--memory", "1GB")
_ALLOWED_MEMORY = 250 * 2**20  # and twice the input
Found = Counter[tuple[str, str, str]]


def measure_size(
    folder: Path, lines: int, rounds: int, seed: int, say: Callable[[str], None] = lambda _: None
) -> dict[str, Any]:
    """Build a shop of about so many order lines, run everything on it, and tell what it took.

    Raises CalledProcessError where a process fails, and SystemExit where the nightly run and the
    queries do not find the same.
    """
    shop, spoiled = folder / "shop", folder / "spoiled"
    orders = round(lines / LINES_OF_AN_ORDER)
    say(f"building {orders:,} orders")
    facts = _told(python("tests.bench.shop", shop, str(orders), str(seed)))
    subprocess.run(
        python("tests.bench.spoil", shop, spoiled, str(seed)), cwd=REPOSITORY, check=True
    )
    taken = in_turn(_runners(folder, shop, spoiled, facts["as_of"]), rounds, say)
    say("reading alone")
    reading = reading_costs(shop, facts["as_of"], rounds)
    ours, sql = found(folder / "nightly/exceptions.csv"), found(folder / "duckdb_four.csv")
    compared(found(folder / "polars_four.csv"), sql, "polars and DuckDB")
    count = compared(ours, sql, "the nightly run and DuckDB")
    given = sum(path.stat().st_size for path in shop.glob("*.csv"))
    return {
        "order_lines": facts["rows"]["orders"],
        "orders": orders,
        "rows": facts["rows"],
        "input_bytes": given,
        "open": count,
        "runs": {name: each.costs.as_json() for name, each in taken.items()},
        "ratios": ratios(taken),
        "memory": memory(taken["nightly"], given),
        "stages": {name: each.stages for name, each in taken.items() if each.stages},
        "reading": reading,
    }


def _runners(folder: Path, shop: Path, spoiled: Path, as_of: str) -> list[Runner]:
    """The second night comes right behind the first, on the history that it left."""
    next_day = str(date.fromisoformat(as_of) + timedelta(days=1))
    nights = [
        ("nightly", shop, as_of, (shop / "history.db",), ()),
        ("second_night", shop, next_day, (), ()),
        ("in_portions", shop, as_of, (shop / "history.db",), _IN_PORTIONS),
        ("spoiled_night", spoiled, as_of, (spoiled / "history.db",), ()),
    ]
    runners = [
        Runner(
            name,
            python("reconcile", "nightly", where, "--as-of", day, "--out", folder / name, *more),
            (folder / name, *history),
            folder / name,
        )
        for name, where, day, history, more in nights
    ]
    queries = [
        Runner(name, python(f"tests.bench.{name}", shop, as_of, folder / f"{name}.csv"))
        for name in ("duckdb_four", "polars_four")
    ]
    return [*runners, *queries, Runner("as_text", python("tests.bench.as_text", shop))]


def _told(command: list[str]) -> Any:
    """What a process printed as JSON."""
    return json.loads(
        subprocess.run(command, cwd=REPOSITORY, stdout=subprocess.PIPE, check=True).stdout
    )


def ratios(taken: dict[str, Taken]) -> dict[str, dict[str, float]]:
    """How many times the median of one run is that of another, in wall and processor seconds."""
    medians = {
        name: (median(each.costs.seconds()), median(each.costs.cpu_seconds()))
        for name, each in taken.items()
    }
    return {
        f"{one}/{other}": {
            unit: round(medians[one][at] / medians[other][at], 3)
            for at, unit in enumerate(("seconds", "cpu_seconds"))
        }
        for one, other in PAIRS
    }


def memory(nightly: Taken, given: int) -> dict[str, float]:
    """The most that the nightly run held, beside 250 MiB and twice the bytes of input."""
    allowed = _ALLOWED_MEMORY + 2 * given
    peak = nightly.costs.peak_bytes()
    return {"peak_bytes": peak, "allowed_bytes": allowed, "share": round(peak / allowed, 3)}


def reading_costs(shop: Path, as_of: str, rounds: int) -> dict[str, Any]:
    """Reading the orders beside pyarrow, which only turns them into text: medians and ratios."""
    told = _told(python("tests.bench.reading", shop, as_of, str(rounds)))
    costs: dict[str, Any] = {"rows": told["rows"]}
    for at, unit in enumerate(("seconds", "cpu_seconds")):
        medians = {name: median(each[at] for each in told[name]) for name in ("pyarrow", "intake")}
        costs |= {f"{name}_{unit}": round(value, 3) for name, value in medians.items()}
        costs[f"ratio_{unit}"] = round(medians["intake"] / medians["pyarrow"], 3)
    return costs


def found(path: Path) -> Found:
    """What is open by the four rules: rule, order reference and SKU."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        return Counter(
            (row["rule"], row["order_ref"], row["sku"])
            for row in csv.DictReader(file)
            if row["rule"] in RULES and row.get("verdict", "open") == "open"
        )


def compared(ours: Found, theirs: Found, names: str) -> dict[str, int]:
    """The number of open exceptions of each rule. Raises SystemExit where the two differ."""
    differ = [*(ours - theirs).items(), *(theirs - ours).items()]
    if differ:
        shown = "\n".join(str(each) for each in differ[:10])
        raise SystemExit(f"What {names} found differs in {len(differ)}:\n{shown}")
    counts = Counter(rule for rule, _, _ in ours.elements())
    return {rule: counts[rule] for rule in RULES}
