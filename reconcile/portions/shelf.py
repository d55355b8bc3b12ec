"""Records that wait on disk, whole and in portions, while others are worked on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.feather
import pyarrow.ipc

from reconcile.errors import FaultError
from reconcile.portions.portion import Bools, Ints, Parts, Portion


class Shelf(Mapping[str, pd.DataFrame]):
    """Records by name, some of them on disk: those are read anew each time they are asked for."""

    def __init__(
        self, records: dict[str, pd.DataFrame], names: Sequence[str], folder: Path
    ) -> None:
        """Put the records of these names on disk, out of ``records``."""
        self._folder = folder
        self._rows = {name: len(records[name]) for name in names if name in records}
        for name in self._rows:
            _write(records.pop(name), folder / f"{name}.arrow")
        self._held = records

    def __getitem__(self, name: str) -> pd.DataFrame:
        """The whole record."""
        on_disk = name in self._rows
        return _load(self._folder / f"{name}.arrow") if on_disk else self._held[name]

    def __iter__(self) -> Iterator[str]:
        """The names of the records."""
        return iter([*self._rows, *self._held])

    def __len__(self) -> int:
        """How many records there are."""
        return len(self._rows) + len(self._held)

    def columns(self, name: str, wanted: Sequence[str]) -> pd.DataFrame | None:
        """Those of some columns that a record on disk has; None where there is no such record."""
        return _load(self._folder / f"{name}.arrow", wanted) if name in self._rows else None

    def counts(self) -> dict[str, int]:
        """How many rows each record has."""
        return self._rows | {name: len(frame) for name, frame in self._held.items()}

    def parted(self, parts: Parts, groups: Mapping[str, Ints], place: Ints, count: int) -> Parted:
        """Write ``count`` portions in the place of any before; ``place`` tells each group's."""
        at = {name: place[group] for name, group in groups.items()}
        kept = []
        for number in range(count):
            keep = {name: mine == number for name, mine in at.items()}
            rows = {name: np.flatnonzero(mask) for name, mask in keep.items()}
            mine_of = {name: groups[name][row] for name, row in rows.items()}
            kept.append(Portion(self._held, _parts_of(parts, keep), rows, mine_of))
        for name in groups:
            frame = self[name]
            for number, portion in enumerate(kept):
                rows_of = frame.take(portion.rows[name]).reset_index(drop=True)
                _write(rows_of, self._folder / _named(number, name))
        filled = [(at, one) for at, one in enumerate(kept) if one.has_rows]
        return Parted(filled or [(0, kept[0])], self._folder)


class Parted(Sequence[Portion]):
    """Portions whose rows wait on disk; one at a time is read when it is asked for."""

    def __init__(self, kept: list[tuple[int, Portion]], folder: Path) -> None:
        """``kept``: the number of each, and what of it stays in memory."""
        self._kept, self._folder = kept, folder

    def __len__(self) -> int:
        """How many portions have any row; one where there is no row at all."""
        return len(self._kept)

    def __getitem__(self, at: int) -> Portion:  # type: ignore[override]  # no slices
        """A portion with its rows."""
        number, kept = self._kept[at]
        records = {name: _load(self._folder / _named(number, name)) for name in kept.rows}
        return Portion(dict(kept.records) | records, kept.parts, kept.rows, kept.groups)


def _parts_of(parts: Parts, keep: Mapping[str, Bools]) -> dict[tuple[str, str], pd.DataFrame]:
    """References of the rows that are kept, with the numbers that those have then."""
    found = dict(parts)
    for key, part in parts.items():
        mask = keep.get(key[0])
        if mask is not None:
            row = part["row_id"].to_numpy(np.int64)
            moved = part.assign(row_id=(np.cumsum(mask) - 1)[row])
            found[key] = moved[mask[row]].reset_index(drop=True)
    return found


def _named(number: int, record: str) -> str:
    return f"{number}-{record}.arrow"


def _write(frame: pd.DataFrame, path: Path) -> None:
    try:
        pyarrow.feather.write_feather(frame, path, compression="lz4")
    except OSError as error:
        raise FaultError(
            f"{path.parent}: a portion cannot be written: {error.strerror or error}. Free some "
            "space, or name another folder for temporary files in TMPDIR."
        ) from error


def _load(path: Path, wanted: Sequence[str] | None = None) -> pd.DataFrame:
    """A file as it was written; or those of the wanted columns that it has."""
    if wanted is not None:
        with pa.OSFile(str(path)) as file:
            have = set(pa.ipc.open_file(file).schema.names)
        wanted = [name for name in wanted if name in have]
    frame: pd.DataFrame = pyarrow.feather.read_feather(path, columns=wanted, memory_map=False)
    # Texts of no rows come without any piece, which pandas cannot merge (3.1).
    empty = {str(name): pd.Series([], dtype=frame[name].dtype) for name in frame}
    return frame if len(frame) else pd.DataFrame(empty)
