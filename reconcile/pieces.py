"""Tables that are taken in pieces: rows in memory, or rows that wait on disk in Arrow files."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.ipc
from numpy.typing import NDArray

from reconcile.allocator import give_back
from reconcile.errors import FaultError

Ints = NDArray[np.int64]
_PIECE = 200_000  # rows that are in memory at once
_BATCH = 4096  # rows that are read together: a piece of the whole has a few of every file


class Pieces(ABC):
    """Rows of a table in their order; there may be more of them than fit into memory."""

    @abstractmethod
    def __len__(self) -> int:
        """How many rows there are."""

    @abstractmethod
    def pieces(self, names: Sequence[str] | None = None) -> Iterator[pd.DataFrame]:
        """All rows from the first to the last, in one piece or several, each numbered from 0.

        With all columns or some.
        """

    @abstractmethod
    def take(self, rows: NDArray[np.integer], names: Sequence[str] | None = None) -> pd.DataFrame:
        """Some rows by their numbers, in the order asked for, with all columns or some."""

    @abstractmethod
    def whole(self) -> pd.DataFrame:
        """All rows as one table, which has to fit into memory."""

    @abstractmethod
    def counts(self, name: str) -> dict[str, int]:
        """How often each text of a column occurs."""


class InMemory(Pieces):
    """A table that is in memory anyway, and so in one piece."""

    def __init__(self, frame: pd.DataFrame) -> None:
        """``frame``: numbered from 0."""
        self.frame = frame

    def __len__(self) -> int:
        """How many rows there are."""
        return len(self.frame)

    def pieces(self, names: Sequence[str] | None = None) -> Iterator[pd.DataFrame]:
        """The table."""
        yield self.frame if names is None else self.frame[[*names]]

    def take(self, rows: NDArray[np.integer], names: Sequence[str] | None = None) -> pd.DataFrame:
        """Some rows by their numbers, in the order asked for."""
        return next(self.pieces(names)).take(rows).reset_index(drop=True)

    def whole(self) -> pd.DataFrame:
        """The table."""
        return self.frame

    def counts(self, name: str) -> dict[str, int]:
        """How often each text of a column occurs."""
        found = self.frame[name].value_counts()
        return {str(text): int(count) for text, count in zip(found.index, found, strict=True)}


class Pile(Pieces):
    """Tables of the same columns on disk, one below the other, of which any rows can be read."""

    def __init__(self, folder: Path, name: str) -> None:
        """The files are made in a folder that is there; ``name`` is for them alone."""
        self._folder, self._name = folder, name
        self._ends: list[int] = []
        self._empty = pd.DataFrame()

    def __len__(self) -> int:
        """How many rows there are."""
        return self._ends[-1] if self._ends else 0

    def add(self, frame: pd.DataFrame) -> None:
        """Put rows below those that are there; FaultError where the disk does not take them."""
        if not self._ends:
            nothing = {str(name): pd.Series([], dtype=frame[name].dtype) for name in frame}
            self._empty = pd.DataFrame(nothing)
        if len(frame):
            _write(frame, self._path(len(self._ends)))
            self._ends.append(len(self) + len(frame))

    def pieces(self, names: Sequence[str] | None = None) -> Iterator[pd.DataFrame]:
        """The tables as they were added."""
        if not self._ends:
            yield self._empty if names is None else self._empty[[*names]]
        for number in range(len(self._ends)):
            yield self._all(number, names)

    def whole(self) -> pd.DataFrame:
        """All rows."""
        return pd.concat(self.pieces(), ignore_index=True)

    def counts(self, name: str) -> dict[str, int]:
        """How often each text of a column occurs."""
        found: Counter[str] = Counter()
        for number in range(len(self._ends)):
            found.update(InMemory(self._all(number, [name])).counts(name))
        return dict(found)

    def take(self, rows: NDArray[np.integer], names: Sequence[str] | None = None) -> pd.DataFrame:
        """Some rows by their numbers, in the order asked for; all columns or some, in their order.

        What is read is what lies around them: rows that are near to each other are cheap.
        """
        if not len(rows):
            return self._empty if names is None else self._empty[[*names]]
        order = np.argsort(rows, kind="stable")
        wanted = rows[order].astype(np.int64)
        starts = [0, *self._ends]
        cuts = np.searchsorted(wanted, starts)
        found = [
            self._read(number, wanted[first:end] - starts[number], names)
            for number, (first, end) in enumerate(pairwise(cuts))
            if end > first
        ]
        back = np.empty(len(order), dtype=np.int64)
        back[order] = np.arange(len(order))
        table = pa.concat_tables(found).combine_chunks()
        out: pd.DataFrame = table.take(pa.array(back)).to_pandas()
        return out

    def _read(self, number: int, rows: Ints, names: Sequence[str] | None) -> pa.Table:
        batch, row = np.divmod(rows, _BATCH)
        wanted, first = np.unique(batch, return_index=True)  # they are in order
        with self._open(number, names) as reader:
            found = [
                reader.get_batch(int(at)).take(pa.array(mine))
                for at, mine in zip(wanted, np.split(row, first[1:]), strict=True)
            ]
        return pa.Table.from_batches(found)

    def _all(self, number: int, names: Sequence[str] | None) -> pd.DataFrame:
        with self._open(number, names) as reader:
            frame: pd.DataFrame = reader.read_all().to_pandas()
        return frame

    def _open(self, number: int, names: Sequence[str] | None) -> pa.ipc.RecordBatchFileReader:
        form = pa.ipc.IpcReadOptions()
        if names is not None:
            form.included_fields = [self._empty.columns.get_loc(name) for name in names]
        return pa.ipc.open_file(pa.OSFile(str(self._path(number))), options=form)

    def _path(self, number: int) -> Path:
        return self._folder / f"{self._name}.{number}.arrow"


class InOrder(Pieces):
    """The rows of a pile, in an order of their own."""

    def __init__(self, pile: Pile, order: NDArray[np.integer]) -> None:
        """``order``: the numbers of the rows in the pile."""
        self._pile, self._order = pile, order

    def __len__(self) -> int:
        """How many rows there are."""
        return len(self._order)

    def pieces(self, names: Sequence[str] | None = None) -> Iterator[pd.DataFrame]:
        """All rows from the first to the last."""
        for start in range(0, len(self) or 1, _PIECE):
            yield self._pile.take(self._order[start : start + _PIECE], names)
            give_back()

    def take(self, rows: NDArray[np.integer], names: Sequence[str] | None = None) -> pd.DataFrame:
        """Some rows by their numbers, in the order asked for."""
        return self._pile.take(self._order[rows], names)

    def whole(self) -> pd.DataFrame:
        """All rows."""
        return self._pile.take(self._order)

    def counts(self, name: str) -> dict[str, int]:
        """How often each text of a column occurs."""
        return self._pile.counts(name)


class Tables(Mapping[str, pd.DataFrame]):
    """Tables by name, some of them on disk: those are read anew each time they are asked for."""

    def __init__(
        self,
        held: Mapping[str, pd.DataFrame],
        others: Mapping[str, Pieces] | Mapping[str, pd.DataFrame],
    ) -> None:
        """Tables that are held, and others, which may be on disk."""
        self._held, self._others = held, others

    def __getitem__(self, name: str) -> pd.DataFrame:
        """The whole table."""
        found = self._held[name] if name in self._held else self._others[name]
        return found.whole() if isinstance(found, Pieces) else found

    def __iter__(self) -> Iterator[str]:
        """The names of the tables."""
        return iter([*self._held, *self._others])

    def __len__(self) -> int:
        """How many tables there are."""
        return len(self._held) + len(self._others)


def _write(frame: pd.DataFrame, path: Path) -> None:
    table = pa.Table.from_pandas(frame, preserve_index=False).combine_chunks()
    form = pa.ipc.IpcWriteOptions(compression="lz4")
    try:
        with pa.ipc.new_file(path, table.schema, options=form) as writer:
            writer.write_table(table, max_chunksize=_BATCH)
    except OSError as error:
        raise FaultError(
            f"{path.parent}: rows cannot be put aside: {error.strerror or error}. Free some "
            "space, or name another folder for temporary files in TMPDIR."
        ) from error
