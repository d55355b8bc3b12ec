"""Workbooks (.xlsx and .ods): the cells of a sheet as texts, column by column.

python-calamine reads the values; what it leaves out (hidden rows, the texts of error cells,
formulas without a stored result, and how large a sheet is before memory is given to it) is taken
from the XML. Parts hold no entities: files.py saw to it.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from python_calamine import CalamineError, CalamineSheet, CalamineWorkbook, SheetTypeEnum
from python_calamine import SheetVisibleEnum as Visible

from reconcile.errors import Problem, RefusedError
from reconcile.intake.files import Content
from reconcile.intake.sheet_cells import address, column_of, joined, text_of, with_errors
from reconcile.intake.sheet_ods import ods_sheets
from reconcile.intake.sheet_xml import (
    MAX_COLUMNS,
    MAX_COPIED,
    MAX_ERRORS,
    MAX_ROWS,
    SheetXml,
    copied_bytes,
    sheet_parts,
    xlsx_sheet,
)
from reconcile.shop import nearest

MAX_CELL = 32_767  # characters; source: Microsoft, "Excel specifications and limits"
# A sheet is held as a full rectangle while it is read: this many cells of it may be empty for
# each cell that is there, beyond a number that costs little.
_EMPTY_PER_CELL = 8
_SMALL_SHEET = 8_000_000
_ROWS_AT_ONCE = 4096


@dataclass(frozen=True)
class SheetInfo:
    """A sheet by its name, and whether a person sees it on opening the workbook."""

    name: str
    visible: bool


@dataclass(frozen=True)
class SheetColumns:
    """Columns of a sheet, by position from 0, all of ``rows`` cells.

    ``texts`` are strings, "" where a cell is empty. ``numbers`` tells the cells that are numbers
    in the workbook (their text has a decimal point), ``dates`` those that are dates or times
    (their text is ISO 8601).
    """

    texts: dict[int, pa.Array]
    numbers: dict[int, NDArray[np.bool_]]
    dates: dict[int, NDArray[np.bool_]]
    rows: int


class Workbook:
    """A workbook opened for reading; nothing of it is read before a sheet is asked for."""

    def __init__(self, content: Content) -> None:
        """Open the workbook.

        Raises RefusedError where it is damaged, or where sheets of an .ods are beyond limits.
        """
        self._path = content.path
        self._zip = zipfile.ZipFile(io.BytesIO(content.data))
        self._ods = content.kind == "ods"
        self._xml: dict[str, SheetXml] = {}
        self._open: tuple[str, CalamineSheet] | None = None
        if self._ods:  # all its sheets are read on opening
            with self._zip.open("content.xml") as part:
                self._xml = ods_sheets(part, self._damaged())
            for name, sheet in self._xml.items():
                self._hold_to_limits(name, sheet)
        with self._refusing_damage():
            self._book = CalamineWorkbook.from_filelike(io.BytesIO(content.data))
        listed = self._book.sheets_metadata
        names = [sheet.name for sheet in listed]
        self._parts = {} if self._ods else sheet_parts(self._zip, names, self._damaged())
        self.sheets = tuple(
            SheetInfo(sheet.name, sheet.visible == Visible.Visible)
            for sheet in listed
            if sheet.typ == SheetTypeEnum.WorkSheet
        )

    def head(self, sheet: str, rows: int) -> list[list[str]]:
        """The first rows as texts: entry i is row i + 1 of the spreadsheet, from column A on.

        Raises RefusedError where there is no such sheet, or where it is beyond the limits.
        """
        texts: list[list[str]] = []
        for number, line in enumerate(islice(self._rows(sheet), rows), start=1):
            cells = [text_of(cell) for cell in line]
            for at, cell in enumerate(cells):
                self._hold_to_length(sheet, len(cell), number, at)
            texts.append(cells)
        for at, errors in self._told(sheet).errors.items():
            for first, last, text in errors:
                for row in range(first, min(last, len(texts)) + 1):
                    texts[row - 1].extend([""] * (at + 1 - len(texts[row - 1])))
                    texts[row - 1][at] = text
        return texts

    def columns(self, sheet: str, first_row: int, wanted: Sequence[int]) -> SheetColumns:
        """The wanted columns, by position from 0, from a row of the spreadsheet on.

        Whole numbers have no point ("1001"), other numbers the 15 significant digits that a
        spreadsheet keeps; from 1e15 on, where digits have been lost, they are in exponent form
        ("9.4E+21"). A number shown as 00123 by its format is the number 123: its zeros are not in
        the workbook. Dates are "2026-10-03" (also at midnight), "2026-10-03 14:05:00" or
        "14:05:00", rounded to the second; truth values "true" and "false"; errors "#N/A" and the
        like. Merged cells have their value in the first one only. Cells of other columns are
        dropped with their row.

        Raises RefusedError where there is no such sheet, or where it is beyond the limits.
        """
        kept: dict[int, list[tuple[pa.Array, Any, Any]]] = {at: [] for at in wanted}
        count, rows = 0, islice(self._rows(sheet), first_row - 1, None)
        while block := list(islice(rows, _ROWS_AT_ONCE)):
            by_column = list(zip(*block, strict=True))
            nothing = ("",) * len(block)
            for at, parts in kept.items():
                parts.append(column_of(by_column[at] if at < len(by_column) else nothing))
            count += len(block)
        found = SheetColumns({}, {}, {}, count)
        for at, parts in kept.items():
            texts, numbers, dates = joined(parts)
            errors = self._told(sheet).errors.get(at, ())
            if errors:
                below = ((a - first_row, b - first_row, text) for a, b, text in errors)
                texts, wrong = with_errors(texts, below)
                numbers &= ~wrong
            lengths = pc.utf8_length(texts).to_numpy(zero_copy_only=False)
            if count and lengths.max() > MAX_CELL:
                row = int(lengths.argmax())
                self._hold_to_length(sheet, int(lengths[row]), row + first_row, at)
            found.texts[at], found.numbers[at], found.dates[at] = texts, numbers, dates
        return found

    def hidden_rows(self, sheet: str) -> NDArray[np.int64]:
        """The numbers of the rows that a person does not see, by hand or by a filter."""
        runs = [np.arange(first, last + 1) for first, last in self._told(sheet).hidden]
        return np.unique(np.concatenate([np.zeros(0, np.int64), *runs])).astype(np.int64)

    def formulas_without_value(self, sheet: str) -> list[str]:
        """Cells, at most 20, whose formula was never calculated: they read as blank."""
        return self._told(sheet).unstored

    def _rows(self, sheet: str) -> Iterator[list[Any]]:
        """The rows from row 1 on, from column A on."""
        self._told(sheet)
        if self._open is None or self._open[0] != sheet:
            self._open = None
            with self._refusing_damage():
                self._open = sheet, self._book.get_sheet_by_name(sheet)
        read = self._open[1]
        if read.start is None:
            return
        margin = [""] * read.start[1]
        rows = read.iter_rows()
        while True:
            with self._refusing_damage():
                block = list(islice(rows, _ROWS_AT_ONCE))
            if not block:
                return
            yield from (margin + row for row in block) if margin else block

    def _told(self, sheet: str) -> SheetXml:
        """What the XML tells of a sheet, looked at once; it is within limits."""
        names = [info.name for info in self.sheets]
        if sheet not in names:
            what = f"there is no sheet {sheet!r}."
            raise RefusedError([Problem(self._path, what, nearest(sheet, names))])
        if sheet not in self._xml:
            if self._ods:
                return SheetXml()
            with self._zip.open(self._parts[sheet]) as part:
                told = xlsx_sheet(part, self._damaged())
            told.copied = copied_bytes(self._zip, self._parts[sheet], told, self._damaged())
            self._hold_to_limits(sheet, told)
            self._xml[sheet] = told
        return self._xml[sheet]

    def _hold_to_limits(self, sheet: str, told: SheetXml) -> None:
        what, mend = "", "Delete what lies outside the table, and save it again."
        if told.too_large:
            what = (
                f"has more than {MAX_COLUMNS:,} columns or {MAX_ROWS:,} rows, "
                "which is more than a spreadsheet can hold."
            )
        elif told.too_wrong:
            what = f"has more than {MAX_ERRORS:,} cells with errors."
            mend = "Mend its formulas, and save it again."
        elif told.copied > MAX_COPIED + _EMPTY_PER_CELL * told.cells * 16:
            what = f"holds texts that unpack to {told.copied >> 20:,} MB."
            mend = "Export it again, or in parts."
        elif told.rows * told.columns > max(_SMALL_SHEET, _EMPTY_PER_CELL * told.cells):
            what = (
                f"spans {told.rows:,} rows and {told.columns:,} columns, "
                f"with only {told.cells:,} cells in it."
            )
        if what:
            raise RefusedError([Problem(self._path, f"sheet {sheet!r} {what}", mend)])

    def _hold_to_length(self, sheet: str, length: int, row: int, at: int) -> None:
        if length > MAX_CELL:
            what = f"cell {address(row, at)} of sheet {sheet!r} has {length:,} characters."
            mend = f"A spreadsheet holds {MAX_CELL:,}; look for what filled it, and empty it."
            raise RefusedError([Problem(self._path, what, mend, row=row)])

    @contextmanager
    def _refusing_damage(self) -> Iterator[None]:
        try:
            yield
        except (CalamineError, ValueError, OSError, OverflowError):
            raise self._damaged() from None
        except BaseException as error:
            # A fault inside the reader; its class belongs to no module that could be imported.
            if type(error).__name__ != "PanicException":
                raise
            raise self._damaged() from None

    def _damaged(self) -> RefusedError:
        what = "the workbook is damaged."
        return RefusedError([Problem(self._path, what, "Open it, save it again, or export CSV.")])
