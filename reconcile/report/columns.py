"""Columns of a report as text: amounts, dates, numbers, and texts that stay texts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.money import minor_digits

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
# Bytes without which neither pattern can match: at the start of a text, and anywhere in it.
_BYTES_AT_START = np.zeros(256, dtype=bool)
_BYTES_AT_START[[*range(33), *b"=+-@", *range(127, 256)]] = True
_BYTES_INSIDE = np.zeros(256, dtype=bool)
_BYTES_INSIDE[[*b",;|\"'\t\r\n\x00"]] = True


def text(column: pd.Series) -> pa.Array:
    """Texts as Arrow strings with null for blank."""
    array = _plain(pa.array(column, from_pandas=True))
    return pc.if_else(pc.equal(array, ""), None, array)


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
    array = pc.replace_substring_regex(_plain(pa.array(column)), _SAFE_AT_START, r"\1")
    array = pc.replace_substring_regex(array, _SAFE_INSIDE, r"\1\2\3")
    return pd.Series(array.to_pylist(), index=column.index, dtype="str")


def _plain(array: pa.Array | pa.ChunkedArray) -> pa.Array:
    """One chunk of 64-bit strings that starts at its buffer's start."""
    whole = pc.cast(array, pa.large_string())
    return whole.combine_chunks() if isinstance(whole, pa.ChunkedArray) else whole


def _suspects(array: pa.Array) -> NDArray[np.bool_]:
    """Which texts could need an apostrophe, by a look at their bytes.

    Nearly no text does, and the patterns cost a second for a million order lines.
    """
    suspects = np.zeros(len(array), dtype=bool)
    if not len(array) or array.buffers()[2] is None:
        return suspects
    offsets = np.frombuffer(array.buffers()[1], dtype=np.int64)
    offsets = offsets[array.offset : array.offset + len(array) + 1]
    data = np.frombuffer(array.buffers()[2], dtype=np.uint8)
    filled = np.flatnonzero(offsets[1:] > offsets[:-1])
    suspects[filled] = _BYTES_AT_START[data[offsets[filled]]]
    inside = np.flatnonzero(_BYTES_INSIDE[data[offsets[0] : offsets[-1]]]) + offsets[0]
    suspects[np.searchsorted(offsets, inside, side="right") - 1] = True
    known: NDArray[np.bool_] = array.is_valid().to_numpy(zero_copy_only=False)
    return suspects & known


def amount_digits(currency: pd.Series) -> NDArray[np.int64]:
    """Decimals of each row's currency; 0 where there is none."""
    codes, names = pd.factorize(currency)
    known = [minor_digits(str(name)) or 0 for name in names]
    return np.array([*known, 0], dtype=np.int64)[codes]


def amounts(minor: pd.Series, currency: pd.Series | str) -> pa.Array:
    """Minor units as exact decimal text in major units, null where there is no amount."""
    if isinstance(currency, str):
        return _scaled(minor, minor_digits(currency) or 0)
    digits = amount_digits(currency)
    used = np.unique(digits)
    if len(used) <= 1:
        return _scaled(minor, int(used[0]) if len(used) else 0)
    out = pa.nulls(len(minor), pa.string())
    for count in used:
        out = pc.if_else(pa.array(digits == count), _scaled(minor, int(count)), out)
    return out


def _scaled(minor: pd.Series, digits: int) -> pa.Array:
    """Whole numbers seen as decimals with so many digits after the point, as text."""
    known = minor.notna().to_numpy(dtype=bool)
    low = minor.fillna(0).to_numpy(dtype=np.int64)
    # A 128-bit decimal is its low and its high half, the high one all sign.
    halves = np.stack([low, low >> 63], axis=1)
    decimals = pa.Array.from_buffers(
        pa.decimal128(19, digits), len(low), [None, pa.py_buffer(np.ascontiguousarray(halves))]
    )
    return pc.if_else(pa.array(known), pc.cast(decimals, pa.string()), None)


def days(column: pd.Series) -> pa.Array:
    """Dates as Arrow dates, null where there is none."""
    values = column.to_numpy().astype("datetime64[D]")
    return pa.array(values, pa.date32(), mask=np.isnat(values))


def numbers(column: pd.Series) -> pa.Array:
    """Whole numbers, null where there is none."""
    return pc.cast(pa.array(column, from_pandas=True), pa.int64())
