"""Rows that a run keeps: in memory, or on disk, where they are written and read piece by piece."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.ipc

from reconcile.errors import FaultError


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


class TableFile:
    """Rows on disk, as an Arrow file: all of them are written before any is read."""

    def __init__(self, path: Path) -> None:
        """``path`` is written with the first rows that are added."""
        self.path, self.rows = path, 0
        self.columns: list[str] = []
        self._writer: pa.ipc.RecordBatchFileWriter | None = None

    def add(self, rows: pd.DataFrame) -> None:
        """Write rows below those that are there; all have the same columns.

        Raises FaultError where the disk does not take them.
        """
        table = pa.Table.from_pandas(rows, preserve_index=False)
        try:
            if self._writer is None:
                self.columns = [str(name) for name in rows]
                form = pa.ipc.IpcWriteOptions(compression="lz4")
                self._writer = pa.ipc.new_file(self.path, table.schema, options=form)
            self._writer.write_table(table.combine_chunks())
        except OSError as error:
            raise _no_room(self.path, error) from error
        self.rows += len(rows)

    def close(self) -> None:
        """Write the end of the file; nothing is added after that."""
        if self._writer is None:
            return
        try:
            self._writer.close()
        except OSError as error:
            raise _no_room(self.path, error) from error
        self._writer = None

    def whole(self, wanted: Sequence[str] | None = None) -> pd.DataFrame:
        """All rows, or those of some columns that they have."""
        return _frame(list(self._batches(wanted)))

    def pieces(self, wanted: Sequence[str] | None = None) -> Iterator[pd.DataFrame]:
        """The rows as they were added, or those of some columns that they have."""
        for batch in self._batches(wanted):
            yield _frame([batch])

    def _batches(self, wanted: Sequence[str] | None) -> Iterator[pa.RecordBatch]:
        form = pa.ipc.IpcReadOptions()
        if wanted is not None:
            form.included_fields = [self.columns.index(n) for n in wanted if n in self.columns]
        with pa.OSFile(str(self.path)) as file, pa.ipc.open_file(file, options=form) as reader:
            for at in range(reader.num_record_batches):
                yield reader.get_batch(at)
            if not reader.num_record_batches:
                fields = [f for f in reader.schema if wanted is None or f.name in wanted]
                yield pa.RecordBatch.from_pylist([], pa.schema(fields, reader.schema.metadata))


def _frame(batches: list[pa.RecordBatch]) -> pd.DataFrame:
    """Rows as pandas holds them."""
    frame: pd.DataFrame = pa.Table.from_batches(batches).to_pandas()
    if len(frame):
        return frame
    # Texts of no rows come without any piece, which pandas cannot merge (3.1).
    return pd.DataFrame({str(name): pd.Series([], dtype=frame[name].dtype) for name in frame})


def _no_room(path: Path, error: OSError) -> FaultError:
    return FaultError(
        f"{path.parent}: rows cannot be put aside: {error.strerror or error}. Free some space, "
        "or name another folder for temporary files in TMPDIR."
    )
