"""Parts of a night: tables as compressed Arrow, kept under the digest of their bytes.

A part that is the same on several nights is kept once; one that is damaged does not have its
digest any more. The parts of a night:

- ``ids`` of its exceptions; ``about`` what they are about, ``told`` the texts that a person sees,
  and ``states`` what every night may change, each with one row per exception in the same order;
- ``behind``: digests of the rows behind the exceptions, those of one after those of another;
  ``rows_behind`` in ``states`` counts them;
- ``cleared``: exceptions of the night before that are no more;
- ``contents``: digests of everything that its files say and no earlier night's did;
- ``files``: what was read.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator
from itertools import chain

import numpy as np
import pandas as pd
import pyarrow as pa

from reconcile.digests import Ints
from reconcile.joined import in_one_piece
from reconcile.memory.schema import damaged

ABOUT = ("rule", "order_ref", "order_key", "sku", "supplier", "document")
TOLD = ("title", "severity", "action", "table", "explanation", "evidence")
STATES = (
    "verdict", "class", "list", "currency", "amount_minor", "event_date", "due_by", "change",
    "first_seen", "was_open", "gone",
)  # fmt: skip
# Texts of which a night has few
_FEW = {
    "rule", "sku", "supplier", "title", "severity", "action", "table", "verdict", "class", "list",
    "currency", "change", "first_seen", "reason", "source",
}  # fmt: skip
_BATCH = 100_000  # rows that are written together
_AT_ONCE = 1 << 20  # bytes that are written together
_ALONE = pa.ipc.IpcReadOptions(use_threads=False)
_TYPES = {
    pa.int64(): pd.Int64Dtype(),
    pa.large_string(): pd.StringDtype(na_value=np.nan),
}


def packed(table: pd.DataFrame, more: Callable[[slice], pd.DataFrame] | None = None) -> memoryview:
    """A table of texts, whole numbers, truths and dates as the bytes of a part.

    ``more`` gives columns that stand beside some rows of it, where those of all would be large.
    """
    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression="zstd", use_threads=False)
    batches = _batches(table, more)
    first = next(batches)
    with pa.ipc.new_stream(sink, first.schema, options=options) as writer:
        for batch in chain([first], batches):
            writer.write_batch(batch)
    return memoryview(sink.getvalue())


def _batches(
    table: pd.DataFrame, more: Callable[[slice], pd.DataFrame] | None
) -> Iterator[pa.RecordBatch]:
    """A table in pieces, at least one, with what stands beside them."""
    whole = pa.record_batch({str(name): _column(str(name), table[name]) for name in table})
    for start in range(0, len(table) or 1, _BATCH):
        batch = whole.slice(start, _BATCH)
        if more is not None:
            for name, values in more(slice(start, start + _BATCH)).items():
                batch = batch.append_column(str(name), _column(str(name), values))
        yield batch


def _column(name: str, values: pd.Series) -> pa.Array:
    text = isinstance(values.dtype, pd.StringDtype) or values.dtype == object
    if isinstance(values.dtype, pd.CategoricalDtype):
        codes = pa.array(values.cat.codes, pa.int32())
        return pa.DictionaryArray.from_arrays(codes, in_one_piece(pd.Series(values.cat.categories)))
    array = pa.array(values, pa.large_string() if text else None, from_pandas=True)
    if isinstance(array, pa.ChunkedArray):
        array = pa.concat_arrays(array.chunks or [pa.array([], array.type)])
    return array.dictionary_encode() if text and name in _FEW else array


def arrow_of(data: bytes) -> pa.Table:
    """The table that a part holds, as Arrow has it."""
    try:
        return pa.ipc.open_stream(data, options=_ALONE).read_all()
    except pa.ArrowException as error:
        raise damaged("a part of a night is not as it was kept") from error


def table_of(part: bytes | pa.Table) -> pd.DataFrame:
    """The table that a part holds: texts as ``str``, whole numbers as ``Int64``."""
    table = arrow_of(part) if isinstance(part, bytes) else part
    for at, field in enumerate(table.schema):
        if pa.types.is_dictionary(field.type):
            table = table.set_column(at, field.name, table.column(at).cast(pa.large_string()))
    out: pd.DataFrame = table.to_pandas(types_mapper=_TYPES.get)
    return out


def put_numbers(history: sqlite3.Connection, night: str, part: str, numbers: Ints) -> None:
    """Keep whole numbers as a part of a night; digests do not become smaller by compression."""
    plain = np.ascontiguousarray(numbers.astype("<i8", copy=False))
    put(history, night, part, plain.view(np.uint8).data)


def numbers_of(data: bytes) -> Ints:
    """The whole numbers that a part holds."""
    return np.frombuffer(data, "<i8").astype(np.int64, copy=False)


def put(history: sqlite3.Connection, night: str, part: str, data: memoryview) -> None:
    """Keep bytes as a part of a night, in the place of those that it had."""
    digest = hashlib.sha256(data).hexdigest()
    there = history.execute("SELECT 1 FROM stored WHERE digest = ?", (digest,)).fetchone()
    if there is None:
        # SQLite copies what it is given whole, twice.
        blank = "INSERT INTO stored VALUES (?, zeroblob(?))"
        row = history.execute(blank, (digest, data.nbytes)).lastrowid
        with history.blobopen("stored", "bytes", row or 0) as blob:
            for start in range(0, data.nbytes, _AT_ONCE):
                blob.write(data[start : start + _AT_ONCE])
    history.execute("INSERT OR REPLACE INTO parts VALUES (?, ?, ?)", (night, part, digest))


def part_of(history: sqlite3.Connection, night: str, part: str) -> bytes:
    """The bytes of a part; sqlite3.DatabaseError where they are not what was kept."""
    found = history.execute(
        "SELECT p.digest, s.rowid FROM parts p JOIN stored s ON s.digest = p.digest "
        "WHERE p.night = ? AND p.part = ? AND typeof(s.bytes) = 'blob'",
        (night, part),
    ).fetchone()
    if found is not None:
        digest, row = found
        with history.blobopen("stored", "bytes", row, readonly=True) as blob:
            data = blob.read()  # what a query gives is in memory twice
        if hashlib.sha256(data).hexdigest() == digest:
            return data
    raise damaged(f"the {part} of the night of {night} are not as they were kept")


def drop_unused(history: sqlite3.Connection) -> None:
    """Remove what no night has any more."""
    history.execute("DELETE FROM stored WHERE digest NOT IN (SELECT digest FROM parts)")
