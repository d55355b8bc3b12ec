"""``python -m tests.bench.memory [--orders 6600]``: what a year of nights costs.

A shop of about 10,000 order lines is checked once for real. 364 nights are then written with what
it found, as the tool writes a night, each with a tenth of the exceptions new, a tenth gone and a
part changed, and with new rows; checking all of them would take a quarter of an hour and write the
same. Last, real nights are run as whole processes with that history and without one, in turn.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path
from statistics import median

import numpy as np
import pandas as pd

from reconcile.checks.catalogue import configured, load_catalogue
from reconcile.lean import Texts
from reconcile.memory.behind import Behind
from reconcile.memory.compare import Compared
from reconcile.memory.database import history_for_run
from reconcile.memory.keep import keep_night, parts_of_night
from reconcile.memory.nights import night_before
from reconcile.memory.roll import moved, open_items
from reconcile.night import Clock, Night, check
from reconcile.remembered import Remembered, remember
from reconcile.shop_file import load_shop
from tests.bench.processes import REPOSITORY, measure, python

_NIGHTS = 364
_LIFE = 10  # nights until an exception is another one
_NEW_ROWS = 400  # rows of the files that are new or changed in a night
_MB = 1e6


def main() -> None:
    """Write the year, measure, and print what came of it as JSON."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.memory", description=__doc__)
    parser.add_argument("--orders", type=int, default=6600)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--nights", type=int, default=_NIGHTS)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        shop = Path(folder) / "shop"
        build = python("tests.bench.shop", shop, str(given.orders), "5")
        facts = json.loads(
            subprocess.run(build, cwd=REPOSITORY, capture_output=True, check=True).stdout
        )
        last = date.fromisoformat(facts["as_of"])
        night, known = _first(shop, last)
        for at in range(given.nights):
            _keep(shop, night, known, at, last - timedelta(days=given.nights + 1 - at))
        told = {
            "order_lines": facts["rows"]["orders"],
            "nights": given.nights,
            "exceptions": len(known.compared.found),
            "open": int((known.compared.found["verdict"] == "open").sum()),
            "bytes": (shop / "history.db").stat().st_size,
        }
        sys.stdout.write(json.dumps(told | _costs(shop, last, given.rounds), indent=2) + "\n")


def _first(shop: Path, as_of: date) -> tuple[Night, Remembered]:
    """What the shop's files say, checked for real, beside an empty history."""
    settings = load_shop(shop)
    rules, _problems = configured(load_catalogue(), settings.rules)
    night = check(settings, rules, as_of, Clock(lambda _: None))
    with history_for_run(shop) as history:
        return night, remember(night, rules, history.connection)


def _keep(shop: Path, night: Night, known: Remembered, at: int, day: date) -> None:
    """Write one night of the year."""
    chance = np.random.default_rng(at)
    found = known.compared.found.copy()
    life = (at + np.arange(len(found))) // _LIFE
    found["id"] = found["id"] + "-" + pd.Series(life, index=found.index).astype("str")
    young = (at + np.arange(len(found))) % _LIFE == 0
    found["first_seen"] = [
        str(day - timedelta(days=int(days))) for days in (at + np.arange(len(found))) % _LIFE
    ]
    found["change"] = pd.Series(np.where(young, "new", "same"), index=found.index).astype("str")
    # Every exception is about another order
    for name in ("order_ref", "order_key", "explanation", "evidence"):
        found[name] = found[name] + " " + pd.Series(life, index=found.index).astype("str")
    held = known.compared.behind
    last = held.rows["last"] + np.repeat(life, held.count)
    behind = Behind(held.count, held.rows.assign(last=last))
    contents = chance.integers(
        -(2**62), 2**62, _NEW_ROWS if at else len(known.compared.new_contents)
    )
    files = night.intake.files.assign(
        sha256=[f"{at:064x}"] * len(night.intake.files)  # every file is another one every night
    )
    with history_for_run(shop) as history:
        before = night_before(history.connection, day)
        then = before.places(found["id"])
        over = (before.states["verdict"] == "open").to_numpy(copy=True)
        over[then[then >= 0]] = False
        ended = before.whole(np.flatnonzero(over))
        said = "new or changed rows in the payments"
        cleared = ended.assign(reason=said, evidence_of="payments.csv row 4711")
        moves = moved(before.states, found, then)
        tonight = Compared(found, behind, cleared, moves, open_items(found), np.sort(contents))
        with history.keeping() as connection:
            parts = parts_of_night(files, tonight, Texts())
            keep_night(connection, day, known.run, tonight, parts, proofs_hold=True)


def _costs(shop: Path, last: date, rounds: int) -> dict[str, object]:
    """Processor seconds of a night with the year behind it, and of the same without."""
    measure(_nightly(shop, last - timedelta(days=1)))  # the night before, for real
    out: dict[str, object] = {"bytes_at_the_end": (shop / "history.db").stat().st_size}
    costs: dict[str, list[float]] = {"with": [], "without": []}
    kept = (shop / "history.db").read_bytes()
    for _ in range(rounds):
        for name, more in (("with", ()), ("without", ("--no-history",))):
            shutil.rmtree(shop / "out", ignore_errors=True)
            (shop / "history.db").write_bytes(kept)
            costs[name].append(measure(_nightly(shop, last, *more)).cpu_seconds)
    medians = {name: median(several) for name, several in costs.items()}
    out["cpu_seconds"] = {name: round(value, 3) for name, value in medians.items()}
    out["ratio"] = round(medians["with"] / medians["without"], 3)
    return out


def _nightly(shop: Path, day: date, *more: str) -> list[str]:
    return python("reconcile", "nightly", shop, "--as-of", str(day), *more)


if __name__ == "__main__":
    main()
