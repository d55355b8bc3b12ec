"""Help loads nothing that only a run needs."""

from __future__ import annotations

import re
import subprocess
import sys

import click
import pytest

from reconcile.cli import commands
from tests.house.project import ROOT

HEAVY = {"numpy", "openpyxl", "pandas", "pandera", "pyarrow"}


def _loaded(*arguments: str) -> set[str]:
    """Every package that a process imports, as the interpreter itself tells it."""
    run = subprocess.run(
        [sys.executable, "-X", "importtime", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    modules = re.findall(r"^import time: .*\| +([\w.]+)$", run.stderr, re.MULTILINE)
    return {module.split(".")[0] for module in modules}


@pytest.mark.parametrize("command", ["", *commands.list_commands(click.Context(commands))])
def test_help_loads_none_of_the_heavy_packages(command: str) -> None:
    loaded = _loaded("-m", "reconcile", *command.split(), "--help")
    assert "click" in loaded
    assert loaded & HEAVY == set()


def test_a_heavy_package_would_be_seen() -> None:
    assert HEAVY & _loaded("-c", "import reconcile.night") >= {"numpy", "pandas", "pyarrow"}
