"""Whole processes, measured: seconds from start to end, and the most memory they held."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

REPOSITORY = Path(__file__).parents[2]


@dataclass(frozen=True)
class Cost:
    """What one process took: wall-clock and processor seconds, and bytes at its peak."""

    seconds: float
    cpu_seconds: float
    peak_bytes: int


@dataclass(frozen=True)
class Costs:
    """The runs of one process, in the order they were made."""

    runs: tuple[Cost, ...]

    def seconds(self) -> list[float]:
        """Wall-clock seconds of each run."""
        return [run.seconds for run in self.runs]

    def cpu_seconds(self) -> list[float]:
        """Processor seconds of each run, of all its threads."""
        return [run.cpu_seconds for run in self.runs]

    def peak_bytes(self) -> int:
        """The most that any run held."""
        return max(run.peak_bytes for run in self.runs)

    def as_json(self) -> dict[str, object]:
        """Seconds of every run and their median, least and most, wall and processor; the peak."""
        seconds, busy = self.seconds(), self.cpu_seconds()
        return {
            "seconds": [round(each, 4) for each in seconds],
            "median": round(median(seconds), 4),
            "min": round(min(seconds), 4),
            "max": round(max(seconds), 4),
            "cpu_seconds": [round(each, 4) for each in busy],
            "cpu_median": round(median(busy), 4),
            "cpu_min": round(min(busy), 4),
            "cpu_max": round(max(busy), 4),
            "peak_bytes": self.peak_bytes(),
        }


def python(module: str, *arguments: str | Path) -> list[str]:
    """The command that runs a module with this interpreter."""
    return [sys.executable, "-m", module, *(str(each) for each in arguments)]


def measure(command: Sequence[str]) -> Cost:
    """Run a command to its end. Raises CalledProcessError where it fails."""
    launched = subprocess.run(
        python("tests.bench.launch", *command), cwd=REPOSITORY, stdout=subprocess.PIPE, check=True
    )
    told = json.loads(launched.stdout)
    status = told.pop("status")
    if status:
        raise subprocess.CalledProcessError(status, list(command))
    return Cost(**told)
