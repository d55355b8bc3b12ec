"""What else in a shop folder tells of nights that were kept, where the history is missing."""

from __future__ import annotations

from contextlib import suppress
from datetime import date
from pathlib import Path

from reconcile.memory.decision_log import DECISIONS_FILE

AS_KEPT = "open as the night before kept it = open at the start"  # only a night with a history


def nights_reported(folder: Path) -> set[date]:
    """The nights whose reports lie in the folder out/."""
    found = set()
    for path in (folder / "out").glob("*/summary.json"):
        with suppress(ValueError):
            found.add(date.fromisoformat(path.parent.name))
    return found


def trace_of_history(folder: Path) -> str:
    """What shows that there was a history, in words; blank where nothing does."""
    for night in sorted(nights_reported(folder), reverse=True):
        with suppress(OSError):
            if AS_KEPT.encode() in (folder / "out" / str(night) / "summary.json").read_bytes():
                return f"the report of {night} was compared with it"
    if (folder / DECISIONS_FILE).exists():
        return f"decisions were made on it ({DECISIONS_FILE})"
    return ""
