"""Old nights are removed, and nothing else."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from reconcile.report.old_nights import remove_old_nights, what_was_removed
from reconcile.report.write import write_outputs
from tests.report.results import results


def _night(out: Path, day: int) -> Path:
    folder = out / f"2026-10-{day:02d}"
    write_outputs(results(as_of=date(2026, 10, day)), folder)
    return folder


def test_the_newest_nights_stay(tmp_path: Path) -> None:
    nights = [_night(tmp_path, day) for day in (28, 29, 30, 31)]
    removed = remove_old_nights(tmp_path, 2, nights[3])
    assert removed == nights[:2]
    assert what_was_removed(removed) == [
        "Removed the report of 2 nights, 2026-10-28 to 2026-10-29."
    ]
    assert what_was_removed([]) == []
    assert sorted(tmp_path.iterdir()) == nights[2:]
    assert remove_old_nights(tmp_path, 2, nights[3]) == []


def test_the_night_just_written_stays_however_old_it_is(tmp_path: Path) -> None:
    nights = [_night(tmp_path, day) for day in (28, 29, 30)]
    assert remove_old_nights(tmp_path, 1, nights[0]) == [nights[1]]
    assert sorted(tmp_path.iterdir()) == [nights[0], nights[2]]


def test_what_is_not_a_night_of_ours_is_left_alone(tmp_path: Path) -> None:
    out = tmp_path / "out"
    latest = _night(out, 31)
    old = _night(out, 1)
    (old / "my notes.txt").write_text("mine")
    (old / "lists" / "mine.csv").write_text("mine")
    moved = _night(out, 2).rename(out / "2026-09-02")  # says another date inside
    named = _night(out, 3).rename(out / "october")
    other = _night(tmp_path / "elsewhere", 4)
    (out / "2026-10-04").symlink_to(other)
    (out / "2026-10-05").mkdir()
    (out / "2026-10-05" / "summary.json").write_text("[]")
    (out / "2026-10-06").write_text("a file")
    removed = remove_old_nights(out, 1, latest)
    assert removed == [old]
    assert what_was_removed(removed) == [
        "Removed the report of 2026-10-01.",
        f"Left the folder {old}: the rest of it is not this tool's.",
    ]
    left = sorted(path.relative_to(old).as_posix() for path in old.rglob("*") if path.is_file())
    assert left == ["lists/mine.csv", "my notes.txt"]
    for folder in (moved, named, other, latest):
        assert (folder / "report.xlsx").is_file()
    assert (out / "2026-10-05" / "summary.json").is_file()
    assert (out / "2026-10-06").is_file()


def test_a_folder_of_outputs_that_is_a_link_is_not_followed(tmp_path: Path) -> None:
    nights = [_night(tmp_path / "real", day) for day in (1, 2)]
    (tmp_path / "out").symlink_to(tmp_path / "real")
    assert remove_old_nights(tmp_path / "out", 1, nights[1]) == []
