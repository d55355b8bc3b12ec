"""The history database: one SQLite file in the shop folder, and what can be wrong with it.

A run holds the write lock from its begin to its end, and writes in one transaction at its end. A
first history, and one that is built anew, is made under another name and put in place whole, so
that a file of the history's name is never a part of one.
"""

from __future__ import annotations

import errno
import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from datetime import date
from pathlib import Path

from reconcile.disk import sync_folder
from reconcile.errors import FaultError, Problem, ReconcileError, RefusedError
from reconcile.memory.lock import BUSY
from reconcile.memory.marks import nights_reported, trace_of_history
from reconcile.memory.schema import REBUILD, VERSION, damaged, is_ours, migrate, version_of

HISTORY_FILE = "history.db"
_NEW = "history.db.new"
_READ_ONLY = (
    "the history cannot be written here.",
    "Change the permissions of the folder, or run with --no-history.",
)
_FULL = (
    "the disk is full or refuses to read or write the history.",
    "Free some space and run again, or run with --no-history.",
)
_PATIENCE = 5.0  # seconds to wait for another run


class History:
    """The history of a run: ``connection`` to ask, and to write what is kept.

    A first history is asked in memory and made when the night is kept, so that a run that is
    refused leaves nothing behind.
    """

    def __init__(self, folder: Path, connection: sqlite3.Connection, kind: str) -> None:
        """``kind`` is kept (there is one), first (there is none yet) or anew."""
        self.folder, self.connection, self._kind = folder, connection, kind

    @contextmanager
    def keeping(self) -> Iterator[sqlite3.Connection]:
        """Write inside, and it is kept at the end; FaultError where it cannot be.

        A history that was built anew takes the place of the other, which gets a new name.
        """
        path = self.folder / HISTORY_FILE
        try:
            with _told(path, FaultError):
                if self._kind == "first":
                    self.connection.close()
                    self.connection = _begun(self.folder / _NEW, "rwc")
                    migrate(self.connection, path)
                yield self.connection
                self.connection.execute("COMMIT")
                if self._kind != "kept":
                    self.connection.close()
                    _put_in_place(self.folder, anew=self._kind == "anew")
        finally:
            if self._kind != "kept":
                self.connection.close()
                _remove(self.folder / _NEW)


@contextmanager
def history_for_run(folder: Path, *, anew: bool = False) -> Iterator[History]:
    """The history with its write lock; what is not committed goes.

    ``anew`` gives an empty one, which takes the place of the other when it is committed. Raises
    RefusedError where it cannot be used, before anything is written.
    """
    path = _finished(folder)
    kind = "anew" if anew else "kept" if os.path.lexists(path) else "first"
    if kind == "kept":
        _look(path)
    _try_to_write(folder, path)
    if kind == "first":
        _refuse_if_removed(folder)
    _remove(folder / _NEW)
    with _told(path, RefusedError), ExitStack() as last:
        if anew:
            last.callback(_remove, folder / _NEW)
        opened = {"anew": folder / _NEW, "kept": path, "first": None}[kind]
        history = History(folder, _begun(opened, "rwc" if anew else "rw"), kind)
        last.callback(lambda: history.connection.close())  # noqa: PLW0108  keeping() changes it
        if kind == "kept":
            _check_whole(history.connection, path)
        migrate(history.connection, path)
        yield history


@contextmanager
def history_to_read(folder: Path) -> Iterator[sqlite3.Connection | None]:
    """The history as it was committed last, or None where there is none yet."""
    path = folder / HISTORY_FILE
    if not os.path.lexists(path):
        yield None
        return
    _look(path)
    # For writing too, where that is allowed: what a stopped run left has to be undone first.
    with _told(path, RefusedError), closing(_connect(path, "rw")) as connection:
        if version_of(connection, path) < VERSION:
            raise damaged("no run has kept a night in it")
        yield connection


def known_nights(folder: Path, day: date) -> list[date]:
    """Every other night that the history or the folder out/ knows, oldest first."""
    nights, path = nights_reported(folder), folder / HISTORY_FILE
    # Of whatever version it is: a history that cannot be used is to be built anew
    with suppress(sqlite3.Error, UnicodeDecodeError), closing(_connect(path, "rw")) as history:
        for (night,) in history.execute("SELECT night FROM nights") if is_ours(history) else ():
            with suppress(ValueError, TypeError):
                nights.add(date.fromisoformat(night))
    return sorted(nights - {day})


def output_kept(folder: Path) -> tuple[Path, str] | None:
    """The report folder of the night kept last, and the digest by which it is known."""
    _finished(folder)
    with suppress(RefusedError, sqlite3.Error), history_to_read(folder) as history:
        if history is not None:
            found = history.execute("SELECT folder, digest FROM outputs").fetchone()
            return None if found is None else (folder / found[0], found[1])
    return None


