"""``python -m tests.bench.shop FOLDER ORDERS SEED``: the shop that the benchmark measures on.

A process of its own, so that the memory which building takes is not counted as anybody's.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from tests.shops import Truth, build_shop
from tests.shops.build import USUAL_RATE
from tests.shops.lookalikes import LOOK_ALIKES

FAULT_RATE = 0.01
FAULTS = (
    "unpaid",
    "part-paid-deposit",
    "double-paid",
    "double-paid-in-bulk",
    "double-paid-by-invoice",
    "overpaid",
    "refunded-but-paid",
    "unfunded-paid",
    "billed-twice",
    "unfulfilled",
    "short-shipped",
    "missing-tracking",
    "tracking-not-posted",
)
# Cells that do not parse and references that collide: the yardstick does not look for them.
LEFT_OUT = ("unreadable", "one-number-twice")


def build(folder: Path, orders: int, seed: int) -> Truth:
    """Write the shop of the benchmark; what is true of it."""
    return build_shop(
        folder,
        orders=orders,
        seed=seed,
        fault_rate=dict.fromkeys(FAULTS, FAULT_RATE),
        lookalike_rate={kind.name: USUAL_RATE for kind in LOOK_ALIKES if kind.name not in LEFT_OUT},
    )


def main(folder: Path, orders: int, seed: int) -> None:
    """Build the shop, and say its day and its rows as JSON."""
    truth = build(folder, orders, seed)
    sys.stdout.write(json.dumps({"as_of": truth.as_of.isoformat(), "rows": dict(truth.rows)}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
