"""One file, or one sheet of it, opened for one source: its layout and the texts under it."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from reconcile.counted import counted
from reconcile.errors import Problem, RefusedError
from reconcile.intake.camt import statement_rows
from reconcile.intake.coded import Coded
from reconcile.intake.encodings import says_utf8, to_utf8
from reconcile.intake.files import Content, read_content
from reconcile.intake.layout import Layout, find_layout, most_headers
from reconcile.intake.plain_text import HeldText, Text
from reconcile.intake.table import (
    DELIMITERS,
    HEAD_ROWS,
    CsvBody,
    first_rows,
    read_csv,
)
from reconcile.intake.text_table import TextTable, without_blank_rows
from reconcile.intake.workbooks import Workbook
from reconcile.records import RECORDS
from reconcile.shop import Format, Source

_ALONE = ("reference", "references", "text", "narrative")
_REPEATED = ("store", "line_no", "carrier", "channel", "account")


@dataclass(frozen=True)
class Grid:
    """A file before its header is known: its first rows by each way to read it.

    ``readings`` are the first rows by delimiter (of a text) or by sheet (of a workbook),
    likeliest first. ``text`` is a text's content in UTF-8, ``encoding`` what it was in.
    """

    path: str
    digest: Future[str]
    readings: Mapping[str, list[list[str]]]
    text: Text = field(default_factory=lambda: HeldText(b""))
    encoding: str = ""
    workbook: Workbook | None = None


@dataclass(frozen=True)
class Opened:
    """A table of a file: how it was read, and its texts.

    ``sheet`` is "" in a text. ``found`` says how it was read, in words; ``notes`` what a person
    should know of it. ``others`` are the sheets beside it that hold anything, where none was
    asked for, and whether they have most of the headers of the source.
    """

    path: str
    digest: Future[str]
    sheet: str
    layout: Layout
    table: TextTable
    found: dict[str, str]
    notes: tuple[str, ...] = ()
    others: Mapping[str, bool] = field(default_factory=dict)

    @property
    def sha256(self) -> str:
        """The SHA-256 of the file as it lies there."""
        return self.digest.result()


@dataclass
class Files:
    """The files of a shop, each looked through once however many sources read it."""

    folder: Path
    contents: dict[Path, Content] = field(default_factory=dict)
    grids: dict[tuple[Path, Format], Grid] = field(default_factory=dict)

    def grid(self, path: Path, form: Format, *, last: bool = True) -> Grid:
        """The first rows of a file; it is kept in mind unless it is asked for the last time.

        Raises RefusedError where it cannot be used.
        """
        content = self.contents.get(path) or read_content(self.folder, path)
        key = path, Format(encoding=form.encoding, delimiter=form.delimiter, sheet=form.sheet)
        grid = self.grids.get(key) or _grid(content, form)
        if last:
            self.contents.pop(path, None)
            self.grids = {of: kept for of, kept in self.grids.items() if of[0] != path}
        else:
            self.contents[path], self.grids[key] = content, grid
        return grid


def _grid(content: Content, form: Format) -> Grid:
    if content.kind == "camt":
        rows = statement_rows(content.path, content.data)
        heads = {",": first_rows(content.path, rows, ",")}
        return Grid(content.path, content.digest, heads, HeldText(rows), "utf-8")
    if content.kind != "text":
        workbook = Workbook(content)
        shown = sorted(workbook.sheets, key=lambda sheet: not sheet.visible)
        names = [form.sheet] if form.sheet else [sheet.name for sheet in shown]
        heads = {name: workbook.head(name, HEAD_ROWS) for name in names}
        if not any(any(cell.strip() for cell in row) for rows in heads.values() for row in rows):
            mend = "Export it again; a file without orders still has its header."
            raise RefusedError([Problem(content.path, "the file is empty.", mend)])
        return Grid(content.path, content.digest, heads, workbook=workbook)
    text, encoding = _utf8(content, form.encoding)
    marks, head = form.delimiter or DELIMITERS, text.head
    heads = {mark: first_rows(content.path, head, mark) for mark in marks}
    # The likeliest is the one that cuts some row into most cells.
    width = {mark: max((len(row) for row in rows), default=0) for mark, rows in heads.items()}
    ranked = dict(sorted(heads.items(), key=lambda item: -width[item[0]]))
    return Grid(content.path, content.digest, ranked, text, encoding)


def _utf8(content: Content, encoding: str) -> tuple[Text, str]:
    """The text of a file, and the encoding it was in; it stays in the file where it can."""
    if not isinstance(content.body, bytes) and says_utf8(encoding):
        return content.body, "utf-8"
    text, known = to_utf8(content.path, content.data, encoding)
    return HeldText(text), known


def open_table(source: Source, grid: Grid) -> tuple[Opened | None, list[Problem]]:
    """The table of a file that a source is about, or every problem with its header.

    Raises RefusedError where the rows under the header cannot be read.
    """
    sheets = grid.workbook is not None
    reading, layout, problems = find_layout(source, grid.path, grid.readings, sheets=sheets)
    if problems or layout is None:
        return None, problems
    opened = open_with(source.record, grid, reading, layout)
    if not sheets:
        return opened, []
    others = {
        sheet: most_headers(source, rows)
        for sheet, rows in grid.readings.items()
        if sheet != reading and any(cell.strip() for row in rows for cell in row)
    }
    return replace(opened, others=others), []


def open_with(record: str | None, grid: Grid, reading: str, layout: Layout) -> Opened:
    """The texts of the columns of a layout; ``record`` says which of them hardly repeat."""
    wanted = sorted(set(layout.positions.values()))
    found = {"header row": str(layout.row)}
    if grid.workbook is not None:
        table, notes = _sheet_table(grid.workbook, grid.path, reading, layout, wanted)
        found |= {"sheet": reading}
        return Opened(grid.path, grid.digest, reading, layout, table, found, notes)
    columns = RECORDS[record].columns if record else ()
    alone = {c.name for c in columns if c.kind in _ALONE and c.name not in _REPEATED}
    plain = {at for name, at in layout.positions.items() if name in alone}
    width = len(layout.header)
    surplus = width - layout.cells
    body = CsvBody.below(grid.path, grid.text, layout.row, width, reading, surplus)
    table = read_csv(body, wanted, plain)
    found |= {"encoding": grid.encoding, "delimiter": reading}
    return Opened(grid.path, grid.digest, "", layout, table, found)


def _sheet_table(
    workbook: Workbook, path: str, sheet: str, layout: Layout, wanted: list[int]
) -> tuple[TextTable, tuple[str, ...]]:
    """The texts of a sheet, and what is to be said of it: hidden rows and sheets."""
    unknown = workbook.formulas_without_value(sheet)
    if unknown:
        what = f"sheet {sheet!r} has formulas whose results are not stored: {', '.join(unknown)}."
        mend = "Open it in a spreadsheet program and save it again."
        raise RefusedError([Problem(path, what, mend)])
    read = workbook.columns(sheet, layout.row + 1, wanted)
    rows = np.arange(read.rows) + layout.row + 1
    columns = {at: Coded.of(pa.chunked_array([texts])) for at, texts in read.texts.items()}
    none = np.zeros(0, dtype=np.int64)
    table = TextTable(columns, rows, none, 0, read.rows, (), read.numbers, read.dates)
    table = without_blank_rows(table)
    notes = []
    hidden = np.intersect1d(workbook.hidden_rows(sheet), table.rows)
    if len(hidden):
        notes.append(f"{counted(len(hidden), 'hidden row')} read too, the first in row {hidden[0]}")
    unseen = [each.name for each in workbook.sheets if not each.visible]
    if unseen:
        hidden_sheets = counted(len(unseen), "hidden sheet")
        notes.append(f"the workbook has {hidden_sheets}: {', '.join(unseen)}")
    return table, tuple(notes)
