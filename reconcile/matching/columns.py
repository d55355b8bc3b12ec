"""Small column operations that matching is built of, all on whole numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Days = NDArray[np.datetime64]

_EARLY = np.iinfo(np.int64).min


def total(group: NDArray[np.integer], values: Ints, groups: int) -> Ints:
    """The sum of the values of each group."""
    out = np.zeros(groups, dtype=np.int64)
    np.add.at(out, group, values)
    return out


def count(group: NDArray[np.integer], groups: int) -> Ints:
    """How many rows each group has."""
    return np.bincount(group, minlength=groups).astype(np.int64)


def has(group: NDArray[np.integer], groups: int) -> Bools:
    """Which groups have a row."""
    out = np.zeros(groups, dtype=bool)
    out[group] = True
    return out


def latest(group: NDArray[np.integer], days: Days, groups: int) -> Days:
    """The last date of each group, NaT where it has none."""
    numbers = days.astype("datetime64[s]").astype(np.int64)  # NaT is the lowest of all numbers
    out = np.full(groups, _EARLY)
    np.maximum.at(out, group, numbers)
    return out.astype("datetime64[s]")


def earliest(group: NDArray[np.integer], days: Days, groups: int) -> Days:
    """The first date of each group, NaT where it has none."""
    numbers = days.astype("datetime64[s]").astype(np.int64)
    known = numbers != _EARLY
    out = np.full(groups, np.iinfo(np.int64).max)
    np.minimum.at(out, group[known], numbers[known])
    return np.where(out == np.iinfo(np.int64).max, _EARLY, out).astype("datetime64[s]")


def combined(*codes: NDArray[np.integer]) -> Ints:
    """One whole number for each combination of codes; codes are -1 or more.

    Raises OverflowError where the combinations would not fit into 64 bits.
    """
    out = codes[0].astype(np.int64) + 1
    size = int(out.max(initial=0)) + 1
    for code in codes[1:]:
        width = int(code.max(initial=0)) + 2
        size *= width
        if size > np.iinfo(np.int64).max:
            raise OverflowError("too many combinations of references")
        out = out * width + (code.astype(np.int64) + 1)
    return out


def numbered(*columns: pd.Series) -> tuple[list[Ints], pd.Series]:
    """Codes of texts in several columns by one common list, and that list."""
    arrays = [pa.array(column, pa.string(), from_pandas=True) for column in columns]
    # A column may come in one piece, in several, or, being empty, in none.
    pieces = [
        piece
        for array in arrays
        for piece in (array.chunks if isinstance(array, pa.ChunkedArray) else [array])
    ]
    coded = pa.chunked_array(pieces, pa.string()).dictionary_encode().combine_chunks()
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.chunk(0)
    codes = coded.indices.to_numpy(zero_copy_only=False).astype(np.int64)
    ends = np.cumsum([len(column) for column in columns])
    return np.split(codes, ends[:-1]), coded.dictionary.to_pandas().astype("str")


def placed(pairs: Ints, first: int) -> tuple[int, Ints]:
    """Number the distinct values of the first rows, and find them again in the others.

    How many there are among the ``first`` rows, and the number of every row; -1 where a row is
    negative or its value is not among them.
    """
    codes, _ = pd.factorize(pairs)
    size = int(codes[:first].max(initial=-1)) + 1
    found = np.where((codes < size) & (pairs >= 0), codes, -1)
    return size, np.asarray(found, dtype=np.int64)


def text(frame: pd.DataFrame, name: str) -> pd.Series:
    """A text column, blank where no source brings it."""
    if name in frame:
        return frame[name]
    return pd.Series("", index=frame.index, dtype="str")


def number(frame: pd.DataFrame, name: str, missing: int = 0) -> Ints:
    """A whole-number column with a value for blanks."""
    if name not in frame:
        return np.full(len(frame), missing, dtype=np.int64)
    return np.asarray(frame[name].fillna(missing).to_numpy(dtype=np.int64))


def known(frame: pd.DataFrame, name: str) -> Bools:
    """Where a column has a value."""
    if name not in frame:
        return np.zeros(len(frame), dtype=bool)
    return np.asarray(frame[name].notna().to_numpy())


def days(frame: pd.DataFrame, name: str) -> Days:
    """A date column, NaT where no source brings it."""
    if name not in frame:
        return np.full(len(frame), np.datetime64("NaT", "s"))
    return np.asarray(frame[name].to_numpy().astype("datetime64[s]"))


def masked(
    values: NDArray[np.integer] | pd.Series, unknown: Bools | pd.Series
) -> pd.arrays.IntegerArray:
    """Whole numbers that are missing where they are not known."""
    return pd.arrays.IntegerArray(np.asarray(values, dtype=np.int64), np.asarray(unknown))
