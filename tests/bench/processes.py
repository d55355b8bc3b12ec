"""Whole processes, measured: seconds from start to end, and the most memory they held."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

REPOSITORY = Path(__file__).parents[2]
# ru_maxrss counts in KiB, but on macOS in bytes (getrusage(2) of both).
_RSS_UNIT = 1 if sys.platform == "darwin" else 1024


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

    def as_json(self) -> dict[str, object]:
        """Seconds of every run and their median, least and most; the highest peak."""
        seconds = self.seconds()
        return {
            "seconds": [round(each, 3) for each in seconds],
            "median": round(median(seconds), 3),
            "min": round(min(seconds), 3),
            "max": round(max(seconds), 3),
            "cpu_median": round(median(run.cpu_seconds for run in self.runs), 3),
            "peak_bytes": max(run.peak_bytes for run in self.runs),
        }


def python(module: str, *arguments: str | Path) -> list[str]:
    """The command that runs a module with this interpreter."""
    return [sys.executable, "-m", module, *(str(each) for each in arguments)]


def measure(command: Sequence[str]) -> Cost:
    """Run a command to its end. Raises CalledProcessError where it fails."""
    begun = time.perf_counter()
    with subprocess.Popen(command, cwd=REPOSITORY, stdout=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - begun
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, list(command))
    return Cost(seconds, used.ru_utime + used.ru_stime, used.ru_maxrss * _RSS_UNIT)
