"""Rows of a worksheet as the XML of its part, built by column.

Office Open XML (ECMA-376, part 1, 18.3.1.4): a text is an inline string and can never be a
formula, an amount is a number written with exactly the decimals it has. Building it here and
not cell by cell in a library makes tens of thousands of rows cost a fraction of a second.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from openpyxl.utils import get_column_letter

from reconcile.joined import bytes_of, in_one_piece, side_by_side
from reconcile.money import digits_of
from reconcile.report import columns

Kind = Literal["text", "prose", "date", "amount", "number", "yes-no", "link"]
# A style's number in the workbook, by kind and by decimals of the amount.
Styles = Mapping[tuple[Kind, int], int]

# Excel, specifications and limits (Microsoft): characters in a cell, digits of a number.
CELL_LIMIT = 32_767
EXACT_LIMIT = 10**15
MOST_LINKS = 65_530  # of one sheet
MOST_DIGITS = 4  # decimals of a currency (ISO 4217)
CUT_MARK = " … [cut here; the CSV file has all of it]"
# XML 1.0 (W3C), production 2: no other character may stand in a document.
_NOT_XML = r"[^\t\n\r\x{20}-\x{D7FF}\x{E000}-\x{FFFD}\x{10000}-\x{10FFFF}]"
# Bytes without which no such character is in a text
_STRANGE = bytes([*range(9), 11, 12, *range(14, 32)]) + "\ufffe".encode()[:1]
# A text that looks like an escaped character would be read as that character (ECMA-376,
# part 1, 22.4.2.4), so its underscore is escaped itself.
_ESCAPE_LIKE = r"_(x[0-9A-Fa-f]{4}_)"
_STRING = (' t="inlineStr"><is><t xml:space="preserve">', "</t></is></c>")
_ESCAPES = (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;"), ("\r", "&#13;"))
_ESCAPED = "".join(sign for sign, _ in _ESCAPES).encode()
PADDING = 3  # characters of a column's width that stay empty, with the indent
# Height of a line of text at 11 points, and the most that a row can have (Excel's limits).
LINE_POINTS = 15
_MOST_POINTS = 405
# The first day that all spreadsheet programs count alike; they hold 1900 for a leap year.
_FIRST_DAY = pd.Timestamp("1900-03-01").date()
_DAY_ZERO = pd.Timestamp("1899-12-30").date()


@dataclass(frozen=True)
class Column:
    """One column of a sheet: heading, where it comes from, how it is shown.

    ``currency`` names the column that holds the currency of an amount; an amount without one
    is in the home currency. ``formula`` names the column that holds what works the value out
    anew, ``link`` the column that holds the cell to which one leads; blank where there is none.
    """

    heading: str
    source: str
    kind: Kind = "text"
    currency: str = ""
    width: int = 30  # at most, in characters
    formula: str = ""
    link: str = ""


def cell_text(array: pa.Array) -> pa.Array:
    """Texts that a cell can hold: forbidden characters and cut ends are visible."""
    clean = in_one_piece(array)
    _, data = bytes_of(clean)
    if len(columns.places_of(data, _STRANGE)):
        clean = pc.replace_substring_regex(clean, _NOT_XML, "\ufffd")
    if (pc.max(pc.binary_length(clean)).as_py() or 0) > CELL_LIMIT:
        clean = _shortened(clean)
    if pc.any(pc.match_substring(clean, "_x")).as_py():
        clean = pc.replace_substring_regex(clean, _ESCAPE_LIKE, r"_x005F_\1")
    return clean


def one_text(text: str) -> str:
    """``cell_text`` of one text."""
    if text.isascii() and text.isprintable() and "_x" not in text and len(text) <= CELL_LIMIT:
        return text
    return str(cell_text(pa.array([text], pa.large_string()))[0].as_py())


def _shortened(texts: pa.Array) -> pa.Array:
    """The limit counts UTF-16 units: a character beyond the first plane is two of them."""
    units = pc.add(
        pc.utf8_length(texts), pc.count_substring_regex(texts, r"[\x{10000}-\x{10FFFF}]")
    )
    room = CELL_LIMIT - len(CUT_MARK)
    too_long = pc.fill_null(pc.greater(units, CELL_LIMIT), fill_value=False)
    cut = [_cut(value, room) for value in texts.filter(too_long).to_pylist()]
    return pc.replace_with_mask(texts, too_long, pa.array(cut, texts.type))


def _cut(value: str, room: int) -> str:
    units = value.encode("utf-16-le")[: 2 * room]
    return units.decode("utf-16-le", errors="ignore") + CUT_MARK


def rows_xml(
    frame: pd.DataFrame, shown: list[Column], first_row: int, styles: Styles, home: str
) -> memoryview:
    """All rows of a frame, the first one in ``first_row`` of its sheet, in UTF-8."""
    row = pc.cast(pa.array(np.arange(first_row, first_row + len(frame))), pa.string())
    parts = ['<row r="', row, '"', _heights(frame, shown), ">"]
    for place, column in enumerate(shown, start=1):
        made = _formula_cells if column.formula else _cells
        parts += ['<c r="' + get_column_letter(place), row, *made(frame, column, styles, home)]
    parts.append("</row>")
    return bytes_of(side_by_side(*parts))[1].data


def links_xml(frame: pd.DataFrame, shown: list[Column], first_row: int) -> list[str]:
    """The links of all rows of a frame, those of the first rows first."""
    links, order = [pa.array([], pa.large_string())], [np.zeros((0, 2), dtype=np.int64)]
    for place, column in enumerate(shown, start=1):
        if column.link:
            target = columns.text(frame[column.link])
            at = np.flatnonzero(target.is_valid().to_numpy(zero_copy_only=False))
            escaped = _escaped(target.take(pa.array(at)))
            start = f'<hyperlink ref="{get_column_letter(place)}'
            row = pa.array(first_row + at)
            links.append(side_by_side(start, row, '" location="', escaped, '"/>'))
            order.append(np.column_stack([at, np.full(len(at), place)]))
    rows, places = np.concatenate(order).T
    first = np.lexsort((places, rows))[:MOST_LINKS]
    return [str(xml) for xml in pa.concat_arrays(links).take(pa.array(first)).to_pylist()]


def _heights(frame: pd.DataFrame, shown: list[Column]) -> pa.Array:
    """Room for wrapped texts; not every program makes it by itself when it opens a file."""
    lines = pa.array([1] * len(frame), pa.int32())
    for column in shown:
        if column.kind == "prose":
            value = columns.text(frame[column.source])
            own = pc.cast(pc.count_substring(value, "\n"), pa.int32())
            length = pc.utf8_length(value)
            # Words are not split, but most letters are narrower than the digits of a width.
            wrapped = pc.divide(length, column.width + PADDING)
            wrapped = pc.if_else(pc.greater(length, column.width), wrapped, 0)
            lines = pc.max_element_wise(lines, pc.add(pc.add(own, wrapped), 1))
    points = pc.cast(pc.min_element_wise(pc.multiply(lines, LINE_POINTS), _MOST_POINTS), "string")
    height = pc.binary_join_element_wise(' ht="', points, '" customHeight="1"', "")
    return pc.if_else(pc.greater(lines, 1), height, "")


def _cells(frame: pd.DataFrame, column: Column, styles: Styles, home: str) -> list[pa.Array | str]:
    """What follows a cell's reference: its style, its type and its value."""
    kind = column.kind
    if kind in ("text", "prose", "yes-no", "link"):
        return _string_cells(_texts(frame, column), styles[kind, 0])
    source = frame[column.source]
    if kind == "date":
        day = columns.days(source)
        early = pc.fill_null(pc.less(day, _FIRST_DAY), fill_value=False)
        serial = pc.days_between(pa.scalar(_DAY_ZERO), day)
        return _number_cells(serial, early, pc.cast(day, pa.string()), [str(styles[kind, 0])])
    if kind == "number":
        whole = columns.numbers(source)
        return _number_cells(whole, _too_long(whole), whole, [str(styles[kind, 0])])
    amount = _amounts(frame, column, home)
    style = _amount_styles(frame, column, styles, home)
    return _number_cells(amount, _too_long(columns.numbers(source)), amount, [style])


