"""Small column operations that matching is built of, all on whole numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.joined import in_one_piece

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Days = NDArray[np.datetime64]
# The rows of records that stand behind rows of a fact table
LINK = {"at": "int64", "record": "str", "row_id": "int64"}

_EARLY = np.iinfo(np.int64).min
_DENSE = 8  # values that span up to so many times their rows are numbered by a table of them all


def total(group: NDArray[np.integer], values: Ints, groups: int) -> Ints:
    """The sum of the values of each group."""
    out = np.zeros(groups, dtype=np.int64)
    np.add.at(out, group, values)
    return out


def count(group: NDArray[np.integer], groups: int) -> Ints:
    """How many rows each group has."""
    return np.bincount(group, minlength=groups).astype(np.int64, copy=False)


def has(group: NDArray[np.integer], groups: int) -> Bools:
    """Which groups have a row."""
    out = np.zeros(groups, dtype=bool)
    out[group] = True
    return out


def latest(group: NDArray[np.integer], days: Days, groups: int) -> Days:
    """The last date of each group, NaT where it has none."""
    numbers = _seconds(days)  # NaT is the lowest of all numbers
    out = np.full(groups, _EARLY)
    np.maximum.at(out, group, numbers)
    return out.view("datetime64[s]")


def earliest(group: NDArray[np.integer], days: Days, groups: int) -> Days:
    """The first date of each group, NaT where it has none."""
    numbers = _seconds(days)
    known = numbers != _EARLY
    out = np.full(groups, np.iinfo(np.int64).max)
    np.minimum.at(out, group[known], numbers[known])
    out[out == np.iinfo(np.int64).max] = _EARLY
    return out.view("datetime64[s]")


def _seconds(days: Days) -> Ints:
    return days.astype("datetime64[s]", copy=False).view(np.int64)


def combined(*codes: NDArray[np.integer]) -> Ints:
    """One whole number for each combination of codes; codes are -1 or more.

    Raises OverflowError where the combinations would not fit into 64 bits.
    """
    out: Ints = np.add(codes[0], 1, dtype=np.int64)
    size = int(out.max(initial=0)) + 1
    for code in codes[1:]:
        width = int(code.max(initial=0)) + 2
        size *= width
        if size > np.iinfo(np.int64).max:
            raise OverflowError("too many combinations of references")
        out *= width
        out += code
        out += 1
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


def ranked(*columns: pd.Series) -> tuple[list[Ints], pd.Series]:
    """Codes of texts in several columns that sort as the texts do, and those texts; 0 is blank."""
    [_, *codes], names = numbered(pd.Series([""], dtype="str"), *columns)
    place = names.argsort().to_numpy()
    rank = np.empty(len(place), dtype=np.int64)
    rank[place] = np.arange(len(place))
    return [rank[code] for code in codes], names.iloc[place].reset_index(drop=True)


def as_array(texts: pd.Series) -> pa.Array:
    """A column of texts in one piece, blank where one is missing."""
    array = in_one_piece(texts)
    return pc.fill_null(array, "") if array.null_count else array


def texts_at(names: pd.Series, at: NDArray[np.integer]) -> pd.Series:
    """Texts by their position; blank where it is below 0."""
    array = as_array(names)
    missing = at < 0
    if not missing.any():
        return _as_series(array.take(pa.array(at)))
    found = array.take(pa.array(at, mask=missing))
    return _as_series(pc.fill_null(found, ""))


def _as_series(array: pa.Array) -> pd.Series:
    series: pd.Series = array.to_pandas().astype("str")
    return series


def distinct(values: Ints) -> tuple[Ints, Ints]:
    """Number the values in the order of their first rows: the number of each row, those rows.

    Values are 0 or more.
    """
    size = len(values)
    span = int(values.max(initial=-1)) + 1
    if span > _DENSE * size:
        numbers, found = pd.factorize(values)
        return np.asarray(numbers, dtype=np.int64), first_rows(numbers, len(found))
    first = first_rows(values, span)
    opens = np.zeros(size, dtype=bool)
    opens[first[first >= 0]] = True
    numbers = np.cumsum(opens) - 1
    return np.asarray(numbers[first[values]], dtype=np.int64), np.flatnonzero(opens)


def rows_once(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of codes, sorted, each once."""
    numbers = combined(*(rows[name].to_numpy(np.int64) for name in rows))
    order = np.argsort(numbers)
    return rows.take(order[starts(numbers[order])]).reset_index(drop=True)