def keep_output(history: sqlite3.Connection, folder: Path, out: Path, digest: str) -> None:
    """Note which report belongs to the night, so that a stopped run can be finished."""
    place, shop = out.resolve(), folder.resolve()
    if shop in place.parents:  # they may be moved together
        place = place.relative_to(shop)
    history.execute("DELETE FROM outputs")
    history.execute("INSERT INTO outputs VALUES (?, ?)", (str(place), digest))


def _look(path: Path) -> None:
    """RefusedError where what has the history's name is no file, or an empty one."""
    mend = f"Move it away, and put the history back from a copy or run {REBUILD}."
    try:
        what = "is empty: the history was lost." if not path.stat().st_size else ""
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}."
    if not path.is_file():
        what = "is no file." if path.exists() else "is a link to nothing."
    if what:
        raise RefusedError([Problem(str(path), what, mend)])


def _try_to_write(folder: Path, path: Path) -> None:
    """RefusedError where the file or the folder, which holds what undoes a change, is read-only.

    Tried and not asked, since permissions alone do not tell whether a disk can be written.
    """
    try:
        Path(tempfile.mkdtemp(prefix=".reconcile-", dir=folder)).rmdir()
        if path.is_file():
            os.close(os.open(path, os.O_RDWR))
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT)
        raise RefusedError([Problem(str(path), *(_FULL if full else _READ_ONLY))]) from error


def _refuse_if_removed(folder: Path) -> None:
    """A history that was there and is not any more is not begun again without a word."""
    trace = trace_of_history(folder)
    if trace:
        what = f"is missing, though {trace}: the history was removed or renamed."
        mend = f"Put it back, or build it anew from the exports: {REBUILD}."
        raise RefusedError([Problem(str(folder / HISTORY_FILE), what, mend)])


def _check_whole(connection: sqlite3.Connection, path: Path) -> None:
    """Before anything is added: every page is there and can be read."""
    if version_of(connection, path) == 0:
        raise damaged("no run has kept a night in it")
    [pages] = connection.execute("PRAGMA page_count").fetchone()
    [size] = connection.execute("PRAGMA page_size").fetchone()
    [found] = connection.execute("PRAGMA quick_check(1)").fetchone()
    if found != "ok" or path.stat().st_size != pages * size:
        raise damaged(str(found))


def _remove(path: Path) -> None:
    for left in (path, path.with_name(f"{path.name}-journal")):
        left.unlink(missing_ok=True)


def _finished(folder: Path) -> Path:
    """The history; one that a stopped run had made whole is put in its place."""
    path, new = folder / HISTORY_FILE, folder / _NEW
    if new.exists() and not os.path.lexists(path):
        with suppress(sqlite3.Error, OSError):
            with closing(_connect(new, "rw")) as connection:
                [version] = connection.execute("PRAGMA user_version").fetchone()
            if version:
                new.rename(path)
                sync_folder(folder)
    return path


def _put_in_place(folder: Path, *, anew: bool) -> None:
    """Give the new history its name, and the one that was there another."""
    path, number = folder / HISTORY_FILE, 1
    while (aside := folder / f"history-{number}.db.aside").is_symlink() or aside.exists():
        number += 1
    journal = path.with_name(f"{HISTORY_FILE}-journal")
    try:
        if os.path.lexists(path) and not anew:
            raise FaultError(f"{path}: another run has kept its night meanwhile. Run again.")
        for old, name in ((journal, Path(f"{aside}-journal")), (path, aside)):
            if os.path.lexists(old):
                old.rename(name)
        (folder / _NEW).rename(path)
        sync_folder(folder)
    except OSError as error:
        raise FaultError(f"{path}: cannot be renamed: {error.strerror or error}.") from error


def _begun(path: Path | None, mode: str) -> sqlite3.Connection:
    """A connection that holds the write lock; without a path in memory."""
    if path is not None and mode == "rwc":
        _remove(path)
    connection = _connect(path, mode)
    try:
        connection.execute("BEGIN IMMEDIATE")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _connect(path: Path | None, mode: str) -> sqlite3.Connection:
    place = f"{path.absolute().as_uri()}?mode={mode}" if path else "file::memory:"
    connection = sqlite3.connect(place, uri=True, timeout=_PATIENCE, isolation_level=None)
    connection.execute("PRAGMA cell_size_check = ON")
    return connection


@contextmanager
def _told(path: Path, kind: type[RefusedError | FaultError]) -> Iterator[None]:
    """Say in a sentence what SQLite cannot do."""
    try:
        yield
    except sqlite3.Error as error:
        what, mend = _cause(error)
        raise _as(kind, Problem(str(path), what, mend)) from error


def _as(kind: type[RefusedError | FaultError], problem: Problem) -> ReconcileError:
    return RefusedError([problem]) if kind is RefusedError else FaultError(str(problem))


def _cause(error: sqlite3.Error) -> tuple[str, str]:
    """What went wrong with the history and what to do."""
    code = getattr(error, "sqlite_errorcode", None)
    code = None if code is None else code & 0xFF
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return BUSY
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return _READ_ONLY
    if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
        return _FULL
    what = "the history is damaged, and nothing was changed in it."
    return what, f"Put it back from a copy, or build it anew from the exports: {REBUILD}."
