"""The README, the checks and the commands say the same."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator

import click
import pytest

from reconcile.cli import commands
from tests.house.project import ROOT
from tests.house.rule_list import parts, rule_list
from tests.report.pictures import FOLDER, PICTURES

README = (ROOT / "README.md").read_text(encoding="utf-8")
MOST_BYTES = 150_000  # of a picture
CHECKS = (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def _commands(command: click.Command, path: str) -> Iterator[tuple[str, click.Command]]:
    """Every command below and with this one, with the words that call it."""
    yield path, command
    if isinstance(command, click.Group):
        for name, below in command.commands.items():
            yield from _commands(below, f"{path} {name}")


def _shown(name: str) -> str:
    """The one-line command in the fence after its marker in the README."""
    fence = README.split(f"<!-- command: {name} -->\n", 1)[1].split("```", 2)[1]
    return fence.removeprefix("sh\n").strip("\n")


def _in_readme(word: str) -> bool:
    return re.search(rf"(?<![\w-]){re.escape(word)}(?![\w-])", README) is not None


@pytest.mark.parametrize("name", ["sample", "tests"])
def test_the_checks_run_the_command_that_the_readme_shows(name: str) -> None:
    printed = subprocess.run(
        ["bash", ".ci/run", "--print", name],  # noqa: S607  (bash lies elsewhere on each system)
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert printed.stdout == f"{_shown(name)}\n"
    assert "\n" not in _shown(name)
    assert f"run_readme_command {name} " in CHECKS


def test_the_readme_commands_do_the_whole_set_up() -> None:
    for name in ("sample", "tests"):
        assert _shown(name).startswith("python3 -m venv .venv && .venv/bin/pip install ")
    assert ".venv/bin/reconcile nightly sample_exports" in _shown("sample")
    assert "-m pytest" in _shown("tests")


def test_every_command_and_option_is_in_the_readme() -> None:
    missing = []
    for path, command in _commands(commands, "reconcile"):
        options = [
            option
            for parameter in command.params
            if isinstance(parameter, click.Option) and not parameter.hidden
            for option in parameter.opts
        ]
        missing += [word for word in (path, *options) if not _in_readme(word)]
    assert missing == []


def test_the_pictures_of_the_readme_are_there_and_small() -> None:
    """Python -m tests.report.pictures makes them anew."""
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert sorted(shown) == sorted(f"{FOLDER.name}/{picture.name}" for picture in PICTURES)
    for name in shown:
        data = (ROOT / name).read_bytes()
        assert data.startswith(b"\x89PNG\r\n\x1a\n")
        assert data.endswith(b"IEND\xaeB`\x82")
        assert len(data) < MOST_BYTES
    assert {path.name for path in FOLDER.iterdir()} == {picture.name for picture in PICTURES}


def test_commands_of_the_readme_exist() -> None:
    names = {path for path, _ in _commands(commands, "reconcile")}
    assert {"reconcile nightly", "reconcile rules"} <= names


def test_the_list_of_rules_is_current() -> None:
    """Python -m tests.house.rule_list writes it anew."""
    assert parts(README)[1] == rule_list()
    assert rule_list().count("\n") > 30
