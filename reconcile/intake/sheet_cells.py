"""The values of a workbook's cells as texts: numbers, dates, truth values and errors."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from contextlib import suppress
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

Bools = NDArray[np.bool_]

_DIGITS = 15  # source: Microsoft, "Excel specifications and limits"
_WHOLE = 10.0**_DIGITS


def column_of(cells: tuple[Any, ...]) -> tuple[pa.Array, Bools, Bools]:
    """Texts of cells, and which are numbers and which are dates."""
    kinds = set(map(type, cells))
    none = np.zeros(len(cells), np.bool_)
    if kinds <= {str}:
        return pa.array(cells, pa.string()), none, none
    if kinds == {float}:
        return _numbers(np.array(cells)), ~none, none
    texts = pa.array([text_of(cell) for cell in cells], pa.string())
    numbers = np.fromiter((type(cell) in (float, int) for cell in cells), np.bool_, len(cells))
    if not kinds & {dt.date, dt.datetime, dt.time, dt.timedelta}:
        return texts, numbers, none
    plain = (float, int, str, bool)
    dates = np.fromiter((type(cell) not in plain for cell in cells), np.bool_, len(cells))
    return texts, numbers, dates


def joined(parts: list[tuple[pa.Array, Bools, Bools]]) -> tuple[pa.Array, Bools, Bools]:
    """One column of the parts of it that stand below each other."""
    none = np.zeros(0, np.bool_)
    texts = pa.concat_arrays([pa.array([], pa.string()), *(part[0] for part in parts)])
    numbers = np.concatenate([none, *(part[1] for part in parts)])
    return texts, numbers, np.concatenate([none, *(part[2] for part in parts)])


def with_errors(texts: pa.Array, errors: Iterable[tuple[int, int, str]]) -> tuple[pa.Array, Bools]:
    """Texts with those of errors put in (first and last position, text), and where they are."""
    cells, wrong = texts.to_pylist(), np.zeros(len(texts), np.bool_)
    for first, last, text in errors:
        for at in range(max(first, 0), min(last + 1, len(cells))):
            cells[at] = text
            wrong[at] = True
    return pa.array(cells, pa.string()), wrong


def text_of(cell: Any) -> str:
    """The text of one cell, as described at Workbook.columns."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, (float, int)):
        return _number(cell)
    if isinstance(cell, dt.datetime):
        return _moment(cell)
    if isinstance(cell, dt.time):
        cell = dt.timedelta(
            hours=cell.hour, minutes=cell.minute, seconds=cell.second, microseconds=cell.microsecond
        )
    if isinstance(cell, dt.timedelta):
        seconds = round(cell.total_seconds())
        sign, seconds = ("-", -seconds) if seconds < 0 else ("", seconds)
        return f"{sign}{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"
    return str(cell.isoformat())


def _moment(cell: dt.datetime) -> str:
    """A date with its time, rounded to the second where that is a date at all."""
    with suppress(OverflowError):  # the last second of the year 9999
        cell += dt.timedelta(microseconds=500_000)
    return cell.replace(microsecond=0).isoformat(sep=" ")


def _numbers(values: NDArray[np.float64]) -> pa.Array:
    """The same as _number for each; pyarrow writes the shortest text that means the same number.

    Where that has at most 15 digits and no exponent, it is the text wanted.
    """
    if bool(((values == np.rint(values)) & (np.abs(values) < _WHOLE)).all()):
        return pa.array(values.astype(np.int64)).cast(pa.string())
    texts = pc.replace_substring_regex(pa.array(values).cast(pa.string()), r"\.0$", "")
    odd = pc.or_(
        pc.match_substring_regex(texts, "[a-z]"), pc.greater(pc.binary_length(texts), _DIGITS)
    ).to_numpy(zero_copy_only=False) | (values == 0)
    if not odd.any():
        return texts
    again = pa.array([_number(value) for value in values[odd].tolist()], pa.string())
    return pc.replace_with_mask(texts, pa.array(odd), again)


def _number(value: float) -> str:
    """A number with the 15 significant digits that a spreadsheet keeps and shows."""
    if value == 0:
        return "0"
    text = f"{value:.{_DIGITS}g}"
    if "e" not in text:
        return text
    digits, _, power = f"{value:.{_DIGITS - 1}e}".partition("e")
    digits = digits.rstrip("0").rstrip(".")
    if int(power) >= _DIGITS:
        return f"{digits}E+{int(power)}"
    return f"{value:.{_DIGITS - 1 - int(power)}f}".rstrip("0").rstrip(".")


def address(row: int, at: int) -> str:
    """What a spreadsheet calls the cell of a row and a column position from 0."""
    letters, left = "", at + 1
    while left:
        left, digit = divmod(left - 1, 26)
        letters = chr(65 + digit) + letters
    return f"{letters}{row}"
