"""Tables that are taken in pieces: rows in memory, or rows that wait on disk in Arrow files."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from threading import Lock

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.ipc
from numpy.typing import NDArray

from reconcile.allocator import give_back
from reconcile.errors import FaultError

Ints = NDArray[np.int64]
_PIECE = 200_000  # rows that are in memory at once
_NEAR = 4096  # rows that are read together where any may be asked for


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
    """Tables of the same columns on disk, one below the other, in one Arrow file.

    All are added before any is read.
    """

    def __init__(self, path: Path, together: int = _NEAR) -> None:
        """``path`` is written with the first table; so many rows are read ``together`` at least."""
        self.path = path
        self._together = together
        self._writer: pa.ipc.RecordBatchFileWriter | None = None
        self._closed = False
        self._ending = Lock()
        self._empty = pd.DataFrame()
        self._starts = [0]  # the first row of each batch, and how many rows there are
        self._added = [0]  # how many batches there are after each table

    def __len__(self) -> int:
        """How many rows there are."""
        return self._starts[-1]

    @property
    def columns(self) -> list[str]:
        """The columns of all tables; none before the first."""
        return [str(name) for name in self._empty]

    def add(self, frame: pd.DataFrame) -> None:
        """Put rows below those that are there; FaultError where the disk does not take them."""
        self.put(pa.Table.from_pandas(frame, preserve_index=False).combine_chunks())

    def put(self, table: pa.Table) -> None:
        """The same, of rows as ``tables`` gives them."""
        if self._closed:
            raise ValueError("rows are added before any is read")
        try:
            if self._writer is None:
                self._empty = table.schema.empty_table().to_pandas()
                form = pa.ipc.IpcWriteOptions(compression="lz4")
                self._writer = pa.ipc.new_file(self.path, table.schema, options=form)
            for batch in table.to_batches(max_chunksize=self._together):
                self._writer.write_batch(batch)
                self._starts.append(self._starts[-1] + len(batch))
        except OSError as error:
            raise _no_room(self.path, error) from error
        if len(table):
            self._added.append(len(self._starts) - 1)

    def close(self) -> None:
        """Write the end of the file, unless that is done; nothing is added after that.

        Of two threads that begin to read, the second waits until the end is there.
        """
        with self._ending:
            if self._writer is None or self._closed:
                return
            self._closed = True
            try:
                self._writer.close()
            except OSError as error:
                raise _no_room(self.path, error) from error

    def pieces(self, names: Sequence[str] | None = None) -> Iterator[pd.DataFrame]:
        """The tables as they were added."""
        for table in self.tables(names):
            yield table.to_pandas() if len(table) else self._empty[self._wanted(names)]

    def tables(self, names: Sequence[str] | None = None) -> Iterator[pa.Table]:
        """The tables as they were added, as they are in the file; one at least."""
        if not len(self):
            yield pa.Table.from_pandas(self._empty[self._wanted(names)], preserve_index=False)
            return
        with self._open(names) as reader:
            for begin, end in pairwise(self._added):
                yield pa.Table.from_batches([reader.get_batch(at) for at in range(begin, end)])

    def whole(self) -> pd.DataFrame:
        """All rows."""
        if not len(self):
            return self._empty
        with self._open(None) as reader:
            batches = [reader.get_batch(at) for at in range(self._added[-1])]
            frame: pd.DataFrame = pa.Table.from_batches(batches).to_pandas()
            return frame

    def counts(self, name: str) -> dict[str, int]:
        """How often each text of a column occurs."""
        found: Counter[str] = Counter()
        for piece in self.pieces([name]):
            found.update(InMemory(piece).counts(name))
        return dict(found)

    def take(self, rows: NDArray[np.integer], names: Sequence[str] | None = None) -> pd.DataFrame:
        """Some rows by their numbers, in the order asked for; all columns or some, in their order.

        What is read is what lies around them: rows that are near to each other are cheap.
        """
        if not len(rows):
            return self._empty[self._wanted(names)]
        order = np.argsort(rows, kind="stable")
        wanted = rows[order].astype(np.int64)
        batch = np.searchsorted(self._starts, wanted, side="right") - 1
        read, first = np.unique(batch, return_index=True)
        row = wanted - np.array(self._starts)[batch]
        with self._open(names) as reader:
            found = [
                reader.get_batch(int(at)).take(pa.array(mine))
                for at, mine in zip(read, np.split(row, first[1:]), strict=True)
            ]
        back = np.empty(len(order), dtype=np.int64)
        back[order] = np.arange(len(order))
        table = pa.Table.from_batches(found).combine_chunks()
        out: pd.DataFrame = table.take(pa.array(back)).to_pandas()
        return out

    def _wanted(self, names: Sequence[str] | None) -> list[str]:
        return [name for name in self.columns if names is None or name in names]

    def _open(self, names: Sequence[str] | None) -> pa.ipc.RecordBatchFileReader:
        self.close()
        form = pa.ipc.IpcReadOptions()
        if names is not None:
            form.included_fields = [self.columns.index(name) for name in self._wanted(names)]
        return pa.ipc.open_file(pa.OSFile(str(self.path)), options=form)


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


def _no_room(path: Path, error: OSError) -> FaultError:
    return FaultError(
        f"{path.parent}: rows cannot be put aside: {error.strerror or error}. Free some space, "
        "or name another folder for temporary files in TMPDIR."
    )
