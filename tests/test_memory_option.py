"""``nightly --memory``: portions write the same, to the byte, and leave nothing behind."""

from __future__ import annotations

import shutil
import subprocess
import sys
from datetime import timedelta
from filecmp import cmp
from pathlib import Path

import pytest

from reconcile.night import Room
from tests.outside.shop_folder import nightly
from tests.shops import build_shop

LEAST = "100MB"


def written(out: Path) -> list[Path]:
    """Every file of a report but the log, which tells seconds."""
    files = (path.relative_to(out) for path in out.rglob("*") if path.is_file())
    return sorted(path for path in files if path.name != "run.log")


@pytest.mark.no_cover
def test_portions_write_the_same_on_two_nights_and_leave_nothing_behind(tmp_path: Path) -> None:
    shop, other, aside = tmp_path / "shop", tmp_path / "other", tmp_path / "aside"
    aside.mkdir()
    truth = build_shop(shop, orders=9000, seed=31, fault_rate=0.003, lookalike_rate=0.003)
    assert Room(100 * 10**6, aside).portions(sum(truth.rows.values())) > 1
    shutil.copytree(shop, other)
    for night in range(2):
        day = truth.as_of + timedelta(days=night)
        whole, parted = tmp_path / f"whole-{night}", tmp_path / f"parted-{night}"
        nightly(shop, day, whole)
        nightly(other, day, parted, "--memory", LEAST, TMPDIR=str(aside))
        assert written(whole) == written(parted)
        assert len(written(whole)) > 8
        for path in written(whole):
            assert cmp(whole / path, parted / path, shallow=False), path
        assert "portions" in (parted / "run.log").read_text()
        assert not list(aside.iterdir())


@pytest.mark.parametrize("amount", ["2", "GB", "-1GB", "99MB", "2 TB", "1e9", "1,5GB"])
def test_an_amount_that_is_none_is_refused_with_an_example(tmp_path: Path, amount: str) -> None:
    command = [sys.executable, "-m", "reconcile", "nightly", str(tmp_path), f"--memory={amount}"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "2GB or 500MB" in done.stderr


def test_more_memory_means_fewer_portions(tmp_path: Path) -> None:
    rows = 3_000_000
    counts = [Room(memory, tmp_path).portions(rows) for memory in (10**8, 10**9, 2**31, 10**12)]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > 100
    assert counts[-1] == 1


def test_a_disk_that_takes_no_portion_is_told(tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    truth = build_shop(shop, orders=60, seed=3, fault_rate=0, lookalike_rate=0)
    command = [sys.executable, "-m", "reconcile", "nightly", str(shop), "--memory", LEAST]
    script = (
        "import sys, pyarrow.ipc\n"
        "def full(*_, **__): raise OSError(28, 'No space left on device')\n"
        "pyarrow.ipc.new_file = full\n"
        "from reconcile.cli import main\n"
        f"sys.argv = {['reconcile', *command[3:], '--as-of', str(truth.as_of)]!r}\n"
        "main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert done.returncode == 3
    assert "TMPDIR" in done.stderr
    assert not (shop / "out").exists()
    assert not (shop / "history.db").exists()
