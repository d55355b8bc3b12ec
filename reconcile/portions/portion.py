"""Whole groups of orders with all their rows: how a shop is parted and put together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Parts = Mapping[tuple[str, str], pd.DataFrame]


@dataclass(frozen=True)
class Portion:
    """Whole groups of orders with their rows, and the records that all orders share.

    ``rows``: by record the row numbers that its rows have in the whole records. ``groups``: the
    group of each of those rows, -1 for none.
    """

    records: Mapping[str, pd.DataFrame]
    parts: Parts
    rows: Mapping[str, Ints]
    groups: Mapping[str, Ints]

    @property
    def has_rows(self) -> bool:
        """Whether there is anything to match."""
        return any(len(row) for row in self.rows.values())

    def only(self, keep: Mapping[str, Bools]) -> Portion:
        """Some of the rows of the records that are parted."""
        at = {name: np.flatnonzero(mask) for name, mask in keep.items()}
        records = {
            name: rows_of(frame, at[name]) if name in at else frame
            for name, frame in self.records.items()
        }
        return Portion(
            records=records,
            parts=parts_of(self.parts, keep),
            rows={name: row[at[name]] for name, row in self.rows.items()},
            groups={name: group[at[name]] for name, group in self.groups.items()},
        )


def whole(records: Mapping[str, pd.DataFrame], parts: Parts, groups: Mapping[str, Ints]) -> Portion:
    """The whole shop as one portion; ``groups`` of the rows of the records that are parted."""
    rows = {name: np.arange(len(group)) for name, group in groups.items()}
    return Portion(records, parts, rows, groups)


def rows_of(frame: pd.DataFrame, rows: Ints) -> pd.DataFrame:
    """Some of the rows of a record, numbered anew."""
    return frame.take(rows).reset_index(drop=True)


def parts_of(parts: Parts, keep: Mapping[str, Bools]) -> dict[tuple[str, str], pd.DataFrame]:
    """References of the rows that are kept, with the numbers that those have then."""
    found = dict(parts)
    for key, part in parts.items():
        mask = keep.get(key[0])
        if mask is not None:
            row = part["row_id"].to_numpy(np.int64)
            moved = part.assign(row_id=(np.cumsum(mask) - 1)[row])
            found[key] = moved[mask[row]].reset_index(drop=True)
    return found


def joined(portions: list[Portion]) -> Portion:
    """Portions as one, its rows in the order that they have in the whole records."""
    first = portions[0]
    rows = {name: np.concatenate([each.rows[name] for each in portions]) for name in first.rows}
    groups = {name: np.concatenate([each.groups[name] for each in portions]) for name in rows}
    order = {name: np.argsort(row) for name, row in rows.items()}
    records, parts = dict(first.records), dict(first.parts)
    for name, place in order.items():
        records[name] = rows_of(_below([each.records[name] for each in portions]), place)
        for key in [key for key in parts if key[0] == name]:
            parts[key] = _reordered([each.parts[key] for each in portions], portions, place)
    return Portion(
        records,
        parts,
        {name: row[order[name]] for name, row in rows.items()},
        {name: group[order[name]] for name, group in groups.items()},
    )


def _below(frames: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)] or frames[:1]
    return pd.concat(filled, ignore_index=True)


def _reordered(parts: list[pd.DataFrame], portions: list[Portion], place: Ints) -> pd.DataFrame:
    """References of payments by the rows' new numbers, in order; those of a row as they were."""
    start, moved = 0, []
    for part, portion in zip(parts, portions, strict=True):
        moved.append(part.assign(row_id=part["row_id"] + start))
        start += len(portion.rows["payments"])
    new = np.empty(len(place), dtype=np.int64)
    new[place] = np.arange(len(place))
    every = _below(moved)
    every["row_id"] = new[every["row_id"].to_numpy(np.int64)]
    return every.sort_values("row_id", kind="stable", ignore_index=True)


def hand_out(shared: Bools, count: int) -> Ints:
    """The portion of each group: in turn; of those that look at others, and of no group, the last.

    ``shared`` are the groups that look at others. The number behind all groups is for no group.
    """
    place = np.arange(len(shared), dtype=np.int64) % count
    place[shared] = count
    return np.append(place, count)


def size_of(groups: Mapping[str, Ints]) -> int:
    """How many groups there are."""
    return max((int(group.max(initial=-1)) + 1 for group in groups.values()), default=0)


def parted(one: Portion, place: Ints, count: int) -> Iterator[Portion]:
    """The portions 0 to ``count`` - 1 that have any row, where ``place`` tells each group's."""
    for number in range(count):
        portion = one.only({name: place[group] == number for name, group in one.groups.items()})
        if portion.has_rows:
            yield portion
