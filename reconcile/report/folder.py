"""One folder, replaced as a whole or not at all.

A report is written into a new folder beside the old one, reaches the disk, and is put in its
place by two renames. What a crash leaves behind says by itself how far it came:

==================  =======  =======================================================
beside: ``.NAME.``  the
``new``   ``old``   folder   what happened, and what ``recover`` does
==================  =======  =======================================================
yes       no        any      not finished: the new folder is thrown away; or put in place,
                             where the history has kept the night that it shows
any       yes       missing  between the renames: the old folder is put back
any       yes       there    replaced: what was not ours is moved along, the rest goes
==================  =======  =======================================================

Two reports may share a folder, that of a night and the cash check of a month: the one that is
written replaces its own files, and the other's are moved along.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from reconcile.disk import sync_folder
from reconcile.errors import FaultError, Problem
from reconcile.report.contents import LISTS, MESSAGE_LISTS

# The files of both reports, by the one that is always among them; it is moved along last, so that
# wherever it is, nothing of its report is moved any more.
_NIGHT, _CASH = "report.xlsx", "cash_check.json"
_OUR_FILES = {
    _NIGHT: (
        *("report.xlsx", "exceptions.csv", "order_lines.csv", "rejected_rows.csv"),
        *("summary.json", "run.log"),
    ),
    _CASH: ("cash-check.xlsx", "cash_check.json"),
}
# Folders of a night's report, inner ones first, with the patterns of what in them is the report's
_OUR_FOLDERS = {
    "lists/messages": tuple(f"*-{name}.txt" for name in MESSAGE_LISTS),
    "lists": tuple(f"{name}.csv" for name in LISTS),
    "rejected": ("*.csv",),
}

_CAUSES = {
    errno.ENOSPC: ("there is no room left on the disk.", "Free some space and run again."),
    errno.EDQUOT: ("your share of the disk is used up.", "Free some space and run again."),
    errno.EFBIG: ("a file grows larger than is allowed here.", "Raise that limit and run again."),
    errno.EROFS: ("it is on a disk that can only be read.", "Choose another folder with --out."),
    errno.EACCES: ("it may not be written.", "Change its permissions, or choose another --out."),
    errno.EPERM: ("it may not be written.", "Change its permissions, or choose another --out."),
    errno.ENOTDIR: ("a part of its path is a file.", "Choose another folder with --out."),
    errno.EBUSY: ("it is in use.", "Close the program that uses it and run again."),
}


def check_writable(out: Path, shop_folder: Path) -> list[Problem]:
    """Everything that would keep a report from being written to ``out``, before work begins.

    Makes and removes an empty folder where the report would go: permissions alone do not tell
    whether a disk can be written.
    """
    place = str(out)
    try:
        here = _real(out)
        shop = _real(shop_folder)
        if here == shop or here in shop.parents:
            what = "the report would replace the shop folder or a folder around it."
            return [Problem(place, what, "Choose a folder of its own with --out.")]
        return _in_the_way(place, here) or _not_writable(place, here)
    except OSError as error:
        return [Problem(place, *_cause(error))]


def _real(path: Path) -> Path:
    """Where a path leads; links in a circle lead to themselves."""
    return Path(os.path.realpath(path))


def _in_the_way(place: str, here: Path) -> list[Problem]:
    for path in (here, *here.parents):
        if os.path.lexists(path):
            if not path.is_dir():
                what = "is a file." if path == here else f"{path} is a file."
                return [Problem(place, what, "Choose another folder with --out.")]
            break
    if not here.exists():
        return []
    if here.is_mount():
        what = "is a disk of its own, which cannot be replaced."
        return [Problem(place, what, "Choose a folder inside it with --out.")]
    what = "has the name of a part of the report, and is something else."
    folders = {here / name for name in _OUR_FOLDERS}
    strange = [path for path in _ours(here) if not _is_plain(path, folder=path in folders)]
    return [Problem(str(path), what, "Move it away.") for path in strange]


def _ours(folder: Path, reports: Collection[str] = (_NIGHT, _CASH)) -> list[Path]:
    """Entries of a folder that are of these reports, files first, then their folders."""
    paths = [folder / name for report in reports for name in _OUR_FILES[report]]
    if _NIGHT not in reports:
        return [path for path in paths if os.path.lexists(path)]
    folders = [folder / name for name in _OUR_FOLDERS]
    for inner, patterns in zip(folders, _OUR_FOLDERS.values(), strict=True):
        if inner.is_dir() and not inner.is_symlink() and not inner.parent.is_symlink():
            paths += sorted({path for pattern in patterns for path in inner.glob(pattern)})
    return [path for path in (*paths, *folders) if os.path.lexists(path)]


def _is_plain(path: Path, *, folder: bool) -> bool:
    if folder:
        return path.is_dir() and not path.is_symlink()
    return path.is_symlink() or path.is_file()


def _not_writable(place: str, here: Path) -> list[Problem]:
    """Try in the folder itself and in the one that holds it: both change when it is replaced."""
    there = [path for path in (here, *here.parents) if path.is_dir()]
    for path in there[: 2 if there[0] == here else 1]:
        try:
            Path(tempfile.mkdtemp(prefix=".reconcile-", dir=path)).rmdir()
        except OSError as error:
            what, mend = _cause(error)
            shown = what if path == here else f"in {path}: {what}"
            return [Problem(place, shown, mend)]
    return []


def replace_folder(out: Path, fill: Callable[[Path], None]) -> None:
    """Put in the place of ``out`` a folder that ``fill`` writes, all of it or nothing.

    What the old folder holds under names that are not the report's is kept. Raises FaultError
    where the disk does not take it; ``out`` is then what it was.
    """
    with _faults(out):
        here = _real(out)
        strange = _in_the_way(str(out), here)
        if strange:
            raise FaultError("\n".join(str(problem) for problem in strange))
        made = _make_parents(here)
        new, _ = _beside(here)
        try:
            _recover(here)
            new.mkdir()
            fill(new)
            sync_folder(new)
            _put_in_place(here)
        finally:
            # After success there is nothing left to do; else the old folder is put back. A
            # second failure must not hide the first, and the next run starts with the same.
            with suppress(OSError, FaultError):
                _recover(here)
            for folder in made:
                with suppress(OSError):
                    folder.rmdir()


def recover(out: Path) -> None:
    """Undo or finish what an earlier run could not; nothing to do after a run that ended well."""
    with _faults(out):
        _recover(_real(out))


def finish(out: Path, digest: str) -> None:
    """Put the new folder in its place, if an earlier run was stopped when it had filled it.

    ``digest`` is that of the folder which the history kept; another one is left to ``recover``.
    """
    with _faults(out):
        here = _real(out)
        if digest_of(_beside(here)[0]) == digest:
            _put_in_place(here)


def digest_of(folder: Path) -> str:
    """What tells one filling of a report folder from every other; blank where it is not filled."""
    try:
        parts = [(folder / name).read_bytes() for name in ("summary.json", "run.log")]
    except (FileNotFoundError, NotADirectoryError):
        return ""
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def _put_in_place(here: Path) -> None:
    new, old = _beside(here)
    if here.exists():
        here.rename(old)
    new.rename(here)
    sync_folder(here.parent)
    _finish(here, old)


def _beside(out: Path) -> tuple[Path, Path]:
    """The new and the old folder; siblings, so that a rename never copies."""
    return out.with_name(f".{out.name}.new"), out.with_name(f".{out.name}.old")


def _recover(out: Path) -> None:
    new, old = _beside(out)
    if os.path.lexists(new):
        shutil.rmtree(new)
    if not os.path.lexists(old):
        return
    if os.path.lexists(out):
        _finish(out, old)
    else:
        old.rename(out)
        sync_folder(out.parent)


def _finish(out: Path, old: Path) -> None:
    """Move along what is not of the report just written, and remove the old one file by file.

    Nothing is removed that this tool did not write: the old folder goes last, and only empty.
    """
    if not old.exists():
        return
    folders = [old / name for name in _OUR_FOLDERS]
    for path in _ours(old, [report for report in _OUR_FILES if os.path.lexists(out / report)]):
        if path not in folders:
            path.unlink()
    for name, inner in zip(_OUR_FOLDERS, folders, strict=True):
        if inner.is_dir():
            if any(inner.iterdir()):
                (out / name).mkdir(parents=True, exist_ok=True)
                _move_entries(inner, out / name)
            inner.rmdir()
    _move_entries(old, out)
    sync_folder(out)
    old.rmdir()
    sync_folder(out.parent)


def _move_entries(source: Path, target: Path) -> None:
    for entry in sorted(source.iterdir(), key=lambda path: (path.name in _OUR_FILES, path)):
        if os.path.lexists(target / entry.name):
            raise FaultError(
                f"{entry}: an earlier run left it here, and there is another in {target}. "
                "Keep one of the two, remove the other, and run again."
            )
        entry.rename(target / entry.name)


def remove_report(folder: Path) -> None:
    """Remove what of a folder is a night's report, and the folder itself where nothing is left.

    Raises FaultError where the disk does not take it.
    """
    with _faults(folder):
        inner = [folder / name for name in _OUR_FOLDERS]
        for path in _ours(folder, [_NIGHT]):
            if path not in inner and _is_plain(path, folder=False):
                path.unlink()
        for path in (*inner, folder):
            if path.is_dir() and not path.is_symlink() and not any(path.iterdir()):
                path.rmdir()


def _make_parents(out: Path) -> list[Path]:
    """Make the folders around ``out`` that are missing; they are returned, innermost first."""
    missing = []
    for parent in out.parents:
        if parent.exists():
            break
        missing.append(parent)
    out.parent.mkdir(parents=True, exist_ok=True)
    return missing


@contextmanager
def _faults(out: Path) -> Iterator[None]:
    """Say in a sentence what the disk refused."""
    try:
        yield
    except OSError as error:
        what, mend = _cause(error)
        raise FaultError(f"{out}: the report cannot be written: {what} {mend}") from error


def _cause(error: OSError) -> tuple[str, str]:
    """What went wrong and what to do, in words."""
    unknown = f"the system says: {error.strerror or error}.", "Choose another folder with --out."
    return _CAUSES.get(error.errno or 0, unknown)
