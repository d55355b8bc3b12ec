"""Texts joined into one, by column: those of the rows of a group, and those of one row."""

from __future__ import annotations

from collections.abc import Mapping
from functools import reduce
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray


def in_one_piece(texts: pd.Series | pa.Array | pa.ChunkedArray) -> pa.Array:
    """Texts as one array of 64-bit strings, null where one is missing.

    Those that were put together from several, or taken from a table, come in pieces or in none.
    """
    array = texts if isinstance(texts, pa.Array | pa.ChunkedArray) else _as_arrow(texts)
    wide = pc.cast(array, pa.large_string())
    return wide.combine_chunks() if isinstance(wide, pa.ChunkedArray) else wide


def _as_arrow(texts: pd.Series) -> pa.Array | pa.ChunkedArray:
    # The texts are asked themselves: through the column pyarrow asks for a dozen attributes.
    own = texts.array if isinstance(texts.dtype, pd.StringDtype) else texts
    return pa.array(own, from_pandas=True)


def bytes_of(array: pa.Array) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Where each of 64-bit strings begins and the last one ends, and the bytes of all of them."""
    _, places, data = array.buffers()
    if not len(array) or data is None:
        return np.zeros(len(array) + 1, dtype=np.int64), np.zeros(0, dtype=np.uint8)
    offsets = np.frombuffer(places, dtype=np.int64)[array.offset : array.offset + len(array) + 1]
    return offsets - offsets[0], np.frombuffer(data, dtype=np.uint8)[offsets[0] : offsets[-1]]


def beside_each_other(columns: Mapping[str, Any]) -> pd.DataFrame:
    """Columns of the same rows as a table that holds them, and numbers its rows from 0.

    pandas would go through how each column numbers them.
    """
    bare = {
        name: column.array if isinstance(column, pd.Series) else column
        for name, column in columns.items()
    }
    return pd.DataFrame(bare, copy=False)


def are_among(texts: pd.Series, others: pd.Series) -> NDArray[np.bool_]:
    """Which texts are among the others.

    The ``isin`` of pandas goes through the others one by one.
    """
    found = pc.is_in(in_one_piece(texts), value_set=in_one_piece(others))
    among: NDArray[np.bool_] = found.to_numpy(zero_copy_only=False)
    return among


def joined_texts(owner: pd.Series, texts: pd.Series, between: str = "; ") -> pd.Series:
    """The texts of each owner, in the order given, as one text; indexed by owner.

    Rows of one owner stand together.
    """
    numbers = owner.to_numpy()
    starts = np.ones(len(numbers), dtype=bool)
    starts[1:] = numbers[1:] != numbers[:-1]
    first = np.flatnonzero(starts)
    ends = np.append(first, len(numbers)).astype(np.int32)
    lists = pa.ListArray.from_arrays(pa.array(ends), in_one_piece(texts))
    joined = pc.binary_join(lists, pa.scalar(between, pa.large_string()))
    return pd.Series(joined, index=numbers[first], dtype="str")


def listed(owner: pd.Series, names: pd.Series, most: int) -> pd.Series:
    """The names of each owner in words: "A", "A and B", "A, B and C", "A, B and 7 more".

    Indexed by owner; rows of one owner stand together. ``most``: how many are named.
    """
    if owner.empty:
        return pd.Series([], index=pd.Index([], dtype="int64"), dtype="str")
    nth = owner.groupby(owner).cumcount()
    size = owner.groupby(owner).transform("size")
    before = np.where(nth == 0, "", np.where((nth == size - 1) & (size <= most), " and ", ", "))
    shown = (nth < most).to_numpy()
    text = joined_texts(owner[shown], (pd.Series(before, dtype="str") + names)[shown], "")
    more = (owner.value_counts().reindex(text.index) - most).clip(lower=0)
    rest = np.where(more > 0, " and " + more.astype("str") + " more", "")
    return text + pd.Series(rest, index=text.index, dtype="str")


def side_by_side(*parts: pa.Array | str, between: str = "") -> pa.Array:
    """The parts of each row one after the other, as 64-bit strings; null where a part is."""
    return pc.binary_join_element_wise(*_wide(parts), pa.scalar(between, pa.large_string()))


def filled_parts(*parts: pa.Array, between: str) -> pa.Array:
    """Those parts of each row that are not null, one after the other; blank where all are."""
    wide = pa.large_string()
    # pyarrow leaves out the whole row where all of its parts are null.
    bare = reduce(pc.and_, [pc.is_null(part) for part in parts])
    blank = pc.if_else(bare, pa.scalar("", wide), pa.scalar(None, wide))
    return pc.binary_join_element_wise(
        *_wide((blank, *parts)), pa.scalar(between, wide), null_handling="skip"
    )


def _wide(parts: tuple[pa.Array | str, ...]) -> list[pa.Array | pa.Scalar]:
    wide = pa.large_string()
    return [
        pa.scalar(part, wide) if isinstance(part, str) else pc.cast(part, wide) for part in parts
    ]
