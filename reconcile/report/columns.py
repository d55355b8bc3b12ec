"""Columns of a report as text: amounts, dates, numbers, and texts that stay texts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.joined import bytes_of, in_one_piece
from reconcile.money import decimal_texts, digits_of, minor_digits

# A spreadsheet runs a cell as a formula that begins with one of these, and so does one that
# follows a separator or quote where the file is read with other separators than its own
# (OWASP, CSV Injection). Full-width forms are folded to the plain ones by some programs.
_SPACE = r"[\p{Z}\p{Cf}]*"
_STARTS = r"=+\-@\x{FF1D}\x{FF0B}\x{FF0D}\x{FF20}"
_AT_START = rf"^({_SPACE}[{_STARTS}\p{{Cc}}])"
_BEFORE = r"([,;|\"'\t\r\n\x00])([\p{Z}\p{Cf}\p{Cc}]*)"
_INSIDE = f"{_BEFORE}([{_STARTS}])"
# What each of them becomes
_SAFE_AT_START = rf"^'({_SPACE}[{_STARTS}\p{{Cc}}])"
_SAFE_INSIDE = f"{_BEFORE}'([{_STARTS}])"
_BLOCK = 2**18  # bytes
# The last thousands of a whole number that are not set apart yet, and how many there can be
_THOUSANDS = r"^(-?\d+)(\d{3})"
_MOST_THOUSANDS = 6  # of 64 bits
# Bytes without which neither pattern can match: at the start of a text, and in it one of some
# signs after one that separates, or is no letter, digit or punctuation of ASCII.
_BYTES_AT_START = np.zeros(256, dtype=bool)
_BYTES_AT_START[[*range(33), *b"=+-@", *range(127, 256)]] = True
_SIGNS_INSIDE = b"=+-@" + "\uff1d".encode()[:1]
_BYTES_BEFORE = np.zeros(256, dtype=bool)
_BYTES_BEFORE[[*range(33), *b",;|\"'", *range(127, 256)]] = True


def text(column: pd.Series) -> pa.Array:
    """Texts as Arrow strings with null for blank."""
    array = in_one_piece(column)
    filled = pc.fill_null(pc.greater(pc.binary_length(array), 0), fill_value=False)
    if not len(array) or pc.all(filled).as_py():
        return array
    # The same bytes with another bitmap, which costs no copy of the texts.
    offsets = array.buffers()[1].slice(8 * array.offset, 8 * (len(array) + 1))
    return pa.Array.from_buffers(
        array.type, len(array), [filled.buffers()[1], offsets, array.buffers()[2]]
    )


def safe_text(column: pd.Series) -> pa.Array:
    """Texts that no spreadsheet takes for a formula, whole, with null for blank.

    An apostrophe goes before a text that begins with = + - @ (also full-width, also after
    spaces) or a control character, and before such a sign after a separator or quote inside the
    text. NUL becomes the replacement character, since some readers end the text there.
    """
    array = text(column)
    suspects = _suspects(array)
    if not suspects.any():
        return array
    mended = array.filter(pa.array(suspects))
    mended = pc.replace_substring_regex(mended, _INSIDE, r"\1\2'\3")
    mended = pc.replace_substring_regex(mended, _AT_START, r"'\1")
    mended = pc.replace_substring(mended, "\x00", "\ufffd")
    return pc.replace_with_mask(array, pa.array(suspects), mended)


def before_safe(column: pd.Series) -> pd.Series:
    """Texts of our own CSV files as they were before ``safe_text`` put its apostrophes."""
    array = pc.replace_substring_regex(in_one_piece(column), _SAFE_AT_START, r"\1")
    array = pc.replace_substring_regex(array, _SAFE_INSIDE, r"\1\2\3")
    return pd.Series(array.to_pylist(), index=column.index, dtype="str")


def strings(offsets: NDArray[np.int64], data: NDArray[np.uint8]) -> pa.Array:
    """The strings of ``bytes_of`` again."""
    buffers = [None, pa.py_buffer(offsets), pa.py_buffer(data)]
    return pa.Array.from_buffers(pa.large_string(), len(offsets) - 1, buffers)


def places_of(data: NDArray[np.uint8], signs: bytes) -> NDArray[np.int64]:
    """Where one of the signs stands; block by block, each small enough for a processor's cache."""
    found = [np.zeros(0, dtype=np.int64)]
    for begin in range(0, len(data), _BLOCK):
        block = data[begin : begin + _BLOCK]
        here = block == signs[0]
        for sign in signs[1:]:
            here |= block == sign
        found.append(np.flatnonzero(here) + begin)
    return np.concatenate(found)


def _suspects(array: pa.Array) -> NDArray[np.bool_]:
    """Which texts could need an apostrophe, by a look at their bytes.

    Nearly no text does, and the patterns cost a second for a million order lines.
    """
    offsets, data = bytes_of(array)
    suspects = np.zeros(len(array), dtype=bool)
    if not len(data):
        return suspects
    filled = np.flatnonzero(offsets[1:] > offsets[:-1])
    suspects[filled] = _BYTES_AT_START[data[offsets[filled]]]
    inside = places_of(data, _SIGNS_INSIDE)
    inside = inside[_BYTES_BEFORE[data[inside - 1]]]
    if not data.all():  # a NUL
        inside = np.append(inside, np.flatnonzero(data == 0))
    suspects[np.searchsorted(offsets, inside, side="right") - 1] = True
    known: NDArray[np.bool_] = array.is_valid().to_numpy(zero_copy_only=False)
    return suspects & known


def amounts(minor: pd.Series, currency: pd.Series | str) -> pa.Array:
    """Minor units as exact decimal text in major units, null where there is no amount."""
    if isinstance(currency, str):
        return decimal_texts(minor, np.array([minor_digits(currency) or 0]))
    return decimal_texts(minor, digits_of(currency))


def grouped(amount: pa.Array) -> pa.Array:
    """Decimal texts with their thousands set apart by commas."""
    for _ in range(_MOST_THOUSANDS):
        if not pc.any(pc.match_substring_regex(amount, _THOUSANDS)).as_py():
            break
        amount = pc.replace_substring_regex(amount, _THOUSANDS, r"\1,\2")
    return amount


def days(column: pd.Series) -> pa.Array:
    """Dates as Arrow dates, null where there is none."""
    values = column.to_numpy().astype("datetime64[D]")
    return pa.array(values, pa.date32(), mask=np.isnat(values))


def numbers(column: pd.Series) -> pa.Array:
    """Whole numbers, null where there is none."""
    return pc.cast(pa.array(column, from_pandas=True), pa.int64())
