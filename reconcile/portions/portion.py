"""Whole groups of orders with all their rows: how a shop is parted, and kept on disk meanwhile."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.feather
from numpy.typing import NDArray

from reconcile.intake.load import Intake

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
    def size(self) -> int:
        """One more than the highest number of a group."""
        return max((int(group.max(initial=-1)) + 1 for group in self.groups.values()), default=0)

    def only(self, keep: Mapping[str, Bools]) -> Portion:
        """Some of the rows of the records that are parted."""
        at = {name: np.flatnonzero(mask) for name, mask in keep.items()}
        records = {
            name: frame.take(at[name]).reset_index(drop=True) if name in at else frame
            for name, frame in self.records.items()
        }
        return Portion(
            records=records,
            parts={key: _chosen(part, keep.get(key[0])) for key, part in self.parts.items()},
            rows={name: row[at[name]] for name, row in self.rows.items()},
            groups={name: group[at[name]] for name, group in self.groups.items()},
        )


def _chosen(part: pd.DataFrame, keep: Bools | None) -> pd.DataFrame:
    """References of the rows that are kept, with the numbers that those have then."""
    if keep is None:
        return part
    row = part["row_id"].to_numpy(np.int64)
    place = np.cumsum(keep) - 1
    return pd.DataFrame(part.assign(row_id=place[row])[keep[row]].reset_index(drop=True))


def whole(intake: Intake, groups: Mapping[str, Ints]) -> Portion:
    """The whole shop as one portion; ``groups`` of the rows of the records that are parted."""
    rows = {name: np.arange(len(group)) for name, group in groups.items()}
    return Portion(intake.records, intake.parts, rows, groups)


def joined(portions: list[Portion]) -> Portion:
    """Portions as one, its rows in the order that they have in the whole records."""
    first = portions[0]
    if len(portions) == 1:
        return first
    starts: dict[str, list[int]] = {
        name: np.cumsum([0, *(len(each.rows[name]) for each in portions)]).tolist()
        for name in first.rows
    }
    rows = {name: np.concatenate([each.rows[name] for each in portions]) for name in first.rows}
    groups = {name: np.concatenate([each.groups[name] for each in portions]) for name in rows}
    order = {name: np.argsort(row) for name, row in rows.items()}
    records, parts = dict(first.records), dict(first.parts)
    for name, place in order.items():
        frames = [each.records[name] for each in portions]
        records[name] = _below(frames).take(place).reset_index(drop=True)
        for key in [key for key in parts if key[0] == name]:
            moved = [
                each.parts[key].assign(row_id=each.parts[key]["row_id"] + start)
                for each, start in zip(portions, starts[name], strict=False)
            ]
            parts[key] = _reordered(_below(moved), place)
    return Portion(
        records,
        parts,
        {name: row[order[name]] for name, row in rows.items()},
        {name: group[order[name]] for name, group in groups.items()},
    )


def _below(frames: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)] or frames[:1]
    return pd.concat(filled, ignore_index=True)


def _reordered(part: pd.DataFrame, place: Ints) -> pd.DataFrame:
    """References by the rows' new numbers, those of one row in the order that they had."""
    new = np.empty(len(place), dtype=np.int64)
    new[place] = np.arange(len(place))
    return part.assign(row_id=new[part["row_id"].to_numpy(np.int64)]).sort_values(
        "row_id", kind="stable", ignore_index=True
    )


def hand_out(shared: Bools, count: int) -> Ints:
    """The portion of each group: in turn; of those that look at others, and of no group, the last.

    ``shared`` are the groups that look at others. The number behind all groups is for no group.
    """
    place = np.arange(len(shared), dtype=np.int64) % count
    place[shared] = count
    return np.append(place, count)


def parted(one: Portion, place: Ints, count: int) -> Iterator[Portion]:
    """The portions 0 to ``count`` - 1 that have any row, where ``place`` tells each group's."""
    at = {name: place[group] for name, group in one.groups.items()}
    for number in range(count):
        keep = {name: mine == number for name, mine in at.items()}
        if any(mask.any() for mask in keep.values()):
            yield one.only(keep)


class Shelf(Sequence[Portion]):
    """Portions on disk, as Arrow files in a folder that is the shelf's own."""

    def __init__(self, folder: Path) -> None:
        """Nothing is on it yet."""
        self._folder = folder
        self._kept: list[Portion] = []

    @staticmethod
    def of(portions: Iterable[Portion], folder: Path) -> Shelf:
        """A shelf with these portions on it."""
        shelf = Shelf(folder)
        for portion in portions:
            shelf.put(portion)
        return shelf

    def __len__(self) -> int:
        """How many portions were put on it."""
        return len(self._kept)

    def put(self, portion: Portion) -> None:
        """Keep a portion: the rows of records that are parted on disk, what all share in memory."""
        number = len(self._kept)
        for name in portion.rows:
            self._write(f"{number}-{name}", portion.records[name])
        for record, column in _of_rows(portion):
            self._write(f"{number}-{record}-{column}", portion.parts[record, column])
        shared = {
            name: frame for name, frame in portion.records.items() if name not in portion.rows
        }
        mine = set(_of_rows(portion))
        parts = {key: part for key, part in portion.parts.items() if key not in mine}
        self._kept.append(Portion(shared, parts, portion.rows, portion.groups))

    def __getitem__(self, number: int) -> Portion:  # type: ignore[override]
        """A portion as it was put."""
        kept = self._kept[number]
        records = {name: self._read(f"{number}-{name}") for name in kept.rows}
        names = sorted(path.stem.split("-", 2) for path in self._folder.glob(f"{number}-*-*.arrow"))
        parts = {
            (record, column): self._read(f"{number}-{record}-{column}")
            for _, record, column in names
        }
        return Portion(
            dict(kept.records) | records, dict(kept.parts) | parts, kept.rows, kept.groups
        )

    def _write(self, name: str, frame: pd.DataFrame) -> None:
        pyarrow.feather.write_feather(frame, self._folder / f"{name}.arrow", compression="lz4")

    def _read(self, name: str) -> pd.DataFrame:
        path = self._folder / f"{name}.arrow"
        frame: pd.DataFrame = pyarrow.feather.read_feather(path, memory_map=False)
        return frame


def _of_rows(portion: Portion) -> list[tuple[str, str]]:
    return [key for key in portion.parts if key[0] in portion.rows]
