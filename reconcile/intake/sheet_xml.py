"""What the XML of a sheet tells and python-calamine does not: its size, hidden rows, errors.

It is read by patterns on bytes, in blocks of whole rows. Files come from outside: every pattern
stops at the next tag or after a bounded number of characters, so that none takes longer than the
XML is long. This module holds what both kinds of workbook need, and the sheets of an .xlsx.
"""

from __future__ import annotations

import bisect
import html
import posixpath
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import IO

import numpy as np

from reconcile.errors import RefusedError
from reconcile.intake.sheet_cells import address

# Microsoft, "Excel specifications and limits".
MAX_ROWS = 1_048_576
MAX_COLUMNS = 16_384
# Cells with errors that stand below each other and are alike count once.
MAX_ERRORS = 500_000
# A text stored once may be shown in many cells, each of which holds it while it is read.
MAX_COPIED = 256 << 20
_NO_VALUE = "#ERROR!"
_SHOWN = 20
_BLOCK = 1 << 20
_MAX_BLOCK = 1 << 26
_TAG = 500  # the longest tag of a cell, in bytes; spreadsheets write at most a hundred

_ROW_NUMBER = re.compile(rb"\br\s*=\s*[\"'](\d{1,9})")
_HIDDEN = re.compile(rb"\bhidden\s*=\s*[\"'](?:1|true)")
_CELL_NAME = re.compile(rb"\br\s*=\s*[\"']([A-Za-z]{1,9})(\d{1,9})")
_ERROR_TYPE = re.compile(rb"t=[\"']e[\"']")
_SHARED = "xl/sharedStrings.xml"
_SHARED_TEXT = re.compile(rb"t=[\"']s[\"'][^<>]{0,%d}>\s{0,99}<(?:\w+:)?v>(\d{1,9})<" % _TAG)


@dataclass
class SheetXml:
    """What the XML of one sheet tells.

    ``rows`` and ``columns`` are its size, ``cells`` how many cells are there, ``shared`` how many
    of them show a text that is stored once for all, and ``copied`` how many bytes of text cells
    hold beyond those of the XML. ``hidden`` are runs of hidden rows (first, last), ``errors`` by
    column position the runs of cells with the same error (first row, last row, text), and
    ``unstored`` the first cells whose formula has no stored result.
    """

    rows: int = 0
    columns: int = 0
    cells: int = 0
    shared: int = 0
    copied: int = 0
    hidden: list[tuple[int, int]] = field(default_factory=list)
    errors: dict[int, list[tuple[int, int, str]]] = field(default_factory=dict)
    unstored: list[str] = field(default_factory=list)
    _runs: int = 0

    @property
    def too_large(self) -> bool:
        """Whether it is larger than a spreadsheet can be; it has not been read to its end then."""
        return self.rows > MAX_ROWS or self.columns > MAX_COLUMNS

    @property
    def too_wrong(self) -> bool:
        """Whether it has more errors than are kept."""
        return self._runs > MAX_ERRORS

    def hide(self, first: int, last: int) -> None:
        """Rows that a person does not see."""
        if self.hidden and self.hidden[-1][1] + 1 == first:
            first = self.hidden.pop()[0]
        self.hidden.append((first, last))

    def add_error(self, first: int, last: int, at: int, text: str) -> None:
        """Cells of one column that show an error."""
        runs = self.errors.setdefault(at, [])
        if runs and runs[-1][1] + 1 == first and runs[-1][2] == text:
            first = runs.pop()[0]
            self._runs -= 1
        if not self.too_wrong:
            runs.append((first, last, text or _NO_VALUE))
            self._runs += 1

    def add_unstored(self, row: int, at: int) -> None:
        """A cell whose formula has no stored result."""
        if len(self.unstored) < _SHOWN:
            self.unstored.append(address(row, at))


def attributes(tag: bytes) -> dict[str, str]:
    """The attributes in the text of a tag."""
    pairs = re.findall(rb"([\w:.-]+)\s*=\s*(?:\"([^\"<]*)\"|'([^'<]*)')", tag)
    return {name.decode(): unescaped(double or single) for name, double, single in pairs}


def unescaped(text: bytes) -> str:
    """Text of XML as it is meant."""
    return html.unescape(text.decode("utf-8", "replace"))


