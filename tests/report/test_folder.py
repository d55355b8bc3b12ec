"""A report folder is replaced as a whole or not at all, whatever happens on the way."""

from __future__ import annotations

import errno
import os
import resource
import shutil
import subprocess
import tempfile
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from reconcile.errors import FaultError
from reconcile.report.folder import check_writable, recover, replace_folder
from reconcile.report.write import write_outputs
from tests.report.results import results

OLD = {"report.xlsx": "old", "exceptions.csv": "old", "lists/claim.csv": "old"}
NEW = {"report.xlsx": "new", "exceptions.csv": "new", "lists/pay.csv": "new"}
THEIRS = {"my notes.txt": "mine", "lists/returns.csv": "mine", "letters/kestrel.txt": "mine"}


def _fill(files: dict[str, str]) -> Callable[[Path], None]:
    def fill(folder: Path) -> None:
        for name, text in files.items():
            path = folder / name
            path.parent.mkdir(exist_ok=True, parents=True)
            path.write_text(text)

    return fill


def _read(folder: Path) -> dict[str, str]:
    """Every file below a folder, hidden ones too, by its path."""
    paths = [path for path in folder.rglob("*") if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_text() for path in paths}


def _under(name: str, files: dict[str, str]) -> dict[str, str]:
    return {f"{name}/{path}": text for path, text in files.items()}


def test_a_first_report_makes_the_folders_around_it(tmp_path: Path) -> None:
    replace_folder(tmp_path / "out" / "night", _fill(NEW))
    assert _read(tmp_path) == _under("out/night", NEW)


def test_the_old_report_goes_and_what_is_not_ours_stays(tmp_path: Path) -> None:
    _fill(OLD | THEIRS)(tmp_path / "out")
    replace_folder(tmp_path / "out", _fill(NEW))
    assert _read(tmp_path) == _under("out", NEW | THEIRS)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


CASH = {"cash-check.xlsx": "cash", "cash_check.json": "cash"}
OTHER = {"cash-check.xlsx": "next", "cash_check.json": "next"}


def test_two_reports_in_one_folder_leave_each_other_alone(tmp_path: Path) -> None:
    out = tmp_path / "out"
    _fill(THEIRS)(out)
    for written, there in (
        (OLD, OLD),
        (CASH, OLD | CASH),
        (NEW, NEW | CASH),
        (OTHER, NEW | OTHER),
        ({"report.xlsx": "last"}, {"report.xlsx": "last"} | OTHER),
    ):
        replace_folder(out, _fill(written))
        assert _read(tmp_path) == _under("out", there | THEIRS)


@pytest.mark.parametrize(("old", "new"), [(OLD | CASH, NEW), (OLD | CASH, OTHER)])
def test_a_kill_while_another_report_is_moved_along_can_be_mended(
    tmp_path: Path, old: dict[str, str], new: dict[str, str]
) -> None:
    replaced = OLD if new is NEW else CASH
    kept = {name: text for name, text in old.items() if name not in replaced}
    for call in range(1, 30):
        _fill(old | THEIRS)(tmp_path / str(call) / "out")
        status = _killed_at(call, tmp_path / str(call) / "out", new)
        recover(tmp_path / str(call) / "out")
        found = _read(tmp_path / str(call))
        assert found in (_under("out", old | THEIRS), _under("out", new | kept | THEIRS)), call
    assert status == 0


def test_a_report_without_lists_leaves_no_empty_folder(tmp_path: Path) -> None:
    _fill(OLD)(tmp_path / "out")
    replace_folder(tmp_path / "out", _fill({"report.xlsx": "new"}))
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["report.xlsx"]


def test_a_linked_folder_is_replaced_where_it_lies(tmp_path: Path) -> None:
    _fill(OLD)(tmp_path / "disk" / "real")
    (tmp_path / "out").symlink_to(tmp_path / "disk" / "real")
    replace_folder(tmp_path / "out", _fill(NEW))
    assert (tmp_path / "out").is_symlink()
    assert _read(tmp_path / "disk") == _under("real", NEW)


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "x"), KeyboardInterrupt()])
def test_a_run_that_is_stopped_while_writing_changes_nothing(
    tmp_path: Path, error: BaseException
) -> None:
    _fill(OLD | THEIRS)(tmp_path / "out")

    def fill(folder: Path) -> None:
        _fill(NEW)(folder)
        raise error

    with pytest.raises((FaultError, KeyboardInterrupt)):
        replace_folder(tmp_path / "out", fill)
    assert _read(tmp_path) == _under("out", OLD | THEIRS)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_first_report_that_fails_leaves_no_folder(tmp_path: Path) -> None:
    def fill(folder: Path) -> None:
        raise OSError(errno.ENOSPC, folder)

    with pytest.raises(FaultError, match="no room left on the disk"):
        replace_folder(tmp_path / "a" / "b" / "out", fill)
    assert list(tmp_path.iterdir()) == []


