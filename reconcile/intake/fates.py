"""The fate of every row of a source: repeat, rejected, later or accepted, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.intake.coded import Bools, Coded
from reconcile.intake.columns import picked
from reconcile.intake.late import Late, not_yet_known
from reconcile.intake.read import Read
from reconcile.intake.rejected import (
    Original,
    originals,
    placed,
    read_of,
    rejected_names,
    rejected_rows,
)
from reconcile.joined import beside_each_other
from reconcile.records import RECORDS, Record
from reconcile.shop import Source

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Place:
    """A file's number, and its rank among the files of its source, 0 the newest."""

    file: int
    age: int


@dataclass(frozen=True)
class SourceRows:
    """The rows of a source, or of a part of it, settled; ``counts``: rows by fate, by file.

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
    brought: frozenset[str]


def settle(
    source: Source,
    read: Read,
    place: Place,
    as_of: np.datetime64,
    shown: tuple[Bools, Bools],
    late: Late,
) -> SourceRows:
    """Settle every row of a file, or of a block of it.

    ``shown``: rows that another file shows too, as they are or with other content. ``late``:
    orders with a date after the run's. The typed rows go over to what is returned, so that they
    are there once.
    """
    record, typed, row = RECORDS[source.record], read.typed, read.table.rows
    frame, rejects, notes = typed.frame, typed.rejects, typed.notes
    repeat, old = shown
    rejected = np.zeros(len(frame), dtype=bool)
    rejected[rejects["at"]] = True
    rejected &= ~repeat
    later = after(record, frame, as_of) & ~repeat & ~rejected
    accepted = ~(repeat | old | rejected | later)
    fates = {"repeats": repeat | old, "rejected": rejected, "later": later, "accepted": accepted}
    told = rejects[rejected[rejects["at"]]].sort_values("at")
    known = read_of(record, frame, told["at"].to_numpy(dtype=np.int64))
    told = told.assign(**{str(name): known[name].array for name in known})
    frame = not_yet_known(record, frame, as_of, late)
    return SourceRows(
        rejected_names=rejected_names(source, frame, rejected, typed.parts, place.file, row),
        accepted=_with_places(picked(frame, accepted), source.name, place, row[accepted]),
        size=int(accepted.sum()),
        parts=_accepted_parts(typed.parts, accepted),
        counts=[_counts(read, fates)],
        rejected=rejected_rows(source, read, told),
        originals=originals(source, read, rejected),
        notes=placed(source, read, notes[accepted[notes["at"]]]),
        brought=frozenset(read.columns),
    )


def _with_places(frame: pd.DataFrame, source: str, place: Place, row: Ints) -> pd.DataFrame:
    """The rows with their places; what is the same in all rows is held once."""
    count = len(frame)
    places = {
        "source": Coded.constant(source, count).series(),
        "file": np.broadcast_to(np.int64(place.file), count),
        "row": row,
        "age": np.broadcast_to(np.int64(place.age), count),
    }
    return beside_each_other({str(name): frame[name] for name in frame} | places)


def after(record: Record, frame: pd.DataFrame, as_of: np.datetime64) -> Bools:
    """Rows that are dated after the run's date."""
    if not record.date:
        return np.zeros(len(frame), dtype=bool)
    return np.asarray(frame[record.column(record.date).typed].to_numpy() > as_of)


def _accepted_parts(parts: Mapping[str, pd.DataFrame], accepted: Bools) -> dict[str, pd.DataFrame]:
    position = np.cumsum(accepted) - 1
    kept = {}
    for name, part in parts.items():
        stands = part[accepted[part["at"]]]
        kept[name] = pd.DataFrame(
            {"row_id": position[stands["at"]], "ref": stands["ref"], "key": stands["key"]}
        )
    return kept


def _counts(read: Read, fates: Mapping[str, Bools]) -> dict[str, int]:
    counts = {fate: int(mask.sum()) for fate, mask in fates.items()}
    counts["rejected"] += len(read.table.ragged)
    table, aside = read.table, read.aside
    aside = {"header": aside["header"], "blank": table.blank, "totals": aside["totals"]}
    return {"rows": read.aside["above"] + table.total} | aside | counts
