"""A shop of three orders on some nights, and ways to run it."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path

import pandas as pd

from reconcile.nightly import run_nightly
from reconcile.report.contents import Contents
from tests.memory.growing import Key, Plan, billed_twice, day_of, paid_twice, start, unpaid
from tests.proposals.command import reconcile

PLAN = Plan((unpaid("1", 0), paid_twice("2", 0), billed_twice("3", 0)))
Rows = dict[Key, dict[str, object]]


def files_of(shop: Path, night: int) -> Path:
    """Write the exports as they stand on a night."""
    for at, exports in PLAN.nights(night + 1):
        if at == night:
            exports.write(shop)
    return shop


def begun(folder: Path, *nights: int, extra: str = "") -> Path:
    """A shop in which these nights were run."""
    shop = start(folder, extra)
    for night in nights:
        run(files_of(shop, night), night)
    return shop


def run(shop: Path, night: int | date, **options: bool) -> Contents:
    """One whole nightly run."""
    day = night if isinstance(night, date) else day_of(night)
    return run_nightly(shop, lambda _: day, None, lambda _: None, **options)[0]


def found(contents: Contents) -> Rows:
    """The exceptions of a run by rule and order."""
    return by_key(contents.exceptions)


def by_key(frame: pd.DataFrame) -> Rows:
    """Rows by rule and order; those of which there are several are left out."""
    alone = frame[~frame.duplicated(["rule", "order_ref"], keep=False)]
    return {
        (str(row["rule"]), str(row["order_ref"])): {str(k): v for k, v in row.items()}
        for row in alone.to_dict("records")
    }


def command(shop: Path, *words: str) -> list[str]:
    """The command line of a nightly run."""
    return [sys.executable, "-m", "reconcile", "nightly", str(shop), *words]


def call(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command as a person does who stands in a folder."""
    with contextlib.chdir(cwd or Path()):
        return reconcile(*(str(word) for word in words))


def bytes_of(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def copied(shop: Path, to: Path) -> Path:
    """The same shop somewhere else."""
    shutil.copytree(shop, to, symlinks=True)
    return to
