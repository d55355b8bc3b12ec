"""The command ends at once, but not before all that it prints has arrived."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.house.project import ROOT

_AT_EXIT = """
import atexit, sys
atexit.register(lambda: print("taken apart", file=sys.stderr))
from reconcile.__main__ import main
sys.argv[0] = "reconcile"
main()
"""


def _run(*arguments: str, into: Path | None = None) -> subprocess.CompletedProcess[str]:
    with (into or Path("/dev/null")).open("w") as out:
        return subprocess.run(
            [sys.executable, "-c", _AT_EXIT, *arguments],
            cwd=ROOT,
            stdout=out,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )


@pytest.mark.parametrize(
    ("word", "status", "last"),
    [
        ("rules", 0, "wrong-country-rate"),
        ("--help", 0, "Tell everything"),
        ("rule", 2, "command 'rule'."),
    ],
)
def test_nothing_is_taken_apart_and_all_is_said(
    word: str, status: int, last: str, tmp_path: Path
) -> None:
    told = tmp_path / "told.txt"
    run = _run(word, into=told)
    assert run.returncode == status
    said = told.read_text(encoding="utf-8") + run.stderr
    assert last in said.splitlines()[-1]
    assert "taken apart" not in said


def test_what_cannot_be_printed_is_a_fault() -> None:
    run = _run("rules", into=Path("/dev/full"))
    assert run.returncode == 3
    assert run.stderr.startswith("Fault of the tool: OSError")
