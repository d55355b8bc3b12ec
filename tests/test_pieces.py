"""Tables that are taken in pieces: what waits on disk is what was put there."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
import pandas as pd
import pytest

from reconcile.errors import FaultError
from reconcile.lean import Texts, TextsOnDisk, looked_up, stacked
from reconcile.pieces import InMemory, InOrder, Pile, Tables

SIZE = 11_000  # more than are read together


def some(size: int, seed: int = 1) -> pd.DataFrame:
    """Rows with texts, numbers that may be missing, days and flags."""
    random = np.random.default_rng(seed)
    number = random.integers(-5, 5, size)
    return pd.DataFrame(
        {
            "text": pd.Series([f"LL-{n}" for n in number], dtype="str"),
            "amount": pd.arrays.IntegerArray(number, number == 0),
            "day": np.datetime64("2026-03-01", "s") + number.astype("timedelta64[D]"),
            "flag": number > 0,
        }
    )


def pile_of(folder: Path, *frames: pd.DataFrame) -> Pile:
    """The frames, one below the other, on disk."""
    pile = Pile(folder / "some.arrow")
    for frame in frames:
        pile.add(frame)
    return pile


class SlowToEnd:
    """A writer that says when it begins to write the end of its file, and takes its time."""

    def __init__(self, writer: Any) -> None:
        self._writer = writer
        self.begun = Event()

    def close(self) -> None:
        """Write the end of the file after a while, in which others may try to read it."""
        self.begun.set()
        time.sleep(0.5)
        self._writer.close()


def test_of_two_threads_that_begin_to_read_none_finds_a_file_without_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pile = pile_of(tmp_path, some(SIZE))
    slow = SlowToEnd(pile._writer)
    monkeypatch.setattr(pile, "_writer", slow)
    with ThreadPoolExecutor(max_workers=2) as both:
        first = both.submit(pile.whole)
        assert slow.begun.wait(60)
        second = both.submit(pile.whole)
        for found in (first.result(), second.result()):
            pd.testing.assert_frame_equal(found, some(SIZE))


def test_any_rows_of_a_pile_are_those_that_were_added(tmp_path: Path) -> None:
    parts = [some(0), some(SIZE), some(0), some(7, 2), some(SIZE, 3)]
    whole, pile = pd.concat(parts, ignore_index=True), pile_of(tmp_path, *parts)
    assert len(pile) == len(whole)
    pd.testing.assert_frame_equal(pile.whole(), whole)
    at = np.random.default_rng(4).integers(0, len(whole), 500)
    pd.testing.assert_frame_equal(pile.take(at), whole.take(at).reset_index(drop=True))
    names = ["text", "day"]
    found = pile.take(at[:1], names)
    pd.testing.assert_frame_equal(found, whole[names].take(at[:1]).reset_index(drop=True))
    assert pile.counts("text") == InMemory(whole).counts("text")


def test_a_pile_without_rows_has_its_columns(tmp_path: Path) -> None:
    pile = pile_of(tmp_path, some(0))
    for found in (pile.whole(), pile.take(np.arange(0)), *pile.pieces()):
        pd.testing.assert_frame_equal(found, some(0))
    assert pile.counts("text") == {}


def test_some_columns_come_in_the_pieces_that_were_added(tmp_path: Path) -> None:
    whole, pile = some(9), pile_of(tmp_path, some(9)[:4], some(0), some(9)[4:])
    assert [len(piece) for piece in pile.pieces()] == [4, 5]
    found = pd.concat(pile.pieces(["flag", "text"]), ignore_index=True)
    pd.testing.assert_frame_equal(found, whole[["text", "flag"]])
    with pytest.raises(ValueError, match="before any is read"):
        pile.add(whole)


def test_rows_in_an_order_come_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reconcile.pieces._PIECE", 5000)
    whole = some(SIZE)
    order = np.random.default_rng(5).permutation(SIZE).astype(np.int32)
    found = InOrder(pile_of(tmp_path, whole.iloc[:100], whole.iloc[100:]), order)
    pieces = list(found.pieces())
    assert [len(piece) for piece in pieces] == [5000, 5000, 1000]
    expected = whole.take(order).reset_index(drop=True)
    pd.testing.assert_frame_equal(pd.concat(pieces, ignore_index=True), expected)
    pd.testing.assert_frame_equal(found.whole(), expected)


def test_tables_are_held_or_on_disk(tmp_path: Path) -> None:
    tables = Tables({"held": some(3)}, {"on disk": pile_of(tmp_path, some(4))})
    assert {name: len(frame) for name, frame in tables.items()} == {"held": 3, "on disk": 4}


def test_a_disk_that_takes_nothing_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(FaultError, match="TMPDIR"):
        pile_of(tmp_path / "nowhere", some(1))


def test_exceptions_are_shown_as_they_were_found(tmp_path: Path) -> None:
    found = pd.DataFrame(
        {
            "verdict": ["open", "waiting", "open"],
            "rule": ["unpaid", "overpaid", "unpaid"],
            "explanation": ["one", "two", "three"],
            "evidence": ["a row 1", "a row 2", "a row 3"],
            "amount_minor": [1, 2, 3],
        }
    ).astype(dict.fromkeys(("verdict", "rule", "explanation", "evidence"), "str"))
    texts = TextsOnDisk(tmp_path)
    held = stacked([texts.aside(found), texts.aside(found.iloc[1:].reset_index(drop=True))])
    assert not {"explanation", "evidence"} & set(held)
    assert "accepted" in held["verdict"].cat.categories  # what a decision makes of it
    expected = pd.concat([found, found.iloc[1:]], ignore_index=True)
    pd.testing.assert_frame_equal(texts.rows(held, slice(None), [*found]), expected)
    at = np.array([4, 0])
    for names in ([*found], ["evidence", "rule"], ["rule"]):
        some_of = Texts().rows(expected, at, names)
        pd.testing.assert_frame_equal(texts.rows(held, at, names), some_of)


def test_what_a_name_stands_for_is_looked_up_once() -> None:
    names = pd.Series(["b", "a", "b", "c"], dtype="str")
    for column in (names, names.astype("category")):
        assert looked_up(column, {"a": "same", "b": "same"}).tolist() == ["same"] * 3 + [""]
