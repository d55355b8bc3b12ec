"""One CSV file as a table of texts: its header, its rows as a spreadsheet counts them."""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
from numpy.typing import NDArray

from reconcile.errors import Problem, RefusedError
from reconcile.shop import Format

DELIMITERS = ",;\t|"
_END = "\x1c"
_HEAD_BYTES = 1 << 20
_BOMS = {"utf-8": codecs.BOM_UTF8, "utf-16": b"", "utf-32": b""}


@dataclass(frozen=True)
class RawFile:
    """One file, read once: its bytes as UTF-8 from the row under the header on."""

    path: str
    sha256: str
    header: tuple[str, ...]
    header_row: int
    delimiter: str
    body: memoryview


@dataclass(frozen=True)
class TextTable:
    """The rows of one file: texts by header position, and the row numbers of a spreadsheet.

    ``ragged`` are the rows with more or fewer cells than the header, ``blank`` how many rows
    hold nothing at all. ``total`` counts the rows under the header.
    """

    columns: dict[int, pa.Array]
    rows: NDArray[np.int64]
    ragged: NDArray[np.int64]
    blank: int
    total: int


def read_file(folder: Path, path: Path, form: Format) -> RawFile:
    """Read one CSV file whole and find its header.

    Raises RefusedError where it is unreadable, empty, not text, or has no header.
    """
    name = path.relative_to(folder).as_posix()
    try:
        data = path.read_bytes()
    except OSError as error:
        raise _refuse(name, f"it cannot be read: {error.strerror}.", "Check its rights.") from None
    digest = hashlib.sha256(data).hexdigest()
    text = _as_utf8(name, data, form.encoding)
    if not text.strip():
        mend = "Export it again; a file without orders still has its header."
        raise _refuse(name, "the file is empty.", mend)
    if b"\0" in text[:_HEAD_BYTES]:
        raise _refuse(name, "the file is not text but binary.", "Export it as CSV.")
    at = form.header_row or 1
    head = text[:_HEAD_BYTES].decode("utf-8", "ignore")
    delimiter = form.delimiter or _delimiter(head, at)
    header, end = _header(head, delimiter, at)
    if header is None:
        what = f"there is no row {at} to take the header from."
        raise _refuse(name, what, "Set header_row to the row of the headers.")
    body = memoryview(text)[len(head[:end].encode()) :]
    return RawFile(name, digest, tuple(cell.strip() for cell in header), at, delimiter, body)


def _refuse(place: str, what: str, mend: str, row: int | None = None) -> RefusedError:
    return RefusedError([Problem(place, what, mend, row=row)])


def _as_utf8(name: str, data: bytes, encoding: str) -> bytes:
    known = codecs.lookup(encoding or "utf-8").name
    if known in ("utf-8", "utf-8-sig", "ascii"):
        data = data.removeprefix(codecs.BOM_UTF8)
        if data.isascii():
            return data
        known = "utf-8"
    try:
        text = data.decode(known)
    except UnicodeError as error:
        at = error.start if isinstance(error, UnicodeDecodeError) else 0
        row = data.count(b"\n", 0, at) + 1
        what = f"it is not {known}: byte {data[at]:#04x} does not fit."
        mend = 'Set encoding in [source.format], for example "cp1252" or "utf-16".'
        raise _refuse(name, what, mend, row) from None
    return data if known == "utf-8" else text.removeprefix("\ufeff").encode()


def _delimiter(head: str, header_row: int) -> str:
    lines = head.split("\n", header_row)
    line = lines[header_row - 1] if len(lines) >= header_row else ""
    return max(DELIMITERS, key=lambda mark: (line.count(mark), -DELIMITERS.index(mark)))


def _header(head: str, delimiter: str, header_row: int) -> tuple[list[str] | None, int]:
    """The cells of the header row, and where in the text the next row begins."""
    read = 0

    def lines() -> Iterator[str]:
        nonlocal read
        for line in io.StringIO(head, newline=""):
            read += len(line)
            yield line

    reader = csv.reader(lines(), delimiter=delimiter)
    row: list[str] | None = None
    try:
        for _ in range(header_row):
            row = next(reader)
    except (StopIteration, csv.Error):
        return None, 0
    return row, read