def _states() -> list[tuple[str, dict[str, str], dict[str, str]]]:
    """What a kill can leave behind, in the order of the run, and what recover makes of it."""
    old, new = OLD | THEIRS, NEW
    half_moved = {name: text for name, text in THEIRS.items() if name != "my notes.txt"}
    return [
        ("while writing the first report", _under(".out.new", {"report.xlsx": "n"}), {}),
        (
            "while writing",
            _under("out", old) | _under(".out.new", {"report.xlsx": "n"}),
            _under("out", old),
        ),
        (
            "between the renames",
            _under(".out.old", old) | _under(".out.new", new),
            _under("out", old),
        ),
        (
            "after the renames",
            _under(".out.old", old) | _under("out", new),
            _under("out", new | THEIRS),
        ),
        (
            "while moving along",
            _under(".out.old", half_moved) | _under("out", new | {"my notes.txt": "mine"}),
            _under("out", new | THEIRS),
        ),
    ]


@pytest.mark.parametrize(
    ("left", "expected"), [pytest.param(*state[1:], id=state[0]) for state in _states()]
)
def test_what_a_kill_leaves_behind_is_mended(
    tmp_path: Path, left: dict[str, str], expected: dict[str, str]
) -> None:
    _fill(left)(tmp_path)
    recover(tmp_path / "out")
    assert _read(tmp_path) == expected
    recover(tmp_path / "out")
    assert _read(tmp_path) == expected
    replace_folder(tmp_path / "out", _fill({"report.xlsx": "next"}))
    theirs = THEIRS if "my notes.txt" in str(left) else {}
    assert _read(tmp_path) == _under("out", {"report.xlsx": "next"} | theirs)


@pytest.mark.parametrize("call", range(1, 19))
def test_a_process_killed_at_any_rename_or_removal_can_be_mended(tmp_path: Path, call: int) -> None:
    """A child process runs the replacement and ends itself without notice at one system call."""
    _fill(OLD | THEIRS)(tmp_path / "out")
    assert _killed_at(call, tmp_path / "out", NEW) == (9 if call <= 14 else 0)
    recover(tmp_path / "out")
    found = _read(tmp_path)
    assert found in (_under("out", OLD | THEIRS), _under("out", NEW | THEIRS))
    replace_folder(tmp_path / "out", _fill(NEW))
    assert _read(tmp_path) == _under("out", NEW | THEIRS)


def _killed_at(call: int, out: Path, new: dict[str, str]) -> int:
    """Replace a folder in a child process that ends itself at a call; its exit status."""
    with warnings.catch_warnings():
        # Newer releases warn of forks beside threads; this child starts and needs none.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        _die_at(call)
        replace_folder(out, _fill(new))
        os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status)


def _die_at(call: int) -> None:
    left = [call]
    for name in ("rename", "unlink", "rmdir", "fsync"):
        setattr(os, name, _counted(getattr(os, name), left))


def _counted(function: Callable[..., object], left: list[int]) -> Callable[..., object]:
    def counted(*arguments: object, **options: object) -> object:
        left[0] -= 1
        if left[0] == 0:
            os._exit(9)
        return function(*arguments, **options)

    return counted


def test_two_files_of_one_name_are_both_kept(tmp_path: Path) -> None:
    _fill(_under(".out.old", {"notes.txt": "older"}) | _under("out", {"notes.txt": "newer"}))(
        tmp_path
    )
    with pytest.raises(FaultError, match=r"\.out\.old.notes\.txt: an earlier run left it here"):
        recover(tmp_path / "out")
    assert sorted(_read(tmp_path).values()) == ["newer", "older"]


def test_something_else_under_our_name_stops_the_run(tmp_path: Path) -> None:
    (tmp_path / "out" / "report.xlsx").mkdir(parents=True)
    (tmp_path / "out" / "lists").write_text("mine")
    problems = check_writable(tmp_path / "out", tmp_path / "shop")
    assert [Path(problem.place).name for problem in problems] == ["report.xlsx", "lists"]
    with pytest.raises(FaultError, match="has the name of a part of the report"):
        replace_folder(tmp_path / "out", _fill(NEW))
    assert _read(tmp_path) == {"out/lists": "mine"}


