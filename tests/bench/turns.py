"""Processes that run in turn, so that whatever the machine does meanwhile hits all alike."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from tests.bench.processes import Cost, Costs, measure

_STAGE = re.compile(r"^(\w[\w ]*?) +([0-9.]+) s\b", re.MULTILINE)


@dataclass(frozen=True)
class Runner:
    """A command, what is removed before each run of it, and where it leaves a run.log."""

    name: str
    command: Sequence[str]
    removed: tuple[Path, ...] = ()
    out: Path | None = None


@dataclass(frozen=True)
class Taken:
    """What the runs of one command took; the median seconds of each stage in its run.log."""

    costs: Costs
    stages: dict[str, float]


def in_turn(
    runners: Sequence[Runner], rounds: int, say: Callable[[str], None] = lambda _: None
) -> dict[str, Taken]:
    """Run each command once in every round. Raises CalledProcessError where one fails."""
    costs: dict[str, list[Cost]] = {runner.name: [] for runner in runners}
    stages: dict[str, list[dict[str, float]]] = {runner.name: [] for runner in runners}
    for at in range(rounds):
        for runner in runners:
            say(f"round {at + 1} of {rounds}: {runner.name}")
            remove(runner.removed)
            cost = measure(runner.command)
            costs[runner.name].append(cost)
            if runner.out is not None:
                stages[runner.name].append(stage_seconds(runner.out, cost))
    return {name: Taken(Costs(tuple(each)), medians(stages[name])) for name, each in costs.items()}


def remove(paths: Iterable[Path]) -> None:
    """Remove files and folders, as far as they are there."""
    for path in paths:
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


def stage_seconds(out: Path, whole: Cost) -> dict[str, float]:
    """Seconds by stage as run.log has them; the rest is the interpreter, imports and writing."""
    log = (out / "run.log").read_text(encoding="utf-8")
    stages = {name: float(seconds) for name, seconds in _STAGE.findall(log)}
    rest = "start and end" if "writing" in stages else "start and writing"
    return stages | {rest: whole.seconds - sum(stages.values())}


def medians(runs: Sequence[dict[str, float]]) -> dict[str, float]:
    """The median of each name over several runs."""
    if not runs:
        return {}
    return {name: round(median(run[name] for run in runs), 3) for name in runs[0]}
