"""The schema of the history: an ordered list of migrations, and what tells that a file is ours."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from reconcile.errors import Problem, RefusedError

REBUILD = "reconcile nightly --rebuild-history"
_OURS = 0x4F524543  # the application id by which SQLite files tell what wrote them
_TOO_OLD = 1  # the last version that cannot be migrated: its digests of rows are others

# A night is a few columns in compressed parts (see stored.py), each kept under its digest: what is
# as it was the night before is not written again.
MIGRATIONS = (
    """
    CREATE TABLE nights (
        night TEXT PRIMARY KEY, version TEXT NOT NULL, home_currency TEXT NOT NULL,
        settings TEXT NOT NULL, rules TEXT NOT NULL, proofs INTEGER NOT NULL, digest TEXT NOT NULL
    );
    CREATE TABLE parts (
        night TEXT NOT NULL REFERENCES nights (night), part TEXT NOT NULL, digest TEXT NOT NULL,
        PRIMARY KEY (night, part)
    ) WITHOUT ROWID;
    CREATE TABLE stored (digest TEXT PRIMARY KEY, bytes BLOB NOT NULL);
    CREATE TABLE open_items (
        night TEXT NOT NULL, class TEXT NOT NULL, currency TEXT NOT NULL,
        count INTEGER NOT NULL, amount_minor INTEGER NOT NULL,
        PRIMARY KEY (night, class, currency)
    ) WITHOUT ROWID;
    CREATE TABLE logged (lines INTEGER NOT NULL, digest TEXT NOT NULL);
    CREATE TABLE outputs (folder TEXT NOT NULL, digest TEXT NOT NULL);
    """,
)
VERSION = _TOO_OLD + len(MIGRATIONS)


@contextmanager
def legible() -> Iterator[None]:
    """Texts and names that are no UTF-8 any more are damage too, and SQLite does not see it."""
    try:
        yield
    except UnicodeDecodeError:
        raise damaged("a text in it cannot be read") from None


def damaged(what: str) -> sqlite3.DatabaseError:
    """The error for a history that does not hold what was written into it."""
    error = sqlite3.DatabaseError(what)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def is_ours(connection: sqlite3.Connection) -> bool:
    """Whether a history of this program wrote the file, of whatever version."""
    return bool(connection.execute("PRAGMA application_id").fetchone() == (_OURS,))


def version_of(connection: sqlite3.Connection, path: Path) -> int:
    """The version of the file's schema, 0 before it has one.

    RefusedError where it is not ours, newer, or too old to be compared with.
    """
    [version] = connection.execute("PRAGMA user_version").fetchone()
    try:
        [tables] = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except UnicodeDecodeError as error:  # what SQLite says of a damaged schema shows its bytes
        raise damaged("its schema is not as it was kept") from error
    what = ""
    if not is_ours(connection) and (tables or version):
        what = "is a database of another program."
        mend = f"Move it away; this name is for the history, which {REBUILD} builds."
    elif version > VERSION:
        what = f"was written by a newer version of reconcile (schema {version})."
        mend = "Update reconcile, or run with --no-history."
    elif 0 < version <= _TOO_OLD:
        what = (
            f"was written by an earlier version of reconcile (schema {version}), which told rows "
            "apart in another way: tonight cannot be compared with it."
        )
        mend = f"Build it anew from the exports: {REBUILD}. The present one is set aside."
    if what:
        raise RefusedError([Problem(str(path), what, mend)])
    return int(version)


def migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Bring the schema up to date inside the transaction of the run."""
    for version in range(max(version_of(connection, path), _TOO_OLD), VERSION):
        for statement in MIGRATIONS[version - _TOO_OLD].split(";"):
            if statement.strip():
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {_OURS}")
        connection.execute(f"PRAGMA user_version = {version + 1}")
