"""``python -m tests.fuzz --seconds 20`` runs each target for so long, guided by coverage.

Exits with 1 where an input crashes or hangs, and says where that input lies. It needs atheris,
which is built for Linux alone. Kept in ``tests/fuzz/seeds/TARGET``, the input is tried by every
run of the tests.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.fuzz.targets import TARGETS

_KINDS = ("crash-", "timeout-", "oom-", "leak-")


def run(target: str, seconds: int) -> bool:
    """Run one target; True where nothing was found."""
    folder = Path(tempfile.mkdtemp(prefix=f"fuzz-{target}-"))
    command = [sys.executable, "-m", "tests.fuzz.guided", target, str(folder), str(seconds)]
    done = subprocess.run(command, check=False, stderr=subprocess.PIPE, text=True, errors="replace")
    found = [path for path in folder.iterdir() if path.name.startswith(_KINDS)]
    runs = [line for line in done.stderr.splitlines() if "number_of_executed_units" in line]
    sys.stdout.write(f"{target}: {' '.join(runs)}\n")
    if done.returncode == 0 and not found:
        shutil.rmtree(folder)
        return True
    sys.stdout.write(f"{done.stderr[-8000:]}\n{target} has failed: {found or folder}\n")
    return False


def main() -> int:
    """Run the targets that the command line names, one after the other."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seconds", type=int, default=20, help="for each target")
    options.add_argument("--target", choices=sorted(TARGETS), action="append")
    given = options.parse_args()
    results = [run(target, given.seconds) for target in given.target or sorted(TARGETS)]
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
