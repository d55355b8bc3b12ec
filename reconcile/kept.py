"""The rows that were read, by record: in memory, or on disk and read piece by piece."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pandas as pd


class Records(Mapping[str, pd.DataFrame]):
    """Records by name, in memory. What holds them on disk is used in the same way.

    ``folder`` is where they are on disk, and where what is as large as they are may be put too.
    """

    folder: Path | None = None

    def __init__(self, frames: Mapping[str, pd.DataFrame]) -> None:
        """``frames``: one by record."""
        self._held = dict(frames)

    def __getitem__(self, name: str) -> pd.DataFrame:
        """The whole record."""
        return self._held[name]

    def __iter__(self) -> Iterator[str]:
        """The names of the records."""
        return iter(self._held)

    def __len__(self) -> int:
        """How many records there are."""
        return len(self._held)

    def counts(self) -> dict[str, int]:
        """How many rows each record has."""
        return {name: len(frame) for name, frame in self._held.items()}

    def pieces(self, name: str, wanted: Sequence[str] | None = None) -> Iterator[pd.DataFrame]:
        """A record from its first row to its last, or those of some columns that it has.

        Nothing where there is no such record; where it has no row, one piece without rows.
        """
        if name in self._held:
            frame = self._held[name]
            yield frame if wanted is None else frame[[each for each in wanted if each in frame]]
