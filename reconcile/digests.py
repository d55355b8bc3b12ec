"""Digests of cells and rows by column: 64 bits, the same on every machine and every run.

They tell rows apart that nobody has made alike on purpose: among a million different rows two have
the same digest in about one of thirty million shops (n²/2 pairs, 2^64 digests).
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from reconcile.joined import bytes_of, in_one_piece

Ints = NDArray[np.int64]
_Words = NDArray[np.uint64]
# Two odd numbers with about as many ones as zeros: the golden ratio, and a prime (from memory)
_FIRST, _SECOND = np.uint64(0x9E3779B97F4A7C15), np.uint64(0xD6E8FEB86659FD93)
_NOTHING = np.iinfo(np.int64).min  # a number that is not there, and so a date as a number
_AT_ONCE = 1 << 20  # values that are looked up at a time
_ROWS = 1 << 16  # rows that are digested at a time: what is mixed stays near the processor
_WORD = 8  # bytes that are mixed at once
_MASKS = np.array([(1 << 8 * kept) - 1 for kept in range(_WORD + 1)], dtype=np.uint64)


def digest_rows(columns: Iterable[tuple[str, pd.Series]], kind: str) -> Ints:
    """A digest of each row: of its kind, and of the names and contents of its cells.

    Columns of the same length, at least one; a blank cell counts as a column that is not there.
    """
    every = list(columns)
    if not every:
        raise ValueError("no columns")
    size = len(every[0][1])
    out = np.full(size, _of_word(kind))
    for start in range(0, size, _ROWS):
        here = slice(start, start + _ROWS)
        for name, values in every:
            cells, blank = _digest_cells(values.iloc[here])
            mixed = out[here] ^ _of_word(name)
            _mix(mixed, cells)
            # A column that a newer file brings blank says nothing new.
            np.copyto(out[here], mixed, where=~blank)
    return out.view(np.int64)


def digest_texts(texts: pd.Series) -> Ints:
    """A digest of each text."""
    return _digest_cells(texts)[0].view(np.int64)


def mixed(one: Ints, other: Ints) -> Ints:
    """Two digests, or a digest and a number, as one."""
    out = one.view(np.uint64).copy()
    _mix(out, other.view(np.uint64))
    return out.view(np.int64)


def is_one_of(values: Ints, wanted: Ints) -> NDArray[np.bool_]:
    """Which values are among the wanted ones, of which there are fewer."""
    if not len(wanted):
        return np.zeros(len(values), dtype=bool)
    return np.array(pd.Series(values, copy=False).isin(wanted), dtype=bool)


def each_once(values: Ints) -> Ints:
    """The values sorted, each once."""
    return first_of_each(np.sort(values))


def first_of_each(ordered: Ints) -> Ints:
    """Sorted values, each once."""
    first = np.ones(len(ordered), dtype=bool)
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    return ordered if first.all() else ordered[first]


def repeated(values: Ints) -> Ints:
    """The values that are there more than once, sorted, each once."""
    ordered = np.sort(values)
    return first_of_each(ordered[1:][ordered[1:] == ordered[:-1]])


def not_among(ordered: Ints, values: Ints) -> Ints:
    """The values that are not in a sorted array."""
    some = np.array_split(values, len(values) // _AT_ONCE + 1)
    return np.concatenate([part[places_in(ordered, part) < 0] for part in some])


def places_in(ordered: Ints, values: Ints) -> Ints:
    """Where each value stands in a sorted array, -1 where it does not."""
    if not len(ordered):
        return np.full(len(values), -1, dtype=np.int64)
    at = np.searchsorted(ordered, values)
    np.minimum(at, len(ordered) - 1, out=at)
    at[ordered[at] != values] = -1
    return at


def _digest_cells(values: pd.Series) -> tuple[_Words, NDArray[np.bool_]]:
    """A digest of each cell, and which cells are blank."""
    if pd.api.types.is_datetime64_any_dtype(values):
        numbers = values.to_numpy().astype("datetime64[D]").astype(np.int64)
    elif pd.api.types.is_integer_dtype(values) or pd.api.types.is_bool_dtype(values):
        whole = values.astype("Int64") if pd.api.types.is_bool_dtype(values) else values
        numbers = np.asarray(whole.to_numpy(dtype=np.int64, na_value=_NOTHING))
    else:
        return _digest_of_texts(in_one_piece(values))
    return numbers.view(np.uint64), numbers == _NOTHING


def _digest_of_texts(texts: pa.Array) -> tuple[_Words, NDArray[np.bool_]]:
    """Words of eight bytes, the last filled up with zeros, are mixed into the length in turn."""
    if not len(texts):
        return np.empty(0, np.uint64), np.empty(0, bool)
    if texts.null_count:
        texts = texts.fill_null("")
    ends, data = bytes_of(texts)
    at: Ints | None = None
    size = np.diff(ends)
    out = size.astype(np.uint64)
    _mix(out, np.uint64(0))
    padded = np.append(data, np.zeros(_WORD, dtype=np.uint8))
    # The eight bytes from every byte on
    words = np.ndarray((len(data) + 1,), "<u8", buffer=padded.data, strides=(1,))
    start, left = ends[:-1], size
    _mix(out, _word(words, start, left))
    live = np.flatnonzero(left > _WORD)
    while len(live):
        start, left = start[live] + _WORD, left[live] - _WORD
        longer = out[at := live if at is None else at[live]]
        _mix(longer, _word(words, start, left))
        out[at] = longer
        live = np.flatnonzero(left > _WORD)
    return out, size == 0


def _word(words: _Words, start: Ints, left: Ints) -> _Words:
    """The next eight bytes of texts of which so many bytes are left."""
    return words[start].astype(np.uint64, copy=False) & _MASKS[np.minimum(left, _WORD)]


@cache
def _of_word(text: str) -> np.uint64:
    return np.uint64(digest_texts(pd.Series([text], dtype="str")).view(np.uint64)[0])


def _mix(into: _Words, other: _Words | np.uint64) -> None:
    """Mix digests or numbers into digests, in place: multiplied and shifted, wrapping around."""
    into ^= other
    into *= _FIRST
    into ^= into >> np.uint64(32)
    into *= _SECOND
    into ^= into >> np.uint64(29)
