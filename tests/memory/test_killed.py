"""A run that is killed at any moment leaves a shop that the next run works on as if nothing was.

``python -m tests.memory.killing`` does the same 200 times.
"""

from __future__ import annotations

import json
import subprocess
import sys

KILLS = 18


def test_a_run_that_is_killed_loses_and_doubles_no_night() -> None:
    command = [sys.executable, "-m", "tests.memory.killing", "--kills", str(KILLS)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["wrong"] == []
    assert told["killed"] >= KILLS - 1  # a time may be over when the run is
