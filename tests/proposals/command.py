"""The command line, run as people run it."""

from __future__ import annotations

import subprocess
import sys


def reconcile(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run ``reconcile`` with some arguments."""
    command = [sys.executable, "-m", "reconcile", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)
