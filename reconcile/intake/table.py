"""CSV text as a table of texts: its first rows, then the wanted columns with their row numbers."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
from numpy.typing import NDArray

from reconcile.errors import Problem, RefusedError
from reconcile.intake.coded import Bools, Coded, bools
from reconcile.intake.plain_text import HEAD, Text
from reconcile.intake.ragged import Ragged, judged
from reconcile.intake.text_table import ShortTotal, TextTable, without_blank_rows

DELIMITERS = ",;\t|:^~\x1f"
HEAD_ROWS = 100
MOST_COLUMNS = 16_384  # source: Microsoft, Excel specifications and limits
_END = "\x1c"
_BLOCK = 1 << 22
_INDEX = pa.dictionary(pa.int32(), pa.string())


def first_rows(path: str, text: bytes, delimiter: str) -> list[list[str]]:
    """The first rows as a spreadsheet counts them, split by one delimiter; a head is enough.

    Raises RefusedError where a row has more cells than a spreadsheet could hold, or where the
    first row is longer than any header.
    """
    head = text[:HEAD].decode("utf-8", "ignore")
    rows: list[list[str]] = []
    try:
        for row in csv.reader(io.StringIO(head, newline=""), delimiter=delimiter):
            if len(row) > MOST_COLUMNS:
                what = f"this row has more than {MOST_COLUMNS:,} cells; a spreadsheet has no more."
                raise RefusedError([Problem(path, what, "Check the file.", row=len(rows) + 1)])
            rows.append(row)
            if len(rows) == HEAD_ROWS:
                break
    except csv.Error:  # a cell longer than Python's reader takes; the rows above it are whole
        if not rows:
            what = f"this row has a cell of more than {csv.field_size_limit():,} characters."
            mend = "Look for a quote that is never closed; a header is shorter."
            raise RefusedError([Problem(path, what, mend, row=1)]) from None
        return rows
    if len(text) > len(head.encode()) and len(rows) < HEAD_ROWS and rows:
        rows.pop()  # cut off by the end of the head
    return rows


@dataclass(frozen=True)
class CsvBody:
    """What stands under the header of one CSV text, and how it is to be cut up.

    ``start`` is where it begins in the text. Rows have ``width`` cells, ``surplus`` of them behind
    the last one of the header.
    """

    path: str
    text: Text
    start: int
    header_row: int
    width: int
    delimiter: str
    surplus: int = 0

    @staticmethod
    def below(
        path: str, text: Text, header_row: int, width: int, delimiter: str, surplus: int = 0
    ) -> CsvBody:
        """Everything under a row of the text."""
        head = text.head[:HEAD].decode("utf-8", "ignore")
        read = 0

        def lines() -> Iterator[str]:
            nonlocal read
            for line in io.StringIO(head, newline=""):
                read += len(line)
                yield line

        rows = csv.reader(lines(), delimiter=delimiter)
        for _ in range(header_row):
            next(rows, None)
        start = len(head[:read].encode())
        return CsvBody(path, text, start, header_row, width, delimiter, surplus)

    @property
    def named(self) -> int:
        """How many cells the header has."""
        return self.width - self.surplus

    def holds(self, mark: bytes) -> bool:
        """Whether a byte occurs below the header."""
        return self.text.holds(mark, self.start)

    @property
    def ends(self) -> bool:
        """Whether the last row ends in a line end."""
        return self.text.last in (b"\n", b"\r")

    def refuse(self, what: str, mend: str, row: int | None = None) -> RefusedError:
        """A refusal of the file as it is."""
        return RefusedError([Problem(self.path, what, mend, row=row)])


def read_csv(body: CsvBody, wanted: Sequence[int], plain: set[int]) -> TextTable:
    """The texts of the wanted positions; no other column is ever turned into values.

    Columns in ``plain`` keep one text a row; of the others each distinct text is kept once. Rows
    with something behind the last cell of the header are ragged. Raises RefusedError where the
    file breaks off inside a cell or a row, where its rows do not end alike, where most of them
    have more cells than the header, or where it cannot be cut up.
    """
    if body.text.size <= body.start:
        none = np.zeros(0, dtype=np.int64)
        return TextTable({at: Coded.constant("", 0) for at in wanted}, none, none, 0, 0)
    quoted = body.holds(b'"')
    _ends_alike(body, quoted=quoted)
    table, ragged = _split(body, wanted, plain, quoted=quoted)
    rows = table.num_rows
    if quoted:
        rows = max(rows - 1, 0)
        last = table.column(0)[rows:].to_pylist()
        if last != [_END]:
            what = "a quote opens in this row and is never closed."
            row = body.header_row + table.num_rows + len(ragged)
            raise body.refuse(what, "Close it, or export the file again.", row)
        table = table.slice(0, rows)
    _whole_last_row(body, ragged, rows)
    moved, columns = _moved(body, table), {}
    for at in wanted:
        columns[at] = Coded.of(table.column(f"c{at}"))
        table = table.drop_columns([f"c{at}"])  # what has been taken over need not be held twice
    return _numbered(body, columns, moved, ragged)


def _split(
    body: CsvBody, wanted: Sequence[int], plain: set[int], *, quoted: bool
) -> tuple[pa.Table, list[Ragged]]:
    """The rows that have as many cells as they should, and the others."""
    ragged: list[Ragged] = []

    def keep_ragged(row: pyarrow.csv.InvalidRow) -> str:
        ragged.append(judged(row, body.width, body.named, body.delimiter))
        return "skip"

    # Only where quotes occur can the last one be open; a row of our own then shows it.
    try:
        table = _parse(body, _end(body) if quoted else b"", wanted, plain, keep_ragged, quoted)
    except pa.ArrowInvalid:  # its text may show cells
        body.text.hold_still()
        _row_too_long(body)
        _quote_too_long(body)
        what = "it cannot be split into cells."
        mend = "Look for a quote that is never closed, and check the delimiter."
        raise body.refuse(what, mend) from None
    body.text.hold_still()
    return table, ragged


def _moved(body: CsvBody, table: pa.Table) -> Bools:
    """Rows with something behind the last cell of the header."""
    moved = np.zeros(table.num_rows, dtype=bool)
    for at in range(body.named, body.width):
        behind = Coded.of(table.column(f"c{at}"))
        filled = pc.not_equal(pc.utf8_trim_whitespace(behind.texts), "")
        moved |= behind.take(bools(filled))
    return moved


def _end(body: CsvBody) -> bytes:
    """A row to put after the last one: not seen where an open quote has swallowed the rest."""
    row = body.delimiter.join([_END] * body.width)
    return (row if body.ends else f"\n{row}").encode()


def _ends_alike(body: CsvBody, *, quoted: bool) -> None:
    """Rows that end in different ways are two files in one, or a damaged one."""
    if not body.holds(b"\r") or body.text.line_ends <= 1:
        return
    data = body.text.whole(body.start)
    if quoted:  # inside quotes a line may break as it likes
        data = re.sub(rb'"[^"]*"', lambda cell: b'"' * len(cell[0]), data)
    both = data.count(b"\r\n")
    alone = data.count(b"\r") - both, data.count(b"\n") - both
    if sum(kind > 0 for kind in (both, *alone)) <= 1:
        return
    ends = re.compile(rb"\r\n|\r|\n")
    first = None
    for row, end in enumerate(ends.finditer(data), start=body.header_row + 1):
        first = first or end[0]
        if end[0] != first:
            what = "this row ends in another way than the rows above it (CR, LF or both)."
            mend = "Export the file again, or save it in an editor with one kind of line end."
            raise body.refuse(what, mend, row)


def _row_too_long(body: CsvBody) -> None:
    """Refuse a row that is longer than any table has; Arrow itself does not say which one."""
    row = body.header_row
    for line in re.finditer(rb"[^\r\n]*(?:\r\n|\r|\n|$)", body.text.whole(body.start)):
        row += 1
        if line.end() - line.start() >= _BLOCK:
            what = f"this row is longer than {_BLOCK >> 20} MiB."
            raise body.refuse(what, "A cell holds something that is no table; take it out.", row)


def _quote_too_long(body: CsvBody) -> None:
    """Refuse the row from which a quoted cell runs on and on, found by reading row by row."""
    data = io.BytesIO(body.text.whole(body.start))
    lines = io.TextIOWrapper(data, encoding="utf-8", newline="")
    row = body.header_row
    try:
        for _ in csv.reader(lines, delimiter=body.delimiter):
            row += 1
    except csv.Error:
        what = "a quote opens in this row and is never closed, or closes far below."
        raise body.refuse(what, "Close it, or export the file again.", row + 1) from None


def _whole_last_row(body: CsvBody, ragged: list[Ragged], rows: int) -> None:
    """A last row that is short and does not end was cut off, and more may be missing."""
    if not ragged or body.ends:
        return
    last = ragged[-1]
    kept = last.blank or last.totals
    if last.number == rows + len(ragged) and last.cells < body.width and not kept:
        what = "the file breaks off in this row."
        row = body.header_row + last.number
        raise body.refuse(what, "Export it again; what comes after may be missing.", row)


def _parse(
    body: CsvBody,
    end: bytes,
    wanted: Sequence[int],
    plain: set[int],
    ragged: Callable[[pyarrow.csv.InvalidRow], str],
    quoted: bool,  # noqa: FBT001
) -> pa.Table:
    names = [f"c{at}" for at in range(body.width)]
    read = [*wanted, *range(body.named, body.width)]  # whether there is nothing in surplus cells
    types = {f"c{at}": pa.string() if at in plain else _INDEX for at in read}
    with body.text.stream(body.start, end) as stream:
        return pyarrow.csv.read_csv(
            stream,
            # Threads would cost half as much again: each block is handed from one to another.
            read_options=pyarrow.csv.ReadOptions(
                column_names=names, use_threads=False, block_size=_BLOCK
            ),
            parse_options=pyarrow.csv.ParseOptions(
                delimiter=body.delimiter,
                newlines_in_values=quoted,
                ignore_empty_lines=False,
                invalid_row_handler=ragged,
            ),
            convert_options=pyarrow.csv.ConvertOptions(
                include_columns=list(types), column_types=types, strings_can_be_null=False
            ),
        )


def _numbered(
    body: CsvBody, columns: dict[int, Coded], moved: Bools, ragged: list[Ragged]
) -> TextTable:
    total = len(moved) + len(ragged)
    odd = np.array([each.number for each in ragged], dtype=np.int64)
    rows = np.delete(np.arange(1, total + 1), odd - 1) + body.header_row
    last = int(rows[-1]) if len(rows) else 0
    short = tuple(
        ShortTotal(each.number + body.header_row, each.totals)
        for each in ragged
        if each.totals and each.number + body.header_row > last
    )
    blank = sum(each.blank for each in ragged)
    passed = [each.number for each in ragged if each.blank]
    told = np.setdiff1d(odd, [*passed, *(each.row - body.header_row for each in short)])
    told = np.union1d(told + body.header_row, rows[moved])
    table = TextTable(columns, rows, told, blank, total, short)
    table = without_blank_rows(table.filter(~moved) if moved.any() else table)
    more = [each.number + body.header_row for each in ragged if each.moved]
    _hold_to_header(body, table, np.union1d(rows[moved], more))
    return table


def _hold_to_header(body: CsvBody, table: TextTable, rows: NDArray[np.int64]) -> None:
    """Refuse a file most of whose rows have more cells than the header: nobody knows which."""
    if 2 * len(rows) > len(table.rows) + len(table.ragged):
        what = f"this row has more cells than the header, which has {body.named}; most rows have."
        mend = "Export it with a delimiter that no cell holds, or with cells in quotes."
        raise body.refuse(what, mend, int(rows[0]))
