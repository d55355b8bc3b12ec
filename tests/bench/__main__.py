"""``python -m tests.bench [--lines 10000 100000 1000000] [--all] [--rounds 3]``: the benchmark.

Builds a shop of each size, named by its order lines, with their invoices, payments, shipments and
quotes and 1 % of each main fault, and measures whole processes on it in turn:

(a) the nightly run with everything on, a first night; the night after it, on the history that the
    first left; a first night with ``--memory 1GB``; and one over the same files with 1 % malformed
    values in every column;
(b) DuckDB finding four exceptions in the same files: unpaid, double-paid, unfulfilled,
    missing-tracking;
(c) polars finding the same four;
(d) pyarrow reading the files as text, and nothing else.

Then what reading orders costs beside pyarrow, and what starting costs. No timing is asserted; that
(a), (b) and (c) find the same is. Ratios of medians count, seconds depend on the machine. Without
``--lines`` it measures 10,000, 100,000 and 1,000,000 order lines, with ``--all`` 5,000,000 as well,
which takes much longer and some 10 GB of the temporary folder (TMPDIR).

Prints tables and writes everything to build/bench.json, after every size;
``python -m tests.bench.table`` puts those of the last result into DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import compileall
import json
import sys
import tempfile
from functools import partial
from pathlib import Path
from typing import Any

from tests.bench.machine import machine
from tests.bench.processes import REPOSITORY
from tests.bench.size import measure_size
from tests.bench.start_up import start_up
from tests.bench.table import RESULT, growth, report

SIZES = (10_000, 100_000, 1_000_000)
ALL_SIZES = (*SIZES, 5_000_000)


def main(arguments: list[str]) -> None:
    """Measure each size asked for, write everything as JSON, and print the tables."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--lines", type=int, nargs="+", default=SIZES, help="order lines")
    parser.add_argument("--all", action="store_true", help="with 5,000,000 order lines")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--json", type=Path, default=RESULT)
    given = parser.parse_args(arguments)
    for package in ("reconcile", "tests"):  # as pip leaves them when it installs a package
        compileall.compile_dir(REPOSITORY / package, quiet=1)
    result: dict[str, Any] = {"machine": machine(), "start_up": start_up(), "sizes": []}
    given.json.parent.mkdir(parents=True, exist_ok=True)
    for lines in sorted(ALL_SIZES if given.all else given.lines):
        with tempfile.TemporaryDirectory(prefix="bench-") as folder:
            size = measure_size(Path(folder), lines, given.rounds, given.seed, partial(_say, lines))
        result["sizes"].append(size)
        result["growth"] = growth(result["sizes"])
        given.json.write_text(json.dumps(result, indent=2) + "\n", encoding="utf-8")
    sys.stdout.write(report(result))


def _say(lines: int, what: str) -> None:
    sys.stderr.write(f"{lines:,} order lines: {what}\n")


if __name__ == "__main__":
    main(sys.argv[1:])
