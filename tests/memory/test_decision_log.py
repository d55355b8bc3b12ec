"""The log of decisions: only ever added to, and a changed past shows."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from reconcile.errors import FaultError, RefusedError
from reconcile.memory.decision_log import (
    DECISIONS_FILE,
    Decision,
    load_decisions,
    load_log,
    write_decision,
)
from reconcile.memory.schema import MIGRATIONS

ONE = Decision(
    "abc123def456", "double-paid", "1001", 4000, "EUR", date(2026, 3, 2), "Ann", "crédit promised",
    date(2026, 3, 31),
)  # fmt: skip
MORE = [replace(ONE, id=f"id{at}", amount_minor=None, until=None) for at in range(3)]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A log of four decisions."""
    for decision in (ONE, *MORE):
        write_decision(tmp_path, decision)
    return tmp_path / DECISIONS_FILE


def _rows(folder: Path) -> list[int | None]:
    """The rows for which a log is refused."""
    with pytest.raises(RefusedError) as caught:
        load_decisions(folder)
    assert all("as it was from a copy" in problem.mend for problem in caught.value.problems)
    return [problem.row for problem in caught.value.problems]


def test_what_was_written_is_read(log: Path) -> None:
    assert load_decisions(log.parent) == [ONE, *MORE]


def test_what_was_written_once_is_never_touched(log: Path) -> None:
    before = log.read_bytes()
    write_decision(log.parent, ONE)
    assert log.read_bytes().startswith(before)


def test_no_log_is_no_decision(tmp_path: Path) -> None:
    assert load_decisions(tmp_path) == []


@pytest.mark.parametrize("row", [1, 2, 3, 4])
def test_a_changed_line_is_refused_with_its_row(log: Path, row: int) -> None:
    lines = log.read_text(encoding="utf-8").splitlines()
    lines[row - 1] = lines[row - 1].replace('"double-paid"', '"overpaid"')
    log.write_text("\n".join(lines) + "\n", encoding="utf-8")
    # The line itself, and the one that was written behind it
    assert _rows(log.parent) == [row, *([row + 1] if row < 4 else [])]


@pytest.mark.parametrize("row", [1, 2, 3])
def test_a_removed_line_is_refused_with_the_row_behind_it(log: Path, row: int) -> None:
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[: row - 1] + lines[row:]))
    assert _rows(log.parent) == [row]


@pytest.mark.parametrize("row", [1, 2, 3, 4])
def test_an_inserted_line_is_refused(log: Path, row: int) -> None:
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join([*lines[: row - 1], lines[3], *lines[row - 1 :]]))
    assert row in _rows(log.parent) or row + 1 in _rows(log.parent)


def test_lines_in_another_order_are_refused(log: Path) -> None:
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join([lines[1], lines[0], *lines[2:]]))
    assert _rows(log.parent) == [1, 2, 3]


@pytest.mark.parametrize("text", ["", "{}", "[]", "null", "Ann says yes", '{"id": 1}'])
def test_a_line_that_is_no_decision_is_refused(log: Path, text: str) -> None:
    with log.open("a", encoding="utf-8") as file:
        file.write(text + "\n")
    assert _rows(log.parent) == [5]


def test_nothing_is_added_to_a_log_that_was_changed(log: Path) -> None:
    log.write_bytes(log.read_bytes().replace(b"Ann", b"Bob"))
    before = log.read_bytes()
    with pytest.raises(RefusedError):
        write_decision(log.parent, ONE)
    assert log.read_bytes() == before


def test_a_line_that_was_being_written_when_the_machine_stopped_is_no_decision(log: Path) -> None:
    whole = log.read_bytes()
    last = len(whole.splitlines(keepends=True)[-1])
    for cut in (2, last // 2, last - 1):
        log.write_bytes(whole[:-cut])
        assert load_decisions(log.parent) == [ONE, *MORE[:2]]
        write_decision(log.parent, MORE[2])
        assert log.read_bytes() == whole


def test_an_editor_that_takes_the_last_line_end_takes_no_decision(log: Path) -> None:
    whole = log.read_bytes()
    log.write_bytes(whole[:-1])
    assert load_decisions(log.parent) == [ONE, *MORE]
    write_decision(log.parent, ONE)
    assert log.read_bytes().startswith(whole)
    assert load_decisions(log.parent) == [ONE, *MORE, ONE]


def _history() -> sqlite3.Connection:
    history = sqlite3.connect(":memory:")
    history.executescript(MIGRATIONS[0])
    return history


def test_a_log_that_became_shorter_since_a_run_is_refused(log: Path) -> None:
    history, lines = _history(), log.read_bytes().splitlines(keepends=True)
    load_log(log.parent).keep(history)
    log.write_bytes(b"".join(lines[:2]))
    with pytest.raises(RefusedError) as caught:
        load_log(log.parent).check(history)
    [problem] = caught.value.problems
    assert (problem.row, problem.what) == (
        3,
        "lacks 2 decisions that an earlier run has read.",
    )
    log.unlink()
    with pytest.raises(RefusedError):
        load_log(log.parent).check(history)


def test_a_last_line_that_was_written_anew_since_a_run_is_refused(log: Path) -> None:
    history, lines = _history(), log.read_bytes().splitlines(keepends=True)
    load_log(log.parent).keep(history)
    log.write_bytes(b"".join(lines[:3]))
    write_decision(log.parent, replace(ONE, amount_minor=9_000_000))
    write_decision(log.parent, ONE)
    with pytest.raises(RefusedError) as caught:
        load_log(log.parent).check(history)
    assert [problem.row for problem in caught.value.problems] == [4]


def test_a_log_that_has_grown_is_the_same_log(log: Path) -> None:
    history = _history()
    load_log(log.parent).check(history)
    load_log(log.parent).keep(history)
    write_decision(log.parent, ONE)
    load_log(log.parent).check(history)


@pytest.mark.parametrize(
    "spoil",
    [lambda path: path.mkdir(), lambda path: path.symlink_to("nowhere")],
    ids=["folder", "link to nothing"],
)
def test_a_log_that_cannot_be_read_is_refused(
    tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    spoil(tmp_path / DECISIONS_FILE)
    with pytest.raises(RefusedError) as caught:
        load_decisions(tmp_path)
    assert "cannot be read" in str(caught.value)


def test_a_decision_that_the_disk_does_not_take_leaves_the_log_as_it_was(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = log.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FaultError, match="No space left on device"):
        write_decision(log.parent, ONE)
    assert log.read_bytes() == before


def test_the_log_is_json_by_line_with_readable_words(log: Path) -> None:
    entries = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    assert entries[0]["reason"] == "crédit promised"
    assert "crédit" in log.read_text(encoding="utf-8")
    assert entries[0]["before"] == "0" * 64
