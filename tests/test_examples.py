"""The examples that each command's help shows, run as they stand in a copy of the sample shop."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from itertools import chain
from pathlib import Path

import click
import pytest

from reconcile.cli import commands
from tests.proposals.command import reconcile
from tests.shops.sample import FOLDER

# The name of the sample's folder is that of the README, every other example's is myshop.
_SHOPS = ("myshop", "sample_exports")
_AT_NIGHT = "2026-10-31"


def _examples(command: click.Command) -> list[str]:
    """The commands that a help shows, without what the shell does with their output."""
    text = " ".join((command.help or "").split())
    found = re.findall(r"Example: (reconcile .+?)(?= Example:| Every command|$)", text)
    return [example.partition(" > ")[0] for example in found]


EXAMPLES = {name: _examples(command) for name, command in commands.commands.items()}


def test_every_command_shows_an_example() -> None:
    assert _examples(commands) != []
    assert {name: bool(shown) for name, shown in EXAMPLES.items()} == dict.fromkeys(EXAMPLES, True)
    for name, shown in EXAMPLES.items():
        assert all(example.startswith(f"reconcile {name} ") for example in shown)
    for command in commands.commands.values():
        assert not command.get_short_help_str(60).endswith("...")


@pytest.mark.no_cover
def test_every_example_works(tmp_path: Path) -> None:
    for name in _SHOPS:
        shutil.copytree(
            FOLDER, tmp_path / name, ignore=shutil.ignore_patterns("out", "history.db*")
        )
    shop = tmp_path / "myshop"
    done = reconcile("nightly", str(shop), "--as-of", _AT_NIGHT, "--format", "json")
    assert done.returncode == 0, done.stderr
    out = shop / "out" / _AT_NIGHT
    assert json.loads(done.stdout) == json.loads((out / "summary.json").read_text())
    shutil.copy(out / "lists" / "pay.csv", tmp_path / "friday-payment.csv")
    [header, first, *_] = (out / "exceptions.csv").read_text(encoding="utf-8").split("\n")
    assert header.startswith('"id"')
    for example in chain(_examples(commands), *EXAMPLES.values()):
        words = shlex.split(example.replace("abc123def456", first.split(",")[0].strip('"')))[1:]
        words = [str(tmp_path / word) if _is_path(word) else word for word in words]
        if words[0] in ("nightly", "pay-check", "trace", "decide") and "--as-of" not in words:
            words += ["--as-of", _AT_NIGHT]  # today is some other day
        done = reconcile(*words)
        # With --fail-on, status 1 says that something is open.
        assert done.returncode == ("--fail-on" in words), (example, done.stdout, done.stderr)
        assert done.stdout != ""


def _is_path(word: str) -> bool:
    return word.partition("/")[0] in _SHOPS or word.endswith(".csv")
