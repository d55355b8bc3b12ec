"""Runs commands two at a time, and says how each ended, how long it took, and how much memory.

A program of its own, and a small one: what the system counts for a child is never less than what
its parent had in memory when it started it. Reads commands from its input and writes results to
its output, both as JSON.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
from concurrent.futures import ThreadPoolExecutor

KILL_AFTER = 60  # seconds
MOST_MEMORY = 4 << 30  # bytes of addresses; what asks for more must not take the machine


def run(command: list[str]) -> dict[str, object]:
    """Run one command to its end, or kill it."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        child = subprocess.Popen(command, stdout=out, stderr=err, stdin=subprocess.DEVNULL)
        late = threading.Timer(KILL_AFTER, child.kill)
        late.start()
        _, status, used = os.wait4(child.pid, 0)
        late.cancel()
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        err.seek(0)
        unit = 1 if sys.platform == "darwin" else 1024  # getrusage(2) of either system
        return {
            "status": child.returncode,
            "seconds": used.ru_utime + used.ru_stime,  # of the processor: others may be at work
            "megabytes": used.ru_maxrss * unit / (1 << 20),
            "out": out.read().decode("utf-8", "replace"),
            "err": err.read(100_000).decode("utf-8", "replace"),
        }


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    with ThreadPoolExecutor(2) as pool:
        json.dump(list(pool.map(run, json.load(sys.stdin))), sys.stdout)
