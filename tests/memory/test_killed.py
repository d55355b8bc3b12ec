"""A run that is killed at any moment leaves a shop that the next run works on as if nothing was.

``python -m tests.memory.killing`` does the same 200 times.
"""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

pytestmark = pytest.mark.no_cover

KILLS = 6


def test_a_run_that_is_killed_loses_and_doubles_no_night() -> None:
    command = [sys.executable, "-m", "tests.memory.killing", "--kills", str(KILLS)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["wrong"] == []
    # Of every four one is killed after a random time, and may have ended before.
    assert told["killed"] >= KILLS - KILLS // 4 - 1
