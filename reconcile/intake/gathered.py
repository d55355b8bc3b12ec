"""The rows of all sources of a record type as one frame, and what their money adds up to."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np
import pandas as pd

from reconcile.intake.columns import stacked
from reconcile.intake.fates import SourceRows
from reconcile.intake.rejected import NAMES
from reconcile.intake.schemas import checked
from reconcile.kept import Records
from reconcile.records import RECORDS


class Gathers(Protocol):
    """Takes the accepted rows of all sources, piece by piece, and gives them back by record."""

    at_once: int  # rows of a file that are typed at once
    files_at_once: int  # how many are cut up at a time

    def add(self, record: str, rows: pd.DataFrame) -> None:
        """Take the next rows of a record; those of a source follow each other."""

    def records(self) -> Records:
        """Everything that was taken, once nothing more comes."""


class Held:
    """Rows in memory: each file is typed as a whole, the fastest way."""

    at_once = sys.maxsize
    files_at_once = 2

    def __init__(self) -> None:
        self._taken: dict[str, list[pd.DataFrame]] = {}

    def add(self, record: str, rows: pd.DataFrame) -> None:
        """Take the next rows of a record."""
        self._taken.setdefault(record, []).append(rows)

    def records(self) -> Records:
        """Everything that was taken."""
        frames = {}
        while self._taken:
            record = next(iter(self._taken))
            frames[record] = checked(record, filled(record, stacked(self._taken.pop(record))))
        return Records(frames)


def filled(record: str, frame: pd.DataFrame) -> pd.DataFrame:
    """A column that only some sources bring reads as blank in the others."""
    for column in RECORDS[record].columns:
        if column.typed not in frame:
            continue
        if frame[column.typed].dtype == "str":
            blank = column.words[0] if column.words else ""
            frame[column.typed] = frame[column.typed].fillna(blank)
        elif column.kind == "flag":
            frame[column.typed] = frame[column.typed].fillna(value=False).astype(bool)
    for name in ("by_suffix", "tracking_damaged"):  # found in texts, no columns of a record
        if name in frame and frame[name].dtype == object:
            frame[name] = frame[name].astype("boolean")
    keys = [str(name) for name in frame if str(name).endswith("_key")]
    frame[keys] = frame[keys].fillna("")
    return frame


def one_file(record: str, blocks: Sequence[SourceRows]) -> SourceRows:
    """What was settled block by block of one file, without its accepted rows, as if at once."""
    if len(blocks) == 1:
        return blocks[0]
    columns = RECORDS[record].columns
    named = sorted(columns, key=lambda column: column.kind != "currency")  # as they are typed
    rank = {column.name: at for at, column in enumerate(named)}
    notes = pd.concat([block.notes for block in blocks], ignore_index=True)
    counts = {fate: sum(b.counts[0][fate] for b in blocks) for fate in blocks[0].counts[0]}
    originals = [one for block in blocks for one in block.originals]
    rows = pd.concat([one.rows for one in originals], ignore_index=True) if originals else None
    whole = replace(
        one_source(blocks),
        counts=[counts],
        notes=_in_order(notes.assign(rank=notes["column"].map(rank)), ["rank", "why"]),
    )
    return whole if rows is None else replace(whole, originals=[replace(originals[0], rows=rows)])


def one_source(files: Sequence[SourceRows]) -> SourceRows:
    """What was settled of the files of a source, in their order."""
    names = files[0].rejected_names
    if len(files) > 1:
        names = pd.concat([one.rejected_names for one in files], ignore_index=True)
        names = _in_order(names.assign(rank=names["column"].map(_OF_NAMES)), ["rank"])
    rejected = pd.concat([one.rejected for one in files], ignore_index=True)
    return SourceRows(
        accepted=files[0].accepted,
        size=sum(one.size for one in files),
        parts=stacked_parts(files),
        counts=[counts for one in files for counts in one.counts],
        rejected=rejected.sort_values(["file", "row"], ignore_index=True),
        originals=[original for one in files for original in one.originals],
        notes=pd.concat([one.notes for one in files], ignore_index=True),
        rejected_names=names,
        brought=frozenset.intersection(*(one.brought for one in files)),
    )


_OF_NAMES = {name: at for at, name in enumerate(NAMES)}


def _in_order(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Rows in the order that they have when they are found at once, without their rank."""
    return rows.sort_values(by, kind="stable", ignore_index=True).drop(columns="rank")


def stacked_parts(several: Sequence[SourceRows]) -> dict[str, pd.DataFrame]:
    """References of cells that hold several, with the numbers of their rows in all together."""
    start, moved = 0, dict[str, list[pd.DataFrame]]()
    for rows in several:
        for name, part in rows.parts.items():
            moved.setdefault(name, []).append(part.assign(row_id=part["row_id"] + start))
        start += rows.size
    return {name: pd.concat(pieces, ignore_index=True) for name, pieces in moved.items()}


def sums_by_file(records: Records, files: pd.DataFrame) -> pd.DataFrame:
    """Money of the accepted rows: per file, money column and currency, rows and sum."""
    pieces = [
        piece
        for record in records
        for frame in records.pieces(record, _added_up(record))
        for piece in _sums(record, frame)
    ]
    empty = pd.DataFrame(columns=["file", "currency", "rows", "sum_minor", "column"])
    sums = pd.concat(pieces, ignore_index=True) if pieces else empty
    by = ["file", "currency", "column"]
    sums = sums.groupby(by, as_index=False)[["rows", "sum_minor"]].sum() if pieces else sums
    place = files[["source", "record", "file"]].rename(columns={"file": "path"})
    sums = sums.merge(place, left_on="file", right_index=True)
    sums["file"] = sums["path"]
    sums["sum_minor"] = sums["sum_minor"].astype("Int64")
    names = ["source", "record", "file", "column", "currency"]
    return sums[[*names, "rows", "sum_minor"]].sort_values(names, ignore_index=True)


def _added_up(record: str) -> list[str]:
    money = [column.typed for column in RECORDS[record].columns if column.kind == "money"]
    return ["file", "currency", *money] if money else []


def _sums(record: str, frame: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """The same of some rows of a record."""
    money = [column for column in RECORDS[record].columns if column.kind == "money"]
    money = [column for column in money if column.typed in frame]
    if not money or frame.empty:
        return
    code, currencies = pd.factorize(frame["currency"], sort=True)
    group = frame["file"].to_numpy() * len(currencies) + code
    many = int(group.max()) + 1
    for column in money:
        known = frame[column.typed].notna().to_numpy()
        total = np.zeros(many, dtype=np.int64)
        np.add.at(total, group, frame[column.typed].to_numpy(dtype=np.int64, na_value=0))
        rows = np.bincount(group[known], minlength=many)
        at = np.flatnonzero(rows)
        file, which = np.divmod(at, len(currencies))
        piece = {"file": file, "currency": currencies[which], "rows": rows[at]}
        yield pd.DataFrame(piece | {"sum_minor": total[at], "column": column.name})
