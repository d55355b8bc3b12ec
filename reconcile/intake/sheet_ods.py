"""What the XML of an .ods tells of its sheets and python-calamine does not."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import IO
from xml.parsers import expat

from reconcile.errors import RefusedError
from reconcile.intake.sheet_xml import (
    MAX_COLUMNS,
    MAX_ROWS,
    SheetXml,
    attributes,
    blocks,
    unescaped,
)

_ATTRIBUTES = rb"((?:[^<>\"']|\"[^\"<]*\"|'[^'<]*')*)"
_TAG = re.compile(rb"<table:table(-row)?(?=[\s/>])" + _ATTRIBUTES + rb">")
_CELL = re.compile(rb"<table:(?:covered-)?table-cell(?=[\s/>])" + _ATTRIBUTES + rb">")
_TEXT = re.compile(rb"<text:p[^<>]*>([^<]*)")
_ROW_END = b"</table:table-row>"
_HOLDS = (b"office:value", b"table:formula")
_SPECIAL = (b"columns-repeated", b"table:formula", b'"error"')
_ERROR = re.compile(r"#[A-Z0-9/?! ]+|Err:\d+")


def ods_sheets(part: IO[bytes], damaged: RefusedError) -> dict[str, SheetXml]:
    """What content.xml tells of every sheet (OpenDocument 1.3 part 3, sections 9.1 and 19.6).

    All of the XML is held to its own rules first: calamine does not come back from a table that
    never ends.
    """
    sheets: dict[str, SheetXml] = {}
    sheet, row = SheetXml(), 0
    for block in _well_formed(blocks(part, _ROW_END, damaged), damaged):
        tags = list(_TAG.finditer(block))
        ends = [tag.start() for tag in tags[1:]] + [len(block)]
        for tag, end in zip(tags, ends, strict=False):
            named = attributes(tag[2])
            if not tag[1]:
                sheet, row = SheetXml(), 0
                sheets[named.get("table:name", "")] = sheet
                continue
            first, row = row + 1, row + _repeats(named.get("table:number-rows-repeated", "1"))
            if named.get("table:visibility", "visible") != "visible":
                sheet.hide(first, row)
            if not sheet.too_wrong:
                stop = block.find(_ROW_END, tag.end(), end)
                _row(sheet, block[tag.end() : max(stop, tag.end())], first, row)
    for sheet in sheets.values():  # empty rows to the end of the sheet may be hidden as well
        sheet.hidden = [(a, min(b, sheet.rows)) for a, b in sheet.hidden if a <= sheet.rows]
    return sheets


def _well_formed(parts: Iterable[bytes], damaged: RefusedError) -> Iterator[bytes]:
    parser = expat.ParserCreate("utf-8")
    try:
        for block in parts:
            parser.Parse(block)
            yield block
        parser.Parse(b"", True)  # noqa: FBT003
    except expat.ExpatError:
        raise damaged from None


def _row(sheet: SheetXml, row: bytes, first: int, last: int) -> None:
    """Add a row, which stands for the rows from ``first`` to ``last``."""
    last_cell = max(row.rfind(b"<table:table-cell"), 0)
    if not any(word in row[last_cell:] for word in _HOLDS):
        row = row[:last_cell]  # one empty cell stands for the rest of the row
    count = row.count(b"<table:table-cell") + row.count(b"<table:covered-table-cell")
    sheet.cells += count
    if not any(word in row for word in _HOLDS):
        return
    sheet.rows = last
    sheet.copied += (last - first) * len(row)
    if not any(word in row for word in _SPECIAL):
        sheet.columns = max(sheet.columns, count)
        return
    at, end = 0, 0
    for cell in _CELL.finditer(row):
        repeated = 1
        if any(word in cell[1] for word in _SPECIAL):
            named = attributes(cell[1])
            repeated = _repeats(named.get("table:number-columns-repeated", "1"))
            if end < cell.end():
                end = row.find(b"</table:", cell.end()) % (len(row) + 1)
            whole = slice(cell.end(), cell.end() if cell[1].endswith(b"/") else end)
            _special(sheet, named, row[whole], slice(at, at + repeated), range(first, last + 1))
            sheet.copied += (last - first + 1) * (repeated - 1) * (whole.stop - cell.start())
        at += repeated
        if b"office:value" in cell[1]:
            sheet.columns = max(sheet.columns, at)
        if sheet.too_large or sheet.too_wrong:
            return


def _special(
    sheet: SheetXml, named: dict[str, str], inside: bytes, columns: slice, rows: range
) -> None:
    """A cell with a formula or an error, which may stand for several."""
    if "office:value-type" not in named:
        if "table:formula" in named:
            sheet.add_unstored(rows[0], columns.start)
        return
    text = _TEXT.search(inside)
    shown = unescaped(text[1]) if text else ""
    wrong = "table:formula" in named and _ERROR.fullmatch(shown)
    if wrong or named.get("calcext:value-type") == "error":
        for at in range(columns.start, min(columns.stop, MAX_COLUMNS)):
            sheet.add_error(rows[0], rows[-1], at, shown)


def _repeats(text: str) -> int:
    """How often a row or cell is repeated; what is no number calamine refuses itself."""
    return min(int(text), 10 * MAX_ROWS) if text.isdecimal() and len(text) < MAX_ROWS else 1