def test_a_folder_that_can_be_written_is_no_problem_and_stays_as_it_is(tmp_path: Path) -> None:
    assert check_writable(tmp_path / "shop" / "out" / "night", tmp_path / "shop") == []
    _fill(OLD)(tmp_path / "out")
    assert check_writable(tmp_path / "out", tmp_path / "shop") == []
    assert _read(tmp_path) == _under("out", OLD)
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("out", ["shop", ".", "shop/../shop", ".."])
def test_the_shop_and_the_folders_around_it_are_refused(tmp_path: Path, out: str) -> None:
    (tmp_path / "shop").mkdir()
    [problem] = check_writable(tmp_path / out, tmp_path / "shop")
    assert problem.what == "the report would replace the shop folder or a folder around it."


@pytest.mark.parametrize("out", ["file", "file/out", "file/a/out"])
def test_a_file_in_the_way_is_refused(tmp_path: Path, out: str) -> None:
    (tmp_path / "file").write_text("mine")
    [problem] = check_writable(tmp_path / out, tmp_path / "shop")
    assert problem.what.endswith("is a file.")
    with pytest.raises(FaultError, match=r"is a file\."):
        replace_folder(tmp_path / out, _fill(NEW))
    assert _read(tmp_path) == {"file": "mine"}


def test_a_disk_of_its_own_is_refused(tmp_path: Path) -> None:
    [problem] = check_writable(Path("/dev"), tmp_path)
    assert problem.what == "is a disk of its own, which cannot be replaced."


def test_a_link_that_leads_nowhere_is_refused(tmp_path: Path) -> None:
    (tmp_path / "one").symlink_to(tmp_path / "two")
    (tmp_path / "two").symlink_to(tmp_path / "one")
    [problem] = check_writable(tmp_path / "one" / "out", tmp_path / "shop")
    assert problem.what.endswith("is a file.")


def test_a_name_that_the_disk_cannot_hold_is_refused(tmp_path: Path) -> None:
    out = tmp_path / ("x" * 300)
    [problem] = check_writable(out, tmp_path / "shop")
    assert problem.what == "the system says: File name too long."
    with pytest.raises(FaultError, match="File name too long"):
        replace_folder(out, _fill(NEW))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("out", ["night", "new/night"])
def test_a_folder_that_may_not_be_written_is_refused(out: str) -> None:
    with _somebody(), tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "locked"
        (folder / "night").mkdir(parents=True)
        folder.chmod(0o555)
        [problem] = check_writable(folder / out, folder / "shop")
        assert problem.what == f"in {folder}: it may not be written."
        with pytest.raises(FaultError, match="it may not be written"):
            replace_folder(folder / out, _fill(NEW))
        assert sorted(path.name for path in folder.rglob("*")) == ["night"]
        folder.chmod(0o755)


@contextmanager
def _somebody() -> Iterator[None]:
    """Without the rights of an administrator, to whom every folder is open."""
    user = os.geteuid()
    mask = os.umask(0o022)
    if user == 0:
        os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(user)
        os.umask(mask)


@contextmanager
def _largest_file(size: int) -> Iterator[None]:
    """The system refuses to let any file grow larger."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("size", [0, 100, 1000, 4000, 8000])
def test_a_report_that_does_not_fit_is_not_written_at_all(tmp_path: Path, size: int) -> None:
    _fill(OLD | THEIRS)(tmp_path / "out")
    with _largest_file(size), pytest.raises(FaultError, match="grows larger than is allowed"):
        write_outputs(results(), tmp_path / "out")
    assert _read(tmp_path) == _under("out", OLD | THEIRS)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@contextmanager
def _small_disk(folder: Path, pages: int) -> Iterator[bool]:
    """A disk in memory of so many pages, where this system lets us mount one."""
    size = f"size={pages * 4096}"
    tool, undo = shutil.which("mount"), shutil.which("umount")
    mounted = False
    if tool and undo and os.geteuid() == 0:
        command = [tool, "-t", "tmpfs", "-o", size, "tmpfs", str(folder)]
        mounted = subprocess.run(command, check=False).returncode == 0
    try:
        yield mounted
    finally:
        if mounted and undo:
            subprocess.run([undo, str(folder)], check=True)


@pytest.mark.parametrize("pages", [4, 6, 9])
def test_a_full_disk_leaves_the_old_report(tmp_path: Path, pages: int) -> None:
    with _small_disk(tmp_path, pages) as mounted, _largest_file(-1 if mounted else 4096):
        _fill({"report.xlsx": "old"})(tmp_path / "out")
        with pytest.raises(FaultError, match="no room left" if mounted else "grows larger"):
            write_outputs(results(), tmp_path / "out")
        assert _read(tmp_path) == {"out/report.xlsx": "old"}
        assert [path.name for path in tmp_path.iterdir()] == ["out"]
