"""The command line with its errors and exit statuses, in the process of the tests."""

from __future__ import annotations

import contextlib
import io
import subprocess
import sys
from unittest.mock import patch

from reconcile.cli import main


def reconcile(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run ``reconcile`` with some arguments; to start Python for each would take longest."""
    out, err, status = io.StringIO(), io.StringIO(), 0
    with (
        patch.object(sys, "argv", ["reconcile", *arguments]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 1
    return subprocess.CompletedProcess(arguments, status, out.getvalue(), err.getvalue())
