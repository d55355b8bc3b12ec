"""The ``reconcile`` command; ``python -m reconcile`` is the same."""

from __future__ import annotations

import gc
import os
import sys
from typing import NoReturn

# Objects after which Python looks for garbage: a hundred thousands come with the libraries, and
# stay. Looking through them again and again took a fifteenth of a short run, and of help.
_GARBAGE = 100_000


def main() -> NoReturn:
    """Run the command, and end the process."""
    gc.set_threshold(_GARBAGE)  # before anything else is loaded
    from reconcile.cli import main as run

    try:
        run()
    except SystemExit as end:
        _leave(end)


def _leave(end: SystemExit) -> NoReturn:
    """End at once: every file is closed, and what is left would only be taken apart piece by piece.

    That took a tenth of a short run. Where not all that was printed can be told, Python says so.
    """
    if isinstance(end.code, int) and sys.stdout and sys.stderr:
        try:
            sys.stdout.flush()
            sys.stderr.flush()
        except OSError:
            raise end from None
        os._exit(end.code)
    raise end


if __name__ == "__main__":
    main()