def blocks(part: IO[bytes], ends: bytes, damaged: RefusedError) -> Iterator[bytes]:
    """The XML of a part in blocks of whole rows; the last one is what follows them."""
    rest = b""
    while chunk := part.read(_BLOCK):
        rest += chunk
        cut = rest.rfind(ends, max(len(rest) - len(chunk) - len(ends), 0))
        if cut >= 0:
            yield rest[: cut + len(ends)]
            rest = rest[cut + len(ends) :]
        if len(rest) > _MAX_BLOCK:
            raise damaged
    yield rest


def sheet_parts(
    package: zipfile.ZipFile, names: Sequence[str], damaged: RefusedError
) -> dict[str, str]:
    """Which part of an .xlsx holds which sheet (ECMA-376 part 1, section 18.2.19)."""
    targets = {}
    tag = rb"<(?:\w+:)?%b\s([^<>]*)"
    try:
        links = package.read("xl/_rels/workbook.xml.rels")
        for found in re.finditer(tag % b"Relationship", links):
            named = attributes(found[1])
            targets[named["Id"]] = posixpath.normpath(posixpath.join("/xl", named["Target"]))
        tags = re.finditer(tag % b"sheet", package.read("xl/workbook.xml"))
        ids = [attributes(found[1])["r:id"] for found in tags]
        parts = [targets[key].lstrip("/") for key in ids]
        known = {name.lower(): name for name in package.namelist()}
        return {name: known[part.lower()] for name, part in zip(names, parts, strict=True)}
    except (KeyError, ValueError):
        raise damaged from None


def copied_bytes(
    package: zipfile.ZipFile, part: str, sheet: SheetXml, damaged: RefusedError
) -> int:
    """How many bytes the shared texts of an .xlsx make up in the cells of a sheet, if many."""
    if not sheet.shared or _SHARED not in package.namelist():
        return 0
    lengths: list[int] = []
    with package.open(_SHARED) as strings:
        for block in blocks(strings, b"</si>", damaged):
            lengths += map(len, block.split(b"</si>")[:-1])
    if max(lengths, default=0) * sheet.shared <= MAX_COPIED:
        return 0
    sizes, copied = np.array([*lengths, 0]), 0
    with package.open(part) as cells:
        for block in blocks(cells, b"</row>", damaged):
            used = np.array([int(at) for at in _SHARED_TEXT.findall(block)], np.int64)
            copied += int(sizes[np.minimum(used, len(lengths))].sum())
    return copied


class _Tags:
    """Patterns for the tags of a sheet; ``x`` is the prefix that some programs put before each."""

    def __init__(self, x: bytes) -> None:
        self.row_end = b"</%brow>" % x
        self.row = re.compile(rb"<%brow\b([^<>]*)>" % x)
        self.begins = b"<%bc" % x
        self.begins_named = b"<%bc r=" % x
        self.cell = re.compile(rb"<%bc\b([^<>]{0,%d})>" % (x, _TAG))
        self.start = re.compile(rb"<%bc(?=[\s/>])" % x)
        self.first_named = re.compile(rb"\s{0,99}<%bc r=[\"'][A-Za-z]{1,9}(\d{1,9})" % x)
        self.wide = re.compile(rb"<%bc r=[\"']([A-Za-z]{2,9})\d" % x)
        self.in_row = re.compile(rb"<%bc r=..[A-Za-z]{0,9}(\d{0,9})" % x)
        # A cell that does not begin with its name, and one that has none.
        self.odd = re.compile(rb"<%bc(?! r=)([\s/>][^<>]{0,%d})" % (x, _TAG))
        self.nameless = re.compile(rb"<%bc(?:/?>|\s(?![^<>]{0,%d}\br\s*=))" % (x, _TAG))
        formula = rb"<%bf\b(?:[^<>]*/>|[^<>]*>[^<]*</%bf>)\s{0,99}" % (x, x)
        self.unstored = re.compile(
            formula + rb"(?:<%bv\s{0,99}/>|<%bv>\s{0,99}</%bv>|</%bc>)" % (x, x, x, x)
        )
        self.value = re.compile(rb"\s{0,99}(?:%b)?<%bv>([^<]*)" % (formula, x))