def first_rows(group: NDArray[np.integer], groups: int) -> Ints:
    """The first row of each group, -1 where it has none."""
    out = np.full(groups, -1, dtype=np.int64)
    out[group[::-1]] = np.arange(len(group) - 1, -1, -1)  # what is written last stays
    return out


def in_order(*keys: NDArray[np.integer]) -> Ints:
    """The rows sorted by the first key, then the next; rows that are equal stay as they stand."""
    whole: NDArray[np.int64] | None = None
    size = 1
    for key in keys:
        low = int(key.min(initial=0))
        width = int(key.max(initial=0)) - low + 1
        size *= width
        if size > np.iinfo(np.int64).max:
            return np.lexsort(keys[::-1])
        part: NDArray[np.int64] = np.subtract(key, low, dtype=np.int64)
        if whole is None:
            whole = part
        else:
            whole *= width
            whole += part
    if whole is None or (whole[1:] >= whole[:-1]).all():
        return np.arange(len(keys[0]))
    return np.argsort(whole, kind="stable")


def places(rows: Ints, size: int) -> Ints:
    """For each of so many rows its place among the given ones, -1 where it is not among them."""
    out = np.full(size, -1, dtype=np.int64)
    out[rows] = np.arange(len(rows))
    return out


def starts(group: NDArray[np.integer]) -> Bools:
    """Of rows whose groups stand together, the first of each."""
    out = np.ones(len(group), dtype=bool)
    out[1:] = group[1:] != group[:-1]
    return out


def running(group: NDArray[np.integer], values: Ints) -> Ints:
    """Running sums within groups whose rows stand together."""
    if not len(values):
        return np.zeros(0, dtype=np.int64)
    sums = np.cumsum(values)
    opens = starts(group)
    before = (sums - values)[opens]
    return np.asarray(sums - before[np.cumsum(opens) - 1], dtype=np.int64)


def before(group: NDArray[np.integer], values: Ints, groups: int) -> Ints:
    """The sum of the earlier rows of each row's group, wherever these stand."""
    out = np.zeros(len(group), dtype=np.int64)
    at = np.flatnonzero(count(group, groups)[group] > 1)  # most rows are alone
    at = at[in_order(group[at])]
    out[at] = running(group[at], values[at]) - values[at]
    return out


def last_rows(group: NDArray[np.integer], groups: int) -> Bools:
    """Which rows are the last of their group."""
    place = np.zeros(groups, dtype=np.int64)
    rows = np.arange(len(group))
    place[group] = rows
    return np.asarray(place[group] == rows)


def sums(values: Ints, *keys: NDArray[np.integer]) -> tuple[Ints, Ints]:
    """A row of each combination of keys, in their order, and the sum of the values of it."""
    order = in_order(*keys)
    if not len(order):
        return order, np.zeros(0, dtype=np.int64)
    opens = np.any([starts(key[order]) for key in keys], axis=0)
    return order[opens], np.add.reduceat(values[order], np.flatnonzero(opens))


def pairs_of(left: Ints, right: Ints, groups: int) -> tuple[Ints, Ints]:
    """Every left row with every right row of its group; a group below 0 is none.

    By left row, then by right row.
    """
    use = np.flatnonzero(right >= 0)
    order = use[in_order(right[use])]
    sizes = count(right[use], groups)
    begin = np.cumsum(sizes) - sizes
    at = np.flatnonzero(left >= 0)
    found = sizes[left[at]]
    rows = np.repeat(at, found)
    nth = np.arange(len(rows)) - np.repeat(np.cumsum(found) - found, found)
    return rows, order[begin[left[rows]] + nth]


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
    values = frame[name].array
    if isinstance(values, pd.arrays.IntegerArray):
        found: Ints = values.to_numpy(dtype=np.int64, na_value=missing).view()
        found.flags.writeable = False  # it may be the column itself
        return found
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
    return np.asarray(frame[name].to_numpy().astype("datetime64[s]", copy=False))


def masked(
    values: NDArray[np.integer] | pd.Series, unknown: Bools | pd.Series
) -> pd.arrays.IntegerArray:
    """Whole numbers that are missing where they are not known."""
    return pd.arrays.IntegerArray(np.asarray(values, dtype=np.int64), np.asarray(unknown))