def _amounts(frame: pd.DataFrame, column: Column, home: str) -> pa.Array:
    currency = frame[column.currency] if column.currency else home
    return columns.amounts(frame[column.source], currency)


def _amount_styles(frame: pd.DataFrame, column: Column, styles: Styles, home: str) -> pa.Array:
    digits = digits_of(
        frame[column.currency] if column.currency else pd.Series(home, index=frame.index)
    )
    by_digits = pa.array([str(styles["amount", count]) for count in range(MOST_DIGITS + 1)])
    return by_digits.take(pa.array(digits))


def _formula_cells(
    frame: pd.DataFrame, column: Column, styles: Styles, home: str
) -> list[pa.Array | str]:
    """Formulas with the value that they have now, for programs that do not work it out."""
    kind, what = column.kind, ""
    style: pa.Array | str = str(styles[kind, 0])
    if kind == "amount":
        value, style = _amounts(frame, column, home), _amount_styles(frame, column, styles, home)
    elif kind == "number":
        value = pc.cast(columns.numbers(frame[column.source]), pa.large_string())
    else:
        value, what = _escaped(columns.text(frame[column.source])), ' t="str"'
    formula = _escaped(columns.text(frame[column.formula]))
    known = side_by_side(f"{what}><f>", formula, "</f><v>", value, "</v></c>")
    return ['" s="', style, '"', pc.fill_null(known, "/>")]


def _texts(frame: pd.DataFrame, column: Column) -> pa.Array:
    source = frame[column.source]
    if column.kind != "yes-no":
        return columns.text(source)
    return pc.if_else(pa.array(source.astype("bool")), "yes", "no")


def _too_long(whole: pa.Array) -> pa.Array:
    """Numbers of more digits than a spreadsheet keeps; they are shown as texts."""
    known = pc.fill_null(whole, 0)
    return pc.or_(pc.greater_equal(known, EXACT_LIMIT), pc.less_equal(known, -EXACT_LIMIT))


def _string_cells(array: pa.Array, style: int) -> list[pa.Array | str]:
    value = _escaped(cell_text(array))
    if value.null_count:
        return [f'" s="{style}"', pc.fill_null(_wrapped(value), "/>")]
    return [f'" s="{style}"{_STRING[0]}', value, _STRING[1]]


def _escaped(value: pa.Array) -> pa.Array:
    value = in_one_piece(value)
    _, data = bytes_of(value)
    if len(columns.places_of(data, _ESCAPED)):
        for sign, escape in _ESCAPES:
            value = pc.replace_substring(value, sign, escape)
    return value


def _wrapped(value: pa.Array) -> pa.Array:
    return side_by_side(_STRING[0], value, _STRING[1])


def _number_cells(
    value: pa.Array, as_text: pa.Array, text: pa.Array, style: list[pa.Array | str]
) -> list[pa.Array | str]:
    number = side_by_side("><v>", value, "</v></c>")
    text = pc.if_else(as_text, _wrapped(pc.cast(text, pa.large_string())), number)
    return ['" s="', *style, '"', pc.fill_null(text, "/>")]