@dataclass(frozen=True)
class _Rows:
    """A block of XML: where its rows begin, and their numbers."""

    tags: _Tags
    block: bytes
    starts: list[int]
    numbers: list[int]

    @cached_property
    def cells(self) -> list[int]:
        """Where its cells begin."""
        return [cell.start() for cell in self.tags.start.finditer(self.block)]

    def cell_before(self, at: int) -> re.Match[bytes] | None:
        """The tag of a cell that begins at most so many bytes before, as tags are long."""
        begin = self.block.rfind(self.tags.begins, max(at - 2 * _TAG, 0), at)
        return self.tags.cell.match(self.block, begin) if begin >= 0 else None

    def place(self, cell: re.Match[bytes]) -> tuple[int, int]:
        """Row and column position of a cell; without a name it follows the one before."""
        named = _CELL_NAME.search(cell[1])
        if named:
            return int(named[2]), _position(named[1]) - 1
        row = bisect.bisect_right(self.starts, cell.start()) - 1
        if row < 0:
            return 1, 0
        before = bisect.bisect_left(self.cells, self.starts[row])
        return self.numbers[row], bisect.bisect_left(self.cells, cell.start()) - before


def xlsx_sheet(part: IO[bytes], damaged: RefusedError) -> SheetXml:
    """What the XML of a sheet of an .xlsx tells.

    Rows and cells without their number follow the one before (ECMA-376 part 1, section 18.3.1.4).
    Raises RefusedError where rows stand in another order than their numbers, or cells in another
    row than their names say: how large the sheet is could not be told.
    """
    sheet = SheetXml()
    root = re.search(rb"<(\w+:)?worksheet[\s>]", part.read(_BLOCK))
    if not root:
        raise damaged
    part.seek(0)
    tags = _Tags(root[1] or b"")
    for block in blocks(part, tags.row_end, damaged):
        rows = _rows(sheet, tags, block, damaged)
        _size(sheet, tags, block, damaged)
        if sheet.too_large or sheet.too_wrong:
            break
        _errors(sheet, rows)
        _unstored(sheet, rows)
    return sheet


def _rows(sheet: SheetXml, tags: _Tags, block: bytes, damaged: RefusedError) -> _Rows:
    rows = _Rows(tags, block, [], [])
    for tag in tags.row.finditer(block):
        said = _ROW_NUMBER.search(tag[1]) or tags.first_named.match(block, tag.end())
        number = int(said[1]) if said else sheet.rows + 1
        if number <= sheet.rows:
            raise damaged
        sheet.rows = number
        rows.starts.append(tag.start())
        rows.numbers.append(number)
        if b"hidden" in tag[1] and _HIDDEN.search(tag[1]):
            sheet.hide(number, number)
    return rows


def _size(sheet: SheetXml, tags: _Tags, block: bytes, damaged: RefusedError) -> None:
    """Count the cells, and see how wide the sheet is."""
    letters, last = set(tags.wide.findall(block)), set(tags.in_row.findall(block))
    widths = [26]
    sheet.cells += block.count(tags.begins_named)
    sheet.shared += block.count(b't="s"') + block.count(b"t='s'")
    if tags.odd.search(block):
        odd = tags.odd.findall(block)
        sheet.cells += len(odd)
        names = [name for tag in odd if (name := _CELL_NAME.search(tag))]
        letters |= {name[1] for name in names}
        last |= {name[2] for name in names}
        if tags.nameless.search(block):
            widths += [piece.count(tags.begins) for piece in tags.row.split(block)]
    if b"" in last or max(map(int, last), default=0) > sheet.rows:
        raise damaged
    sheet.columns = max(sheet.columns, *widths, *map(_position, letters))


def _errors(sheet: SheetXml, rows: _Rows) -> None:
    """Cells that show an error, with its text; calamine gives them as blank."""
    for found in _ERROR_TYPE.finditer(rows.block):
        cell = rows.cell_before(found.start())
        if cell and cell.end() > found.start():  # else it stands in a text
            row, at = rows.place(cell)
            text = rows.tags.value.match(rows.block, cell.end())
            sheet.add_error(row, row, at, unescaped(text[1]) if text else "")


def _unstored(sheet: SheetXml, rows: _Rows) -> None:
    """Formulas that have not been calculated."""
    for found in rows.tags.unstored.finditer(rows.block):
        cell = rows.cell_before(found.start())
        # A formula whose result is an empty text has a type, and nothing more to store.
        if cell and b't="str"' not in cell[1]:
            sheet.add_unstored(*rows.place(cell))


def _position(letters: bytes) -> int:
    """The position, from 1, of a column by its letters."""
    position = 0
    for letter in letters.upper():
        position = position * 26 + letter - 64
    return position
