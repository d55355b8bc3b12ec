"""The fate of every row of a source: repeat, rejected, later or accepted, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.intake.coded import Bools, Coded
from reconcile.intake.columns import picked, stacked
from reconcile.intake.late import Late, not_yet_known
from reconcile.intake.read import Read, all_parts
from reconcile.intake.rejected import Original, originals, placed, rejected_names, rejected_rows
from reconcile.intake.repeats import repeated, superseded
from reconcile.intake.sameness import Compared, compared, file_ages
from reconcile.intake.unsaid import fuller
from reconcile.records import RECORDS, Record
from reconcile.shop import Source

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class SourceRows:
    """The rows of one source, settled; ``counts`` holds the rows by fate of each file.

    ``size`` is how many are accepted: those may have been taken over already.
    ``rejected`` has one row per rejected row; ``originals`` the rows themselves. ``notes`` has
    the cells that were read as nothing.
    """

    accepted: pd.DataFrame
    size: int
    parts: dict[str, pd.DataFrame]
    counts: list[dict[str, int]]
    rejected: pd.DataFrame
    originals: list[Original]
    notes: pd.DataFrame
    rejected_names: pd.DataFrame
    changes: pd.DataFrame
    brought: frozenset[str]


def settle(
    source: Source,
    read: Sequence[Read],
    first: int,
    as_of: np.datetime64,
    late: Late | None = None,
) -> SourceRows:
    """Settle every row of a source's files; ``first`` numbers the first of them.

    A single file may come block by block; ``late`` are then the orders of all of it with dates
    after the run's. The typed rows go over from the tables to what is returned, so that they are
    there once.
    """
    record = RECORDS[source.record]
    frame, rejects, notes = _together(read)
    file = np.repeat(np.arange(len(read)), [len(one.table.rows) for one in read])
    row = np.concatenate([one.table.rows for one in read])
    age = file_ages(record, frame, file, read, as_of)
    bad = np.zeros(len(frame), dtype=bool)
    bad[rejects["at"]] = True
    same = compared(record, read, frame, bad) if len(read) > 1 else None
    repeat = repeated(same.row(), file, age) if same else np.zeros(len(frame), dtype=bool)
    rejected = bad & ~repeat
    later = _after(record, frame, as_of) & ~repeat & ~rejected
    old, changed = _replaced(same, frame, age, ~repeat & ~rejected & ~later)
    accepted = ~(repeat | old | rejected | later)
    fates = {"repeats": repeat | old, "rejected": rejected, "later": later, "accepted": accepted}
    frame = not_yet_known(record, frame, as_of, late)
    told = rejects[rejected[rejects["at"]]].sort_values("at")
    names = rejected_names(source, frame, rejected, all_parts(read), file + first, row)
    changes = _changes(source, frame, changed, [one.path for one in read], file, row)
    kept = picked(frame, accepted)
    return SourceRows(
        accepted=_with_places(kept, source.name, file[accepted], first, row[accepted], age),
        size=int(accepted.sum()),
        parts=_accepted_parts(read, accepted),
        counts=[_counts(number, one, file, fates) for number, one in enumerate(read)],
        rejected=rejected_rows(source, read, told, file, row),
        originals=originals(source, read, rejected, file),
        notes=placed(source, read, notes[accepted[notes["at"]]], file, row),
        rejected_names=names,
        changes=changes,
        brought=frozenset.intersection(*(frozenset(one.columns) for one in read)),
    )


def _replaced(
    same: Compared | None, frame: pd.DataFrame, age: NDArray[np.int64], standing: Bools
) -> tuple[Bools, pd.DataFrame]:
    """Rows that another file shows too, and those of them that it shows with other content."""
    old = np.zeros(len(frame), dtype=bool)
    if same is None:
        return old, pd.DataFrame({"at": [], "by": []}).astype("int64")
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


def _with_places(
    frame: pd.DataFrame, source: str, file: Ints, first: int, row: Ints, age: Ints
) -> pd.DataFrame:
    """The rows with their places; what is the same in all rows is held once."""
    count, alone = len(frame), len(age) == 1
    places = {
        "source": Coded.constant(source, count).series(),
        "file": np.broadcast_to(np.int64(first), count) if alone else file + first,
        "row": row,
        "age": np.broadcast_to(age[0], count) if alone else age[file],
    }
    columns = {str(name): frame[name] for name in frame}
    columns |= {name: pd.Series(values, copy=False) for name, values in places.items()}
    return pd.DataFrame(columns, copy=False)


def _together(read: Sequence[Read]) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """The rows of all tables, which leave them, and what is said of their cells."""
    frame = stacked([one.typed.frame for one in read])
    start, rejects, notes = 0, [], []
    for one in read:
        rejects.append(one.typed.rejects.assign(at=one.typed.rejects["at"] + start))
        notes.append(one.typed.notes.assign(at=one.typed.notes["at"] + start))
        start += len(one.table.rows)
    return frame, pd.concat(rejects, ignore_index=True), pd.concat(notes, ignore_index=True)


def _after(record: Record, frame: pd.DataFrame, as_of: np.datetime64) -> NDArray[np.bool_]:
    if not record.date:
        return np.zeros(len(frame), dtype=bool)
    return np.asarray(frame[record.column(record.date).typed].to_numpy() > as_of)


def _accepted_parts(read: Sequence[Read], accepted: NDArray[np.bool_]) -> dict[str, pd.DataFrame]:
    position = np.cumsum(accepted) - 1
    kept = {}
    for name, part in all_parts(read).items():
        stands = part[accepted[part["at"]]]
        kept[name] = pd.DataFrame(
            {"row_id": position[stands["at"]], "ref": stands["ref"], "key": stands["key"]}
        )
    return kept


def _counts(
    number: int, one: Read, file: NDArray[np.int64], fates: dict[str, NDArray[np.bool_]]
) -> dict[str, int]:
    counts = {fate: int(mask[file == number].sum()) for fate, mask in fates.items()}
    counts["rejected"] += len(one.table.ragged)
    aside = {"header": one.aside["header"], "blank": one.table.blank, "totals": one.aside["totals"]}
    return {"rows": one.aside["above"] + one.table.total} | aside | counts


def _changes(
    source: Source,
    frame: pd.DataFrame,
    changed: pd.DataFrame,
    paths: list[str],
    file: NDArray[np.int64],
    row: NDArray[np.int64],
) -> pd.DataFrame:
    """One row per replaced row: where the old and the new one stand, and whose they are."""
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
    for name in ("order_ref", "sku", "supplier", "invoice_no", "payment_ref"):
        out[name] = _of_rows(frame[name], by).to_numpy() if name in frame else ""
    dated = RECORDS[source.record].date
    typed = RECORDS[source.record].column(dated).typed if dated else ""
    out["date"] = _of_rows(frame[typed], by).to_numpy() if dated else np.datetime64("NaT", "s")
    return out


def _of_rows(column: pd.Series, at: Ints) -> pd.Series:
    """Some rows of a column; for none of them, the column need not be put into one piece."""
    return column.iloc[at] if len(at) else column.iloc[:0]
