"""Runs the command two at a time, and says how each run ended, how long it took, and its memory.

A program of its own, which loads the libraries once: every run is a process that begins as a copy
of this one, since to load them takes longer than to refuse a file. What the system counts for a
run is never less than what this program had in memory when it was copied, and that is what the
command has when it starts. Reads lists of arguments from its input and writes results to its
output, both as JSON.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
import tempfile
from typing import IO

import reconcile.nightly
import reconcile.report.summary  # noqa: F401  as above, what the command would load
from reconcile.cli import main

KILL_AFTER = 60  # seconds
MOST_MEMORY = 4 << 30  # bytes of addresses; what asks for more must not take the machine
AT_ONCE = 2


def start(arguments: list[str], out: IO[bytes], err: IO[bytes]) -> int:
    """Start the command with its output in two files; gives its process."""
    child = os.fork()
    if child:
        return child
    try:
        signal.alarm(KILL_AFTER)  # which nobody catches: the system ends the process
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(out.fileno(), 1)
        os.dup2(err.fileno(), 2)
        sys.argv = ["reconcile", *arguments]
        main()
    except SystemExit as end:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(end.code if isinstance(end.code, int) else 1)
    finally:
        os._exit(255)  # never back into the program that was copied


def ended(status: int, used: resource.struct_rusage, files: tuple[IO[bytes], IO[bytes]]) -> object:
    """How a run ended."""
    unit = 1 if sys.platform == "darwin" else 1024  # getrusage(2) of either system
    with files[0] as out, files[1] as err:
        out.seek(0)
        err.seek(0)
        return {
            "status": os.waitstatus_to_exitcode(status),
            "seconds": used.ru_utime + used.ru_stime,  # of the processor: others may be at work
            "megabytes": used.ru_maxrss * unit / (1 << 20),
            "out": out.read().decode("utf-8", "replace"),
            "err": err.read(100_000).decode("utf-8", "replace"),
        }


def run_all(commands: list[list[str]]) -> list[object]:
    """Run every command to its end, or until it is killed."""
    results: list[object] = [None] * len(commands)
    running: dict[int, tuple[int, tuple[IO[bytes], IO[bytes]]]] = {}
    waiting = list(enumerate(commands))
    while waiting or running:
        while waiting and len(running) < AT_ONCE:
            at, arguments = waiting.pop(0)
            made = (tempfile.TemporaryFile(), tempfile.TemporaryFile())  # noqa: SIM115  see ended
            running[start(arguments, *made)] = (at, made)
        child, status, used = os.wait4(-1, 0)
        at, files = running.pop(child)
        results[at] = ended(status, used, files)
    return results


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    json.dump(run_all(json.load(sys.stdin)), sys.stdout)
