"""Rows of a source that another of its files shows too: repeats, and rows that were replaced."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.empty import without_rows
from reconcile.intake.coded import Bools
from reconcile.intake.cover import Days
from reconcile.intake.fates import after
from reconcile.intake.glance import FileRows, Glance, glance, in_several, ranked
from reconcile.intake.late import ORDER, Late, all_late, late_in, none_late
from reconcile.intake.read import Read
from reconcile.intake.repeats import repeated, superseded
from reconcile.intake.sameness import Compared, compared
from reconcile.intake.typed import Reader
from reconcile.intake.unsaid import fuller
from reconcile.records import RECORDS
from reconcile.shop import Source

Ints = NDArray[np.int64]
_ABOUT = ("order_ref", "sku", "supplier", "invoice_no", "payment_ref")
_KINDS_OF_CHANGES = (
    {"record": "str", "source": "str", "file": "object", "row": "int64"}
    | {"by_file": "object", "by_row": "int64"}
    | dict.fromkeys(_ABOUT, "str")
    | {"date": "datetime64[s]"}
)


@dataclass(frozen=True)
class Elsewhere:
    """Rows that another file shows too, file by file.

    ``repeat``: with the same content. ``old``: those in whose place a row of another file stands.
    ``changes``: one row per row that was replaced by one with other content.
    """

    repeat: list[Bools]
    old: list[Bools]
    changes: pd.DataFrame


@dataclass(frozen=True)
class Seen:
    """What is known of all files of a source before any of them is settled.

    ``ages``: each file's rank, 0 the newest; ``days``: by file the days on which rows are dated,
    none where there is but one. ``late``: orders with dates that are not known yet.
    """

    ages: list[int]
    days: list[Days]
    late: Late
    elsewhere: Elsewhere


def looked_at(
    source: Source, files: Sequence[FileRows], reader: Reader, as_of: np.datetime64
) -> Seen:
    """Look at all files of a source; at a single one only for dates that are not known yet."""
    record = RECORDS[source.record]
    if len(files) == 1:
        late = none_late(record)
        for read in files[0].reads({*late, *ORDER}) if late else ():
            late = late_in(record, read.typed.frame, as_of, late)
        return Seen([0], [_NO_DAYS], late, nowhere_else(files))
    glances = [glance(record, file, as_of) for file in files]
    late = {name: all_late([one.late[name] for one in glances]) for name in none_late(record)}
    rank = ranked(glances, [file.table.path for file in files])
    elsewhere = shown_elsewhere(source, files, glances, rank, reader, as_of)
    return Seen(rank, [one.days for one in glances], late, elsewhere)


_NO_DAYS = np.empty(0, dtype="datetime64[D]")


def shown_elsewhere(
    source: Source,
    files: Sequence[FileRows],
    glances: list[Glance],
    ages: list[int],
    reader: Reader,
    as_of: np.datetime64,
) -> Elsewhere:
    """Compare the rows of all files of a source; only those that bear a reference of another file.

    ``ages``: each file's rank, 0 the newest.
    Everything that makes two rows one (their content, or their key) is the same in that reference.
    """
    record = RECORDS[source.record]
    shown = in_several(glances)
    if not any(mask.any() for mask in shown):
        return nowhere_else(files)
    read = [_chosen(file, mask, reader) for file, mask in zip(files, shown, strict=True)]
    frame = pd.concat([one.typed.frame for one in read], ignore_index=True)
    ends = np.cumsum([0, *(len(one.table.rows) for one in read)])
    bad = np.zeros(len(frame), dtype=bool)
    for start, one in zip(ends, read, strict=False):
        bad[start + one.typed.rejects["at"].to_numpy(np.int64)] = True
    same = compared(record, read, frame, bad)
    age = np.array(ages)
    repeat = repeated(same.row(), same.file, age)
    standing = ~repeat & ~bad & ~after(record, frame, as_of)
    old, changed = _replaced(same, frame, age, standing)
    row = np.concatenate([one.table.rows for one in read])
    changes = _changes(source, frame, changed, [one.path for one in read], same.file, row)
    return Elsewhere(_spread(shown, repeat, ends), _spread(shown, old, ends), changes)


def nowhere_else(files: Sequence[FileRows]) -> Elsewhere:
    """What there is to say where no row of a file may be one of another."""
    none: list[Bools] = [np.broadcast_to(np.False_, len(file.table.table.rows)) for file in files]
    return Elsewhere(none, none, without_rows(_KINDS_OF_CHANGES))


def _chosen(file: FileRows, mask: Bools, reader: Reader) -> Read:
    """Some of the rows of a file, typed."""
    if mask.all() and file.one_block:
        return next(file.reads())
    return file.table.filter(mask).read(reader)


def _spread(shown: Sequence[Bools], mine: Bools, ends: Ints) -> list[Bools]:
    """By file which of all rows are meant; ``mine`` tells it of those that were compared."""
    out = []
    for mask, start, end in zip(shown, ends, ends[1:], strict=False):
        here = np.zeros(len(mask), dtype=bool)
        here[mask] = mine[start:end]
        out.append(here)
    return out


def _replaced(
    same: Compared, frame: pd.DataFrame, age: NDArray[np.int64], standing: Bools
) -> tuple[Bools, pd.DataFrame]:
    """Rows that another file shows too, and those of them that it shows with other content."""
    old = np.zeros(len(frame), dtype=bool)
    changed = superseded(same.key(), same.row(), same.file, age, standing)
    old[changed["at"]] = True
    dated = same.record.date
    day = np.zeros(len(frame), dtype=np.int64)
    if dated:
        day = frame[same.record.column(dated).typed].to_numpy().astype("datetime64[D]").astype("i8")
    said = fuller(same, day, age[same.file], standing & ~old)
    old[said["at"]] = True
    changed = pd.concat([changed, said], ignore_index=True)
    at, by = (changed[name].to_numpy(dtype=np.int64) for name in ("at", "by"))
    return old, changed[same.differs(at, by)].reset_index(drop=True)


def _changes(
    source: Source,
    frame: pd.DataFrame,
    changed: pd.DataFrame,
    paths: list[str],
    file: NDArray[np.int64],
    row: NDArray[np.int64],
) -> pd.DataFrame:
    """One row per replaced row: where the old and the new one stand, and whose they are."""
    if changed.empty:
        return without_rows(_KINDS_OF_CHANGES)
    at, by = changed["at"].to_numpy(dtype=np.int64), changed["by"].to_numpy(dtype=np.int64)
    named = np.array(paths, dtype=object)
    out = pd.DataFrame(
        {
            "record": source.record,
            "source": source.name,
            "file": named[file[at]],
            "row": row[at],
            "by_file": named[file[by]],
            "by_row": row[by],
        }
    )
    for name in _ABOUT:
        out[name] = frame[name].iloc[by].to_numpy() if name in frame else ""
    dated = RECORDS[source.record].date
    typed = RECORDS[source.record].column(dated).typed if dated else ""
    known = typed in frame
    out["date"] = frame[typed].iloc[by].to_numpy() if known else np.datetime64("NaT", "s")
    return out
