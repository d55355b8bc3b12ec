"""The ``reconcile`` command; ``python -m reconcile`` is the same."""

from __future__ import annotations

import gc
from typing import NoReturn

# Objects after which Python looks for garbage: a hundred thousands come with the libraries, and
# stay. Looking through them again and again took a fifteenth of a short run, and of help.
_GARBAGE = 100_000


def main() -> NoReturn:
    """Run the command."""
    gc.set_threshold(_GARBAGE)  # before anything else is loaded
    from reconcile.cli import main as run

    run()


if __name__ == "__main__":
    main()
