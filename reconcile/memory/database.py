"""The history database: one SQLite file in the shop folder, its schema and its errors.

Its schema grows by an ordered list of migrations, each in a transaction. A run holds the one
write lock from its begin to its end, so that two runs on one shop cannot both keep a night.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from datetime import date
from pathlib import Path

from reconcile.errors import FaultError, Problem, ReconcileError, RefusedError

HISTORY_FILE = "history.db"
_REBUILT = "history.db.rebuilt"
REBUILD = "reconcile nightly --rebuild-history"
_OURS = 0x4F524543  # the application id by which SQLite files tell what wrote them
_READ_ONLY = (
    "the history cannot be written here.",
    "Change the permissions of the folder, or run with --no-history.",
)
_PATIENCE = 5.0  # seconds to wait for another run

MIGRATIONS = (
    """
    CREATE TABLE nights (
        night TEXT PRIMARY KEY, version TEXT NOT NULL, home_currency TEXT NOT NULL,
        settings TEXT NOT NULL, rules TEXT NOT NULL, proofs INTEGER NOT NULL
    ) WITHOUT ROWID;
    CREATE TABLE files (
        night TEXT NOT NULL, source TEXT NOT NULL, file TEXT NOT NULL, sheet TEXT NOT NULL,
        sha256 TEXT NOT NULL, rows INTEGER NOT NULL
    );
    CREATE INDEX files_of_night ON files (night);
    CREATE TABLE exceptions (
        number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, rule TEXT NOT NULL,
        order_ref TEXT NOT NULL, order_key TEXT NOT NULL, sku TEXT NOT NULL,
        supplier TEXT NOT NULL, document TEXT NOT NULL, told TEXT NOT NULL,
        explanation TEXT NOT NULL, evidence TEXT NOT NULL
    );
    CREATE TABLE behind (number INTEGER PRIMARY KEY, rows BLOB NOT NULL UNIQUE);
    CREATE TABLE seen (
        night TEXT NOT NULL, exception INTEGER NOT NULL REFERENCES exceptions (number),
        verdict TEXT NOT NULL, class TEXT NOT NULL, list TEXT NOT NULL, currency TEXT NOT NULL,
        amount_minor INTEGER, event_date TEXT, due_by TEXT, change TEXT NOT NULL,
        first_seen TEXT NOT NULL, was_open INTEGER NOT NULL, gone INTEGER NOT NULL,
        behind INTEGER REFERENCES behind (number), PRIMARY KEY (night, exception)
    ) WITHOUT ROWID;
    CREATE INDEX seen_of_exception ON seen (exception, night);
    CREATE TABLE cleared (
        night TEXT NOT NULL, exception INTEGER NOT NULL REFERENCES exceptions (number),
        reason TEXT NOT NULL, evidence TEXT NOT NULL, PRIMARY KEY (night, exception)
    ) WITHOUT ROWID;
    CREATE TABLE open_items (
        night TEXT NOT NULL, class TEXT NOT NULL, currency TEXT NOT NULL,
        count INTEGER NOT NULL, amount_minor INTEGER NOT NULL,
        PRIMARY KEY (night, class, currency)
    ) WITHOUT ROWID;
    """,
)


class History:
    """The history of a run: ``connection`` to ask, and to write what ``commit`` keeps.

    A first history is asked in memory and made when the night is kept, so that a run that is
    refused leaves nothing behind.
    """

    def __init__(self, folder: Path, connection: sqlite3.Connection, kind: str) -> None:
        """``kind`` is kept (there is one), first (there is none yet) or anew."""
        self.folder, self.connection, self._kind = folder, connection, kind

    @property
    def _path(self) -> Path:
        return self.folder / HISTORY_FILE

    @contextmanager
    def keeping(self) -> Iterator[sqlite3.Connection]:
        """Write inside, and it is kept at the end; FaultError where it cannot be.

        A history that was built anew takes the place of the other, which gets a new name.
        """
        with _told(self._path, FaultError):
            if self._kind == "first":
                self.connection.close()
                self.connection = _connect(self._path, "rwc")
                self.connection.execute("BEGIN IMMEDIATE")
                if _version(self.connection, self._path):
                    what = "another run has kept its night meanwhile. Run again."
                    raise FaultError(f"{self._path}: {what}")
                _migrate(self.connection, self._path)
            yield self.connection
            self.connection.execute("COMMIT")
        if self._kind == "anew":
            _replace(self.folder)


@contextmanager
def history_for_run(folder: Path, *, anew: bool = False) -> Iterator[History]:
    """The history with its write lock; what is not committed goes.

    ``anew`` gives an empty one, which takes the place of the other when it is committed. Raises
    RefusedError where it cannot be used, before anything is written.
    """
    path = _finished(folder)
    kind = "anew" if anew else "kept" if path.exists() else "first"
    if anew:
        path = folder / _REBUILT
        _remove(path)
    elif kind == "first" and not os.access(folder, os.W_OK):
        raise RefusedError([Problem(str(path), *_READ_ONLY)])
    with _told(path, RefusedError), ExitStack() as last:
        history = History(folder, _connect(path, "memory" if kind == "first" else "rwc"), kind)
        last.callback(lambda: history.connection.close())  # noqa: PLW0108  keeping() changes it
        if anew:
            last.callback(_remove, path)
        history.connection.execute("BEGIN IMMEDIATE")
        _migrate(history.connection, path)
        yield history


def _remove(path: Path) -> None:
    for left in (path, path.with_name(f"{path.name}-journal")):
        left.unlink(missing_ok=True)


def _finished(folder: Path) -> Path:
    """The history; one that was built anew is put in its place, if a run was stopped before."""
    path, rebuilt = folder / HISTORY_FILE, folder / _REBUILT
    if rebuilt.exists() and not path.exists():
        with closing(_connect(rebuilt, "rw")) as connection:
            [version] = connection.execute("PRAGMA user_version").fetchone()
        if version:
            rebuilt.rename(path)
    return path


def known_nights(folder: Path, day: date) -> list[date]:
    """Every other night that the history or the folder out/ knows, oldest first."""
    found = {path.parent.name for path in (folder / "out").glob("*/summary.json")}
    with suppress(RefusedError, sqlite3.Error), history_to_read(folder) as history:
        if history is not None:
            found |= {night for (night,) in history.execute("SELECT night FROM nights")}
    nights = set()
    for name in found:
        with suppress(ValueError):
            nights.add(date.fromisoformat(name))
    return sorted(nights - {day})


@contextmanager
def history_to_read(folder: Path) -> Iterator[sqlite3.Connection | None]:
    """The history as it was committed last, or None where there is none yet."""
    path = folder / HISTORY_FILE
    if not path.exists():
        yield None
        return
    with _told(path, RefusedError), closing(_connect(path, "ro")) as connection:
        version = _version(connection, path)
        if version < len(MIGRATIONS):  # made by a run that did not come to its end
            yield None
            return
        yield connection


def _replace(folder: Path) -> None:
    """Put the history that was built anew in its place, and the other one aside."""
    path, number = folder / HISTORY_FILE, 1
    while (aside := folder / f"history-{number}.db.aside").exists():
        number += 1
    journal = path.with_name(f"{HISTORY_FILE}-journal")
    try:
        for old, new in ((journal, Path(f"{aside}-journal")), (path, aside)):
            if old.exists():
                old.rename(new)
        (folder / _REBUILT).rename(path)
    except OSError as error:
        raise FaultError(f"{path}: cannot be renamed: {error.strerror or error}.") from error


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    place = path.absolute().as_uri() if mode != "memory" else "file::memory:"
    connection = sqlite3.connect(
        f"{place}?mode={mode}", uri=True, timeout=_PATIENCE, isolation_level=None
    )
    connection.execute("PRAGMA cell_size_check = ON")
    return connection


def _version(connection: sqlite3.Connection, path: Path) -> int:
    """How many migrations the file has had; RefusedError where it is not ours or newer."""
    [ours] = connection.execute("PRAGMA application_id").fetchone()
    [version] = connection.execute("PRAGMA user_version").fetchone()
    [tables] = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if ours != _OURS and (tables or version):
        what = "is a database of another program."
        mend = f"Rename it: this name is for the history that {REBUILD} builds."
        raise RefusedError([Problem(str(path), what, mend)])
    if version > len(MIGRATIONS):
        what = f"was written by a newer version of reconcile (schema {version})."
        mend = "Update reconcile, or run with --no-history."
        raise RefusedError([Problem(str(path), what, mend)])
    return int(version)


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Bring the schema up to date inside the transaction of the run."""
    for number in range(_version(connection, path), len(MIGRATIONS)):
        for statement in MIGRATIONS[number].split(";"):
            if statement.strip():
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {_OURS}")
        connection.execute(f"PRAGMA user_version = {number + 1}")


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
        return "another run is working on this shop.", "Wait until it has ended, and run again."
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        what = "the history is damaged, and nothing was changed in it."
        return what, f"{REBUILD} sets it aside and builds it anew from the exports."
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return _READ_ONLY
    if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
        what = "the disk is full or refuses to write the history."
        return what, "Free some space and run again, or run with --no-history."
    what = f"the history cannot be used: {error}."
    return what, f"{REBUILD} sets it aside and builds it anew from the exports."
