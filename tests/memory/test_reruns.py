"""Running nights again, in any order, and running beside the history."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pyarrow as pa
import pytest

from reconcile.memory.database import HISTORY_FILE, output_kept
from reconcile.report import folder
from tests.memory.growing import day_of
from tests.memory.small import begun, bytes_of, copied, files_of, found, run
from tests.memory.tables import tables

pytestmark = pytest.mark.no_cover

LOG = "run.log"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop of three nights, of which the middle one was not run."""
    return begun(tmp_path_factory.mktemp("kept") / "shop", 2, 4, 5)


@pytest.fixture
def shop(kept: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return copied(kept, tmp_path / "shop")


def _report(shop: Path, night: int) -> dict[str, bytes]:
    """The files of a night's report but its log, which tells seconds."""
    files = bytes_of(shop / "out" / str(day_of(night)))
    return {name: text for name, text in files.items() if name != LOG}


def test_the_same_night_again_is_the_same(shop: Path) -> None:
    before, report = tables(shop), _report(shop, 5)
    assert run(shop, 5).night_before == day_of(4)
    assert tables(shop) == before
    assert _report(shop, 5) == report


def test_a_night_run_again_with_other_files_is_replaced(shop: Path, tmp_path: Path) -> None:
    """As if it had been run with these files only."""
    files_of(shop, 7)
    run(shop, 5)
    once = begun(tmp_path / "once", 2, 4)
    run(files_of(once, 7), 5)
    assert tables(shop) == tables(once)
    assert _report(shop, 5) == _report(once, 5)


def test_an_earlier_night_leaves_later_ones_as_they_are(shop: Path) -> None:
    late = tables(shop)
    run(files_of(shop, 3), 3)  # a night that had been left out
    run(files_of(shop, 2), 2)  # and one that was run before
    now = tables(shop)
    for name in late.keys() - {"logged", "changes"}:
        for night in (str(day_of(4)), str(day_of(5))):
            assert [row for row in now[name] if row[0] == night] == [
                row for row in late[name] if row[0] == night
            ]
    # The next night is still compared with the last one.
    assert run(files_of(shop, 6), 6).night_before == day_of(5)


def test_a_night_is_compared_with_the_one_before_it_and_not_with_later_ones(shop: Path) -> None:
    contents = run(files_of(shop, 3), 3)
    assert contents.night_before == day_of(2)
    assert set(contents.nights["night"]) == {str(day_of(2)), str(day_of(3))}
    # Paid a third time on night 4: on night 3 it was the second payment still
    assert found(contents)["double-paid", "2"]["amount_minor"] == 4000
    assert found(contents)["double-paid", "2"]["change"] == "same"


def test_a_run_without_a_history_leaves_it_alone(shop: Path) -> None:
    before = (shop / HISTORY_FILE).read_bytes()
    contents = run(files_of(shop, 6), 6, history=False)
    assert (shop / HISTORY_FILE).read_bytes() == before
    assert contents.night_before is None
    assert set(contents.exceptions["change"]) == {"new"}
    assert contents.cleared.empty
    assert not list(shop.glob("history*.db?*"))


def test_the_last_thirty_nights_are_shown_and_quiet_ones_too(tmp_path: Path) -> None:
    shop = begun(tmp_path, 0)
    for night in range(1, 5):
        contents = run(files_of(shop, night), night)
    shown = contents.nights
    assert sorted(set(shown["night"])) == [str(day_of(night)) for night in range(5)]
    first = shown[shown["night"] == str(day_of(0))]
    assert first[["class", "currency", "count", "amount_minor"]].to_numpy().tolist() == [
        ["", "", 0, 0]
    ]


def test_a_night_on_which_nothing_changes_adds_no_part(shop: Path) -> None:
    """What is the same on many nights is kept once."""
    counts = []
    for night in (40, 41, 42):
        run(shop, night)
        with closing(sqlite3.connect(shop / HISTORY_FILE)) as history:
            counts.append(history.execute("SELECT count(*) FROM stored").fetchone()[0])
    assert counts[1] == counts[2]
    assert len(tables(shop)["nights"]) * 7 > counts[2]


def test_parts_of_a_night_that_was_replaced_are_not_kept(shop: Path) -> None:
    run(files_of(shop, 7), 5)
    with closing(sqlite3.connect(shop / HISTORY_FILE)) as history:
        query = "SELECT count(*) FROM stored WHERE digest NOT IN (SELECT digest FROM parts)"
        assert history.execute(query).fetchone() == (0,)


# A run that was stopped between keeping its night and showing its report


def _stopped(shop: Path, night: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The night is kept; then the machine stops, and nothing more is done, nor undone."""

    def stop(_: Path) -> None:
        raise SystemExit

    with monkeypatch.context() as patch:
        patch.setattr(folder, "_put_in_place", stop)
        patch.setattr(folder, "_recover", lambda _: None)
        with pytest.raises(SystemExit):
            run(shop, night)


@pytest.mark.parametrize("again", [6, 7], ids=["the same night", "the next night"])
def test_a_report_whose_night_was_kept_is_shown_by_the_next_run(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, again: int
) -> None:
    shop, other = copied(kept, tmp_path / "shop"), copied(kept, tmp_path / "other")
    _stopped(files_of(shop, 6), 6, monkeypatch)
    assert not (shop / "out" / str(day_of(6))).exists()
    run(files_of(other, 6), 6)
    for one in (shop, other):
        run(files_of(one, again), again)
    for night in {6, again}:
        assert _report(shop, night) == _report(other, night)
    assert tables(shop) == tables(other)
    assert not list((shop / "out").glob(".*"))


def test_a_report_of_a_night_that_was_not_kept_is_thrown_away(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _stopped(files_of(shop, 6), 6, monkeypatch)
    new = shop / "out" / f".{day_of(6)}.new"
    (new / LOG).write_text("of another run")
    run(shop, 6)
    assert "of another run" not in (shop / "out" / str(day_of(6)) / LOG).read_text()
    assert not new.exists()


def test_a_shop_that_was_moved_finds_its_report(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _stopped(files_of(shop, 6), 6, monkeypatch)
    moved = shop.rename(tmp_path / "moved")
    unfinished = output_kept(moved)
    assert unfinished is not None
    assert unfinished[0] == moved / "out" / str(day_of(6))
    run(files_of(moved, 7), 7)
    assert (moved / "out" / str(day_of(6)) / "report.xlsx").exists()


def test_the_history_holds_no_customer(shop: Path) -> None:
    """What is kept of rows are digests and places, of exceptions what the report says."""
    with closing(sqlite3.connect(shop / HISTORY_FILE)) as history:
        parts = history.execute("SELECT part, bytes FROM parts JOIN stored USING (digest)")
        columns = {
            part: set(pa.ipc.open_stream(data).schema.names)
            for part, data in parts
            if part != "contents"  # whole numbers
        }
    assert columns.keys() == {"ids", "about", "told", "states", "behind", "cleared", "files"}
    assert columns["behind"] == {"key", "last"}
    assert columns["about"] == {
        "rule", "order_ref", "order_key", "sku", "supplier", "document"
    }  # fmt: skip
    assert columns["told"] == {"title", "severity", "action", "table", "explanation", "evidence"}
    assert not any("recipient" in column for names in columns.values() for column in names)
