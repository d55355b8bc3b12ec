"""A history that cannot be used: a sentence says what to do, and it stays as it is."""

from __future__ import annotations

import csv
import os
import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from reconcile.errors import FaultError, RefusedError
from reconcile.memory.database import HISTORY_FILE, history_for_run, history_to_read
from reconcile.memory.nights import Before, night_before
from reconcile.memory.schema import VERSION
from reconcile.nightly import run_nightly
from tests.intake.folders import somebody
from tests.matching.shops import order
from tests.memory.growing import day_of
from tests.memory.small import begun, bytes_of, call, copied, files_of, run
from tests.memory.tables import tables

pytestmark = pytest.mark.no_cover

ANEW = "reconcile nightly --rebuild-history"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop of three nights."""
    return begun(tmp_path_factory.mktemp("kept") / "shop", 2, 3, 4)


@pytest.fixture
def shop(kept: Path, tmp_path: Path) -> Path:
    """A copy of it, to be spoiled."""
    return copied(kept, tmp_path / "shop")


def _refused(shop: Path) -> str:
    """What the history of a shop is refused for; it is not touched by that."""
    path = shop / HISTORY_FILE
    before = path.read_bytes() if path.is_file() else None
    with pytest.raises(RefusedError) as caught, history_for_run(shop) as history:
        night_before(history.connection, day_of(5))
    assert (path.read_bytes() if path.is_file() else None) == before
    [problem] = caught.value.problems
    assert problem.place == str(path)
    return f"{problem.what} {problem.mend}"


def _overwrite(path: Path, at: int, text: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(text)


def _other_program(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE albums (title TEXT)")


def _newer(path: Path) -> None:
    with closing(sqlite3.connect(path)) as newer:
        newer.execute(f"PRAGMA user_version = {VERSION + 1}")


def _older(path: Path) -> None:
    """As the first version kept a night, whose digests of rows are others."""
    path.unlink()
    with closing(sqlite3.connect(path)) as older:
        older.executescript(
            "CREATE TABLE nights (number INTEGER PRIMARY KEY, night TEXT NOT NULL UNIQUE);"
            "CREATE TABLE contents (night TEXT PRIMARY KEY, digests BLOB NOT NULL);"
            f"INSERT INTO nights (night) VALUES ('{day_of(1)}'), ('{day_of(3)}');"
            "PRAGMA application_id = 0x4F524543; PRAGMA user_version = 1"
        )


def _folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def _link_to_nothing(path: Path) -> None:
    path.unlink()
    path.symlink_to("nowhere.db")


SPOILED: dict[str, tuple[Callable[[Path], object], str]] = {
    "emptied": (lambda path: path.write_bytes(b""), "is empty: the history was lost."),
    "text": (lambda path: path.write_text("albums"), "the history is damaged"),
    "zeros": (lambda path: path.write_bytes(bytes(8192)), "the history is damaged"),
    "header": (lambda path: _overwrite(path, 0, b"SQLite"), ""),
    "no header": (lambda path: _overwrite(path, 0, bytes(100)), "the history is damaged"),
    "of another program": (_other_program, "is a database of another program."),
    "newer": (_newer, f"was written by a newer version of reconcile (schema {VERSION + 1})."),
    "older": (_older, "was written by an earlier version of reconcile (schema 1), which told rows"),
    "removed": (lambda path: path.unlink(), "is missing, though the report of 2026-03-06 was"),
    "a folder": (_folder, "is no file."),
    "a link to nothing": (_link_to_nothing, "is a link to nothing."),
}


@pytest.mark.parametrize("name", [name for name, (_, said) in SPOILED.items() if said])
def test_what_cannot_be_used_is_refused_in_a_sentence(shop: Path, name: str) -> None:
    spoil, said = SPOILED[name]
    spoil(shop / HISTORY_FILE)
    text = _refused(shop)
    assert text.startswith(said)
    assert ("Update reconcile" if name == "newer" else ANEW) in text


def test_a_history_that_was_cut_anywhere_is_refused(shop: Path) -> None:
    path = shop / HISTORY_FILE
    whole = path.read_bytes()
    chance = random.Random(5)  # noqa: S311
    cuts = [1, 15, 16, 50, 99, 100, 101, 511, 512, 4095, 4096, 4097, len(whole) - 1]
    cuts += [chance.randrange(len(whole)) for _ in range(40)]
    for size in cuts:
        path.write_bytes(whole[:size])
        assert "the history is damaged, and nothing was changed in it." in _refused(shop), size
    path.write_bytes(whole)
    with history_for_run(shop):
        pass


def _before(shop: Path) -> Before:
    with history_for_run(shop) as history:
        return night_before(history.connection, day_of(5))


def test_bytes_that_were_changed_anywhere_are_noticed_or_not_asked_for(shop: Path) -> None:
    """Damage is refused, or lies where the next night does not look."""
    path = shop / HISTORY_FILE
    whole, good = path.read_bytes(), _before(shop)
    chance = random.Random(6)  # noqa: S311
    refused = 0
    for _ in range(250):
        at, length = chance.randrange(100, len(whole) - 64), chance.choice([1, 4, 64])
        spoiled = bytearray(whole)
        spoiled[at : at + length] = chance.randbytes(length)
        path.write_bytes(spoiled)
        try:
            with history_for_run(shop) as history:
                found = night_before(history.connection, day_of(5))
        except RefusedError as error:
            assert "the history is damaged, and nothing was changed in it." in str(error)  # noqa: PT017
            refused += 1
        else:
            everyone = np.arange(len(good.ids))
            assert found.whole(everyone).equals(good.whole(everyone))
            assert found.behind.rows.equals(good.behind.rows)
            assert found.open_items.equals(good.open_items)
        assert path.read_bytes() == bytes(spoiled)
    assert refused > 10


def test_damage_is_refused_by_the_command_and_mended_on_request(shop: Path) -> None:
    path, files = shop / HISTORY_FILE, bytes_of(shop)
    good = tables(shop)
    path.write_bytes(files[HISTORY_FILE][:5000])
    day = str(day_of(4))
    done = call("nightly", shop, "--as-of", day)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.splitlines() == [
        "Refused; nothing has been written.",
        f"- {path}: the history is damaged, and nothing was changed in it. Put it back from a "
        f"copy, or build it anew from the exports: {ANEW}.",
    ]
    assert {**bytes_of(shop), HISTORY_FILE: files[HISTORY_FILE]} == files
    refused = call("decide", shop, "x", "--reason", "so", "--by", "Ann")
    assert refused.returncode == 2
    assert ANEW in refused.stderr
    # Without a history the night can be run all the same
    assert call("nightly", shop, "--as-of", day, "--no-history").returncode == 0
    assert path.read_bytes() == files[HISTORY_FILE][:5000]
    done = call("nightly", shop, "--as-of", day, "--rebuild-history")
    assert (done.returncode, done.stderr) == (0, "")
    assert (shop / "history-1.db.aside").read_bytes() == files[HISTORY_FILE][:5000]
    anew = tables(shop)
    assert [row[0] for row in anew["nights"]] == [row[0] for row in good["nights"]]
    # The last night is as it was; the others are told from the files of the last one.
    assert [row for row in anew["open_items"] if row[0] == day] == [
        row for row in good["open_items"] if row[0] == day
    ]
    assert not list(shop.glob("history.db?*"))


@pytest.mark.parametrize("name", sorted(SPOILED))
def test_whatever_is_there_is_set_aside_and_a_new_history_built(
    kept: Path, tmp_path: Path, name: str
) -> None:
    """One night is enough here: the others are rebuilt in the same way."""
    shop = tmp_path / "shop"
    shutil.copytree(kept, shop, ignore=shutil.ignore_patterns("out"))
    path = shop / HISTORY_FILE
    SPOILED[name][0](path)
    was = path.read_bytes() if path.is_file() else None
    with history_for_run(shop, anew=True) as history, history.keeping():
        pass
    with history_to_read(shop) as history_now:
        assert history_now is not None
    aside = [path for path in shop.iterdir() if path.name.endswith(".aside")]
    assert len(aside) == (0 if name == "removed" else 1)
    if was is not None:
        assert aside[0].read_bytes() == was
    # Again, beside the one that is aside already
    with history_for_run(shop, anew=True) as history, history.keeping():
        pass
    names = [path.name for path in shop.iterdir() if path.name.endswith(".aside")]
    assert len(names) == len(aside) + 1


def test_nights_of_an_earlier_version_are_built_anew(shop: Path) -> None:
    """Also those whose reports are no more."""
    path = shop / HISTORY_FILE
    _older(path)
    shutil.rmtree(shop / "out")
    was = path.read_bytes()
    done = call("nightly", shop, "--as-of", str(day_of(4)))
    assert (done.returncode, done.stdout) == (2, "")
    assert "told rows apart in another way: tonight cannot be compared with it." in done.stderr
    assert f"Build it anew from the exports: {ANEW}." in done.stderr
    assert path.read_bytes() == was
    run(shop, 4, rebuild=True)
    nights = [row[0] for row in tables(shop)["nights"]]
    assert nights == [str(day_of(night)) for night in (1, 3, 4)]
    assert (shop / "history-1.db.aside").read_bytes() == was


def test_a_history_that_was_removed_before_any_report_is_known_by_its_decisions(
    shop: Path,
) -> None:
    (shop / HISTORY_FILE).unlink()
    shutil.rmtree(shop / "out")
    with history_for_run(shop):
        pass
    (shop / "decisions.jsonl").write_text("")
    assert "is missing, though decisions were made on it" in _refused(shop)


def test_reports_of_runs_without_a_history_are_no_sign_of_one(tmp_path: Path) -> None:
    shop = files_of(begun(tmp_path), 2)
    run(shop, 2, history=False)
    run(shop, 3)
    assert [row[0] for row in tables(shop)["nights"]] == [str(day_of(3))]


# A machine that gives out


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[], None]]:
    """Makes every history too large for the disk, as SQLite itself says it."""
    real = sqlite3.connect

    def connect(*args: object, **more: object) -> sqlite3.Connection:
        connection: sqlite3.Connection = real(*args, **more)  # type: ignore[call-overload]
        if "memory" not in str(args[0]):
            [pages] = connection.execute("PRAGMA page_count").fetchone()
            connection.execute(f"PRAGMA max_page_count = {max(pages, 10)}")
        return connection

    with pytest.MonkeyPatch.context() as patch:
        yield lambda: patch.setattr(sqlite3, "connect", connect)
    assert tmp_path.exists()


def _grown(path: Path) -> None:
    """Three hundred orders more, so that the history needs more room."""
    with path.open(encoding="utf-8", newline="") as file:
        names = list(csv.DictReader(file).fieldnames or ())
    with path.open("a", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, names, restval="")
        writer.writerows(order(f"9{at}", ordered_at="2026-03-04") for at in range(300))


@pytest.mark.parametrize("first", [False, True], ids=["next night", "first night"])
def test_a_full_disk_leaves_everything_as_it_was(
    tmp_path: Path, small_disk: Callable[[], None], *, first: bool
) -> None:
    shop = files_of(begun(tmp_path, *([] if first else [2])), 3)
    _grown(shop / "orders.csv")
    before = bytes_of(shop)
    small_disk()
    with pytest.raises(FaultError) as caught:
        run(shop, 3)
    assert "the disk is full or refuses to read or write the history." in str(caught.value)
    assert "or run with --no-history" in str(caught.value)
    assert bytes_of(shop) == before
    assert sorted(path.name for path in (shop / "out").glob("*")) == [] + [
        str(day_of(2)) for _ in range(not first)
    ]


@pytest.mark.parametrize("first", [False, True], ids=["next night", "first night"])
def test_a_folder_that_may_only_be_read(*, first: bool) -> None:
    with somebody() as folder:
        shop = files_of(begun(folder / "shop", *([] if first else [2])), 3)
        shop.chmod(0o555)
        out = folder / "out"
        with pytest.raises(RefusedError) as caught:
            run_nightly(shop, lambda _: day_of(3), out, lambda _: None)
        shop.chmod(0o755)
        assert not out.exists()
        assert not (shop / HISTORY_FILE).exists() or not first
        [problem] = caught.value.problems
        assert problem.what == "the history cannot be written here."
        assert problem.mend.endswith("or run with --no-history.")
        shop.chmod(0o555)
        run_nightly(shop, lambda _: day_of(3), out, lambda _: None, history=False)
        shop.chmod(0o755)
        assert (out / "report.xlsx").exists()


def test_a_history_that_may_only_be_read() -> None:
    with somebody() as folder:
        shop = files_of(begun(folder / "shop", 2), 3)
        (shop / HISTORY_FILE).chmod(0o444)
        with pytest.raises(RefusedError, match="the history cannot be written here"):
            run(shop, 3)
        assert os.access(shop / HISTORY_FILE, os.R_OK)
