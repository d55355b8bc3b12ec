"""Inputs that crashed or hung a reader once, and what the guided runs begin from."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from reconcile.errors import RefusedError
from reconcile.intake.files import read_content
from reconcile.intake.workbooks import Workbook
from tests.fuzz.targets import SECONDS, TARGETS, as_file, starts
from tests.intake.folders import read, write

SEEDS = sorted((Path(__file__).parent / "seeds").glob("*/*"))


@pytest.mark.parametrize("seed", SEEDS, ids=lambda path: f"{path.parent.name}-{path.name}")
def test_a_seed_neither_crashes_nor_hangs(seed: Path) -> None:
    data = seed.read_bytes()
    begun = time.perf_counter()
    TARGETS[seed.parent.name](data)
    assert time.perf_counter() - begun < SECONDS


def test_the_texts_to_begin_from_are_read(tmp_path: Path) -> None:
    for at, data in enumerate(starts("text")):
        found = read(write(tmp_path / str(at), {"orders": data}))
        assert found.files["accepted"].sum() >= 4


def test_the_workbooks_to_begin_from_are_read(tmp_path: Path) -> None:
    for at, data in enumerate(starts("workbook")):
        path = tmp_path / str(at)
        path.write_bytes(as_file(data))
        book = Workbook(read_content(tmp_path, path))
        assert len(book.head(book.sheets[0].name, 9)) >= 2


@pytest.mark.parametrize("target", sorted(TARGETS))
def test_a_target_tells_faults_from_refusals(target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bytes that are refused pass; the same bytes against a reader with a fault do not."""
    TARGETS[target](b"\0\1\2")

    def fail(*_: object) -> None:
        raise RuntimeError("a fault")

    monkeypatch.setattr("reconcile.intake.files._hold_to_text", fail)
    with pytest.raises(RuntimeError):
        TARGETS[target](b"\0\1\2")


def test_a_refusal_is_what_the_bytes_are_for(tmp_path: Path) -> None:
    with pytest.raises(RefusedError):
        read(write(tmp_path, {"orders": b"\0\1\2"}))
