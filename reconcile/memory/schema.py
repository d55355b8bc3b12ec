"""The schema of the history: an ordered list of migrations, and what tells that a file is ours."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from reconcile.errors import Problem, RefusedError

REBUILD = "reconcile nightly --rebuild-history"
_OURS = 0x4F524543  # the application id by which SQLite files tell what wrote them

# A night shows some thousand exceptions of which most are as they were: each state is kept once,
# and a night is a list of states. ``seen`` and ``files`` show both as if nothing were shared.
MIGRATIONS = (
    """
    CREATE TABLE nights (
        number INTEGER PRIMARY KEY, night TEXT NOT NULL UNIQUE, version TEXT NOT NULL,
        home_currency TEXT NOT NULL, settings TEXT NOT NULL, rules TEXT NOT NULL,
        proofs INTEGER NOT NULL, digest TEXT NOT NULL
    );
    CREATE TABLE fingerprints (
        number INTEGER PRIMARY KEY, source TEXT NOT NULL, file TEXT NOT NULL,
        sheet TEXT NOT NULL, sha256 TEXT NOT NULL, rows INTEGER NOT NULL,
        UNIQUE (source, file, sheet, sha256, rows)
    );
    CREATE TABLE files_of_night (
        night INTEGER NOT NULL REFERENCES nights (number),
        fingerprint INTEGER NOT NULL REFERENCES fingerprints (number),
        PRIMARY KEY (night, fingerprint)
    ) WITHOUT ROWID;
    CREATE VIEW files AS
        SELECT n.night, f.source, f.file, f.sheet, f.sha256, f.rows
        FROM files_of_night o JOIN nights n ON n.number = o.night
        JOIN fingerprints f ON f.number = o.fingerprint;
    CREATE TABLE contents (night TEXT PRIMARY KEY, digests BLOB NOT NULL);
    CREATE TABLE tellings (number INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE);
    CREATE TABLE exceptions (
        number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, rule TEXT NOT NULL,
        order_ref TEXT NOT NULL, order_key TEXT NOT NULL, sku TEXT NOT NULL,
        supplier TEXT NOT NULL, document TEXT NOT NULL,
        told INTEGER NOT NULL REFERENCES tellings (number),
        explanation TEXT NOT NULL, evidence TEXT NOT NULL, digest TEXT NOT NULL
    );
    CREATE TABLE behind (number INTEGER PRIMARY KEY, rows BLOB NOT NULL UNIQUE);
    CREATE TABLE states (
        number INTEGER PRIMARY KEY, exception INTEGER NOT NULL REFERENCES exceptions (number),
        verdict TEXT NOT NULL, class TEXT NOT NULL, list TEXT NOT NULL, currency TEXT NOT NULL,
        amount_minor INTEGER, event_date TEXT, due_by TEXT, change TEXT NOT NULL,
        first_seen TEXT NOT NULL, was_open INTEGER NOT NULL, gone INTEGER NOT NULL,
        behind INTEGER REFERENCES behind (number)
    );
    CREATE INDEX states_of_exception ON states (exception);
    CREATE TABLE states_of_night (
        night INTEGER NOT NULL REFERENCES nights (number),
        state INTEGER NOT NULL REFERENCES states (number), PRIMARY KEY (night, state)
    ) WITHOUT ROWID;
    CREATE INDEX nights_of_state ON states_of_night (state);
    CREATE VIEW seen AS
        SELECT n.night, s.exception, s.verdict, s.class, s.list, s.currency, s.amount_minor,
            s.event_date, s.due_by, s.change, s.first_seen, s.was_open, s.gone, s.behind
        FROM states_of_night o JOIN nights n ON n.number = o.night
        JOIN states s ON s.number = o.state;
    CREATE TABLE cleared (
        night TEXT NOT NULL, exception INTEGER NOT NULL REFERENCES exceptions (number),
        reason TEXT NOT NULL, evidence TEXT NOT NULL, PRIMARY KEY (night, exception)
    ) WITHOUT ROWID;
    CREATE TABLE open_items (
        night TEXT NOT NULL, class TEXT NOT NULL, currency TEXT NOT NULL,
        count INTEGER NOT NULL, amount_minor INTEGER NOT NULL,
        PRIMARY KEY (night, class, currency)
    ) WITHOUT ROWID;
    CREATE TABLE logged (lines INTEGER NOT NULL, digest TEXT NOT NULL);
    CREATE TABLE outputs (folder TEXT NOT NULL, digest TEXT NOT NULL);
    """,
)


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


def version_of(connection: sqlite3.Connection, path: Path) -> int:
    """How many migrations the file has had; RefusedError where it is not ours or newer."""
    [ours] = connection.execute("PRAGMA application_id").fetchone()
    [version] = connection.execute("PRAGMA user_version").fetchone()
    try:
        [tables] = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except UnicodeDecodeError as error:  # what SQLite says of a damaged schema shows its bytes
        raise damaged("its schema is not as it was kept") from error
    if ours != _OURS and (tables or version):
        what = "is a database of another program."
        mend = f"Move it away; this name is for the history, which {REBUILD} builds."
        raise RefusedError([Problem(str(path), what, mend)])
    if version > len(MIGRATIONS):
        what = f"was written by a newer version of reconcile (schema {version})."
        mend = "Update reconcile, or run with --no-history."
        raise RefusedError([Problem(str(path), what, mend)])
    return int(version)


def migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Bring the schema up to date inside the transaction of the run."""
    for number in range(version_of(connection, path), len(MIGRATIONS)):
        for statement in MIGRATIONS[number].split(";"):
            if statement.strip():
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {_OURS}")
        connection.execute(f"PRAGMA user_version = {number + 1}")
