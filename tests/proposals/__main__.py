"""``python -m tests.proposals``: what proposals are worth, over every rendering."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.proposals.measure import scores, table
from tests.shops import build_shop


def main() -> None:
    """Build a shop, render it in every way, and print how each file's proposal compares."""
    with tempfile.TemporaryDirectory(prefix="proposals-") as name:
        folder = Path(name)
        build_shop(folder / "clean", orders=300, seed=12)
        sys.stdout.write(table(scores(folder / "clean", folder)))


if __name__ == "__main__":
    main()
