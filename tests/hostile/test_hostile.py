"""Every hostile file ends the command in a clear refusal, soon and cheaply, and writes nothing."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.hostile import runner
from tests.hostile.files import CUSTOMER, HEADER, ROW, Hostile, all_files
from tests.intake.folders import AS_OF, source, write

pytestmark = pytest.mark.no_cover

FILES = all_files()
SECONDS = 10
MEGABYTES = 500
Result = dict[str, object]


def state(folder: Path) -> list[tuple[str, int, int, int]]:
    """Everything below a folder: name, kind and rights, size, and when it was changed."""
    found = []
    for path in sorted(folder.rglob("*")):
        seen = path.lstat()
        size = 0 if path.is_dir() else seen.st_size
        found.append((str(path.relative_to(folder)), seen.st_mode, size, seen.st_mtime_ns))
    return found


def command(shop: Path) -> list[str]:
    out = shop.with_name(f"{shop.name}-out")
    return ["nightly", str(shop), "--as-of", str(AS_OF), "--out", str(out)]


def run_all(commands: list[list[str]]) -> list[Result]:
    done = subprocess.run(
        [sys.executable, str(runner.__file__)],
        input=json.dumps(commands),
        capture_output=True,
        text=True,
        check=True,
    )
    results: list[Result] = json.loads(done.stdout)
    return results


@pytest.fixture(scope="module")
def ended(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Result]:
    """How the command ended for each file, with what was there before and after."""
    folder = tmp_path_factory.mktemp("hostile")
    shops = [file.build(folder / f"{at:02}") for at, file in enumerate(FILES)]
    before = [state(shop) for shop in shops]
    results = run_all([command(shop) for shop in shops])
    for shop, old, result in zip(shops, before, results, strict=True):
        result["unchanged"] = state(shop) == old
        result["written"] = shop.with_name(f"{shop.name}-out").exists()
    return dict(zip([file.name for file in FILES], results, strict=True))


def test_names_are_different() -> None:
    assert len({file.name for file in FILES}) == len(FILES)


def test_a_good_file_is_no_hostile_one(tmp_path: Path) -> None:
    """What all the files have in common is refused by nobody."""
    content = f"{HEADER}\n{ROW.format(1001)}{CUSTOMER}\n"
    shop = write(tmp_path / "shop", {"orders.csv": content}, source("orders", files="orders.csv"))
    [result] = run_all([command(shop)])
    assert result["status"] == 0, result["err"]
    assert (tmp_path / "shop-out").is_dir()


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_a_hostile_file_is_refused(ended: dict[str, Result], file: Hostile) -> None:
    result = ended[file.name]
    err = str(result["err"])
    assert result["status"] == 2, err[-2000:]
    first, *problems = err.splitlines()
    assert first == "Refused; nothing has been written."
    place = file.file if file.row is None else f"{file.file}, row {file.row}: "
    assert all(place in problem for problem in problems)
    assert any(file.said in problem for problem in problems)
    assert len(problems) == 1 or "there is no column" in file.said
    assert len(err) < 2000
    assert CUSTOMER not in err
    assert result["out"] == ""


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_a_hostile_file_costs_little_and_leaves_nothing(
    ended: dict[str, Result], file: Hostile
) -> None:
    result = ended[file.name]
    assert float(str(result["seconds"])) < SECONDS
    assert float(str(result["megabytes"])) < MEGABYTES
    assert result["unchanged"]
    assert not result["written"]
