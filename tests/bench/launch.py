"""``python -m tests.bench.launch COMMAND ...``: runs a command, and prints what it took as JSON.

A process begins as a copy of the one that starts it, and Linux counts that copy into its peak. So
the one that starts what is measured is this small one, whoever asks for it.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time

# ru_maxrss counts in KiB, but on macOS in bytes (getrusage(2) of both).
_RSS_UNIT = 1 if sys.platform == "darwin" else 1024


def main(command: list[str]) -> None:
    """Wall-clock and processor seconds from start to end, bytes at the peak, exit status."""
    begun = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - begun
        process.returncode = os.waitstatus_to_exitcode(status)
    told = {
        "seconds": seconds,
        "cpu_seconds": used.ru_utime + used.ru_stime,
        "peak_bytes": used.ru_maxrss * _RSS_UNIT,
        "status": process.returncode,
    }
    sys.stdout.write(json.dumps(told))


if __name__ == "__main__":
    main(sys.argv[1:])