def read_table(raw: RawFile, wanted: Sequence[int]) -> TextTable:
    """The texts of the wanted header positions; no other column is ever turned into values.

    Raises RefusedError where the file breaks off inside a quoted cell.
    """
    ragged: list[tuple[int, str]] = []
    if not len(raw.body):
        return TextTable({at: pa.array([], pa.string()) for at in wanted}, *_no_rows())

    def keep_ragged(row: pyarrow.csv.InvalidRow) -> str:
        ragged.append((row.number, "" if row.text.strip(raw.delimiter + " ") else "blank"))
        return "skip"

    body = bytes(raw.body) + _end(raw)
    try:
        # Ragged rows are rare: the rows are counted one by one only where there are some.
        table = _parse(raw, body, wanted, None)
    except pa.ArrowInvalid:
        try:
            table = _parse(raw, body, wanted, keep_ragged)
        except pa.ArrowInvalid:  # its text may show cells
            what = "it cannot be split into cells."
            mend = "Look for a quote that is never closed, and check the delimiter."
            raise _refuse(raw.path, what, mend) from None
    rows = max(table.num_rows - 1, 0)
    if table.columns[0][rows:].to_pylist() != [_END]:
        what = "a quote opens in this row and is never closed."
        mend = "Close it, or export the file again."
        row = raw.header_row + table.num_rows + len(ragged)
        raise _refuse(raw.path, what, mend, row)
    return _numbered(raw, table.slice(0, rows), ragged, wanted)


def _end(raw: RawFile) -> bytes:
    """A row to put after the last one: not seen where an open quote has swallowed the rest."""
    row = raw.delimiter.join([_END] * len(raw.header))
    return (row if raw.body[-1:].tobytes() in (b"\n", b"\r") else f"\n{row}").encode()


def _parse(
    raw: RawFile,
    body: bytes,
    wanted: Sequence[int],
    ragged: Callable[[pyarrow.csv.InvalidRow], str] | None,
) -> pa.Table:
    names = [f"c{at}" for at in range(len(raw.header))]
    return pyarrow.csv.read_csv(
        pa.BufferReader(pa.py_buffer(body)),
        read_options=pyarrow.csv.ReadOptions(
            column_names=names, use_threads=ragged is None, block_size=1 << 22
        ),
        parse_options=pyarrow.csv.ParseOptions(
            delimiter=raw.delimiter,
            newlines_in_values=True,
            ignore_empty_lines=False,
            invalid_row_handler=ragged,
        ),
        convert_options=pyarrow.csv.ConvertOptions(
            include_columns=[f"c{at}" for at in wanted],
            column_types=dict.fromkeys(names, pa.string()),
            strings_can_be_null=False,
        ),
    )


def _no_rows() -> tuple[NDArray[np.int64], NDArray[np.int64], int, int]:
    return np.zeros(0, np.int64), np.zeros(0, np.int64), 0, 0


def _numbered(
    raw: RawFile, table: pa.Table, ragged: list[tuple[int, str]], wanted: Sequence[int]
) -> TextTable:
    total = table.num_rows + len(ragged)
    numbers = np.arange(1, total + 1)
    odd = np.array([number for number, _ in ragged], dtype=np.int64)
    rows = np.delete(numbers, odd - 1) + raw.header_row
    columns = {at: table.column(f"c{at}").combine_chunks() for at in wanted}
    filled = np.zeros(len(rows), dtype=bool)
    for texts in columns.values():
        if filled.all():
            break
        filled |= pc.not_equal(pc.utf8_trim_whitespace(texts), "").to_numpy(zero_copy_only=False)
    if not filled.all():
        keep = pa.array(filled)
        columns = {at: texts.filter(keep) for at, texts in columns.items()}
    bare = np.array([kind == "blank" for _, kind in ragged], dtype=bool)
    return TextTable(
        columns=columns,
        rows=rows[filled],
        ragged=(odd + raw.header_row)[~bare],
        blank=int((~filled).sum()) + int(bare.sum()),
        total=total,
    )
