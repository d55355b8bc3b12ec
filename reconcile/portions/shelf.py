"""Records that wait on disk, whole and in portions, while others are worked on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from reconcile.intake.gathered import Held, filled
from reconcile.intake.schemas import checked
from reconcile.kept import Records
from reconcile.pieces import Pile
from reconcile.portions.portion import Ints, Parts, Portion

_OPEN_FILES = 100  # at a time: systems allow some hundreds


class Shelf(Records):
    """Records by name, some of them on disk: those are read anew each time they are asked for."""

    folder: Path
    at_once = 1 << 17
    files_at_once = 1

    def __init__(self, names: Sequence[str], folder: Path) -> None:
        """Records of these names go on disk when they are added, others stay in memory."""
        super().__init__({})
        self._names, self.folder = names, folder
        self._files: dict[str, list[Pile]] = {}
        self._others = Held()

    def add(self, record: str, rows: pd.DataFrame) -> None:
        """Take the next rows of a record."""
        if record not in self._names:
            self._others.add(record, rows)
            return
        files = self._files.setdefault(record, [])
        rows = checked(record, filled(record, rows))
        if not files or files[-1].columns != list(rows):  # another source may bring other columns
            files.append(Pile(self.folder / f"{record}-{len(files)}.arrow", self.at_once))
        files[-1].add(rows)

    def records(self) -> Shelf:
        """Everything that was taken; nothing is added after that."""
        self._held = dict(self._others.records())
        for record, files in self._files.items():
            if len(files) > 1:
                self._files[record] = [self._in_one(record, files)]
        return self

    def _in_one(self, record: str, files: list[Pile]) -> Pile:
        """The rows of several sources in one file, with the columns of all."""
        some = [next(one.pieces()) for one in files]
        kinds = {str(name): each[name].dtype for each in some for name in each}
        gaps = {
            name: "boolean" if pd.api.types.is_bool_dtype(kind) else kind
            for name, kind in kinds.items()
        }
        whole = Pile(self.folder / f"{record}.arrow", self.at_once)
        for one in files:
            for piece in one.pieces():
                lacking = {name: kind for name, kind in gaps.items() if name not in piece}
                blank = {n: pd.Series(index=piece.index, dtype=k) for n, k in lacking.items()}
                whole.add(checked(record, filled(record, piece.assign(**blank)[list(kinds)])))
            one.path.unlink()
        return whole

    def __getitem__(self, name: str) -> pd.DataFrame:
        """The whole record."""
        return self._files[name][0].whole() if name in self._files else self._held[name]

    def __iter__(self) -> Iterator[str]:
        """The names of the records."""
        return iter([*self._files, *self._held])

    def __len__(self) -> int:
        """How many records there are."""
        return len(self._files) + len(self._held)

    def counts(self) -> dict[str, int]:
        """How many rows each record has."""
        return {name: len(files[0]) for name, files in self._files.items()} | super().counts()

    def pieces(self, name: str, wanted: Sequence[str] | None = None) -> Iterator[pd.DataFrame]:
        """A record from its first row to its last, or those of some columns that it has."""
        if name in self._files:
            return self._files[name][0].pieces(wanted)
        return super().pieces(name, wanted)

    def parted(
        self, parts: Parts, groups: Mapping[str, NDArray[np.integer]], place: Ints, count: int
    ) -> Parted:
        """Write ``count`` portions in the place of any before; ``place`` tells each group's."""
        others = {key: part for key, part in parts.items() if key[0] not in groups}
        kept = [_Kept({}, dict(others)) for _ in range(count)]
        for name, group in groups.items():
            mine = place[group].astype(np.int32)
            files = [Pile(self.folder / f"{at}-{name}.arrow", self.at_once) for at in range(count)]
            for first in range(0, count, _OPEN_FILES):
                self._deal(name, group, mine, dict(list(enumerate(files))[first:][:_OPEN_FILES]))
            for portion, file in zip(kept, files, strict=True):
                portion.files[name] = file
            for key in parts:
                if key[0] == name:
                    for at, part in enumerate(_parts_of(parts[key], mine, count)):
                        kept[at].parts[key] = part
        filled_ones = [one for one in kept if any(len(file) for file in one.files.values())]
        return Parted(filled_ones or kept[:1], self._held)

    def _deal(
        self,
        name: str,
        group: NDArray[np.integer],
        mine: NDArray[np.int32],
        files: Mapping[int, Pile],
    ) -> None:
        """Write the rows of a record into the files of some portions; ``mine`` tells each row's."""
        start = 0
        for piece in self._files[name][0].tables():
            here = slice(start, start + len(piece))
            order = np.argsort(mine[here], kind="stable")
            place = pa.array(np.arange(here.start, here.stop))
            rows = piece.append_column("place", place).append_column("group", pa.array(group[here]))
            rows, owner = rows.take(pa.array(order)), mine[here][order]
            for at, file in files.items():
                begin, end = np.searchsorted(owner, [at, at + 1])
                if begin < end or not start:  # the first piece tells the columns
                    file.put(rows.slice(begin, end - begin))
            start = here.stop
        for file in files.values():
            file.close()


@dataclass(frozen=True)
class _Kept:
    """A portion on disk: the file of each record, and the references in cells of several."""

    files: dict[str, Pile]
    parts: dict[tuple[str, str], pd.DataFrame]


class Parted(Sequence[Portion]):
    """Portions whose rows wait on disk; one at a time is read when it is asked for."""

    def __init__(self, kept: list[_Kept], others: Mapping[str, pd.DataFrame]) -> None:
        """``others``: the records that all portions share."""
        self._kept, self._others = kept, others

    def __len__(self) -> int:
        """How many portions have any row; one where there is no row at all."""
        return len(self._kept)

    def __getitem__(self, at: int) -> Portion:  # type: ignore[override]  # no slices
        """A portion with its rows."""
        records, rows, groups = dict(self._others), {}, {}
        for name, file in self._kept[at].files.items():
            frame = file.whole()
            rows[name] = frame.pop("place").to_numpy(np.int64)
            groups[name] = frame.pop("group").to_numpy(np.int64)
            records[name] = frame
        return Portion(records, self._kept[at].parts, rows, groups)


def _parts_of(part: pd.DataFrame, mine: NDArray[np.int32], count: int) -> Iterator[pd.DataFrame]:
    """References by portion, with the numbers that their rows have there."""
    order = np.argsort(mine, kind="stable")
    begin = np.concatenate([[0], np.cumsum(np.bincount(mine, minlength=count))])
    nth = np.empty(len(mine), dtype=np.int64)
    nth[order] = np.arange(len(mine)) - begin[mine[order]]
    row = part["row_id"].to_numpy(np.int64)
    owner = mine[row]
    by_portion = np.argsort(owner, kind="stable")
    ends = np.searchsorted(owner[by_portion], np.arange(count + 1))
    moved = part.assign(row_id=nth[row])
    for at in range(count):
        yield moved.take(by_portion[ends[at] : ends[at + 1]]).reset_index(drop=True)
