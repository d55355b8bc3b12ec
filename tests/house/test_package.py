"""The built package, and the versions that it says it works with."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

from tests.house.project import ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """The wheel, built without a network by the hatchling of this environment."""
    folder = tmp_path_factory.mktemp("dist")
    options = ["--wheel", "--no-isolation", "--outdir", str(folder)]
    command = [sys.executable, "-m", "build", *options, str(ROOT)]
    subprocess.run(command, check=True, capture_output=True)
    (path,) = folder.glob("*.whl")
    return zipfile.ZipFile(path)


def test_wheel_holds_every_rule(wheel: zipfile.ZipFile) -> None:
    here = {f"reconcile/rules/{path.name}" for path in (ROOT / "rules").glob("*.toml")}
    inside = {name for name in wheel.namelist() if name.startswith("reconcile/rules/")}
    assert inside == here
    assert len(here) > 0


def test_wheel_holds_every_module_and_nothing_else(wheel: zipfile.ZipFile) -> None:
    ours = [*(ROOT / "reconcile").rglob("*.py"), *(ROOT / "reconcile").rglob("*.toml")]
    here = {path.relative_to(ROOT).as_posix() for path in ours}
    inside = {name for name in wheel.namelist() if ".dist-info/" not in name}
    assert {name for name in inside if not name.startswith("reconcile/rules/")} == here


def test_wheel_names_its_command(wheel: zipfile.ZipFile) -> None:
    (name,) = (name for name in wheel.namelist() if name.endswith("entry_points.txt"))
    assert "reconcile = reconcile.__main__:main" in wheel.read(name).decode()


def test_lowest_versions_are_those_that_the_package_allows() -> None:
    allowed = {}
    for requirement in PROJECT["dependencies"]:
        match = re.fullmatch(r"([\w-]+)(?:\[\w+\])?>=([\w.]+)(?:;.*)?", requirement)
        assert match, f"{requirement} has no lower bound, or more than that"
        allowed[match[1]] = match[2]
    lines = (ROOT / ".ci" / "lowest.txt").read_text(encoding="utf-8").splitlines()
    lowest = dict(line.split("==") for line in lines if line and not line.startswith("#"))
    assert lowest == allowed


def test_runs_as_a_module() -> None:
    command = [sys.executable, "-m", "reconcile", "rules"]
    run = subprocess.run(command, cwd=Path(sys.prefix), capture_output=True, text=True, check=True)
    names = [path.stem for path in (ROOT / "rules").glob("*.toml")]
    assert [name for name in names if name not in run.stdout] == []
