"""What starting costs: ``reconcile --help`` beside an interpreter that does nothing."""

from __future__ import annotations

import sys
from statistics import median
from typing import Any

from tests.bench.processes import python
from tests.bench.turns import Runner, in_turn

ROUNDS = 15


def start_up(rounds: int = ROUNDS) -> dict[str, Any]:
    """Whole processes in turn: their seconds, and the ratio of the medians."""
    runners = [
        Runner("help", python("reconcile", "--help")),
        Runner("pass", [sys.executable, "-c", "pass"]),
    ]
    taken = in_turn(runners, rounds)
    told = {name: each.costs.as_json() for name, each in taken.items()}
    seconds = {name: median(each.costs.seconds()) for name, each in taken.items()}
    return told | {"ratio": round(seconds["help"] / seconds["pass"], 3)}
