"""Old reports in the folder out/: only what this tool wrote there is ever removed."""

from __future__ import annotations

import json
from contextlib import suppress
from datetime import date
from pathlib import Path

from reconcile.report.folder import remove_report


def remove_old_nights(out: Path, keep: int, written: Path) -> list[Path]:
    """Remove all but the newest ``keep`` reports of nights, and give back which.

    A report of a night is a folder named after its date whose summary.json says that date. Links
    are left alone, and so is everything in such a folder that is not the report's. The report
    just written stays in any case.
    """
    nights = sorted((path for path in _folders(out) if _is_night(path)), key=lambda path: path.name)
    old = [path for path in nights[: max(len(nights) - keep, 0)] if not path.samefile(written)]
    for path in old:
        remove_report(path)
    return old


def what_was_removed(reports: list[Path]) -> list[str]:
    """In sentences: which reports were removed, and which folders stay for what else they hold."""
    if not reports:
        return []
    first, last = reports[0].name, reports[-1].name
    nights = first if len(reports) == 1 else f"{len(reports)} nights, {first} to {last}"
    return [f"Removed the report of {nights}."] + [
        f"Left the folder {path}: the rest of it is not this tool's." for path in reports
        if path.is_dir()
    ]  # fmt: skip


def _folders(out: Path) -> list[Path]:
    if out.is_symlink() or not out.is_dir():
        return []
    return [path for path in out.iterdir() if path.is_dir() and not path.is_symlink()]


def _is_night(folder: Path) -> bool:
    with suppress(ValueError, OSError, AttributeError):
        night = date.fromisoformat(folder.name)
        told = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        return folder.name == str(night) == told.get("as_of") and "proofs_hold" in told
    return False
