"""A column of texts: as its distinct texts and a code for each row, or simply as its texts.

Exports repeat themselves: a million prices are some thousand different texts, and each is read
once. Where nearly every text is another one (references, tracking numbers) the texts stay as
they are.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
_PIECE = 1 << 14


@dataclass(frozen=True)
class Coded:
    """The texts of one column, in the order of the rows.

    ``texts`` holds each distinct text once and ``codes`` says which of them each row has; or
    ``codes`` is None and ``texts`` has one entry a row. ``count`` is the number of rows.
    """

    texts: pa.Array | pa.ChunkedArray
    codes: NDArray[np.unsignedinteger[Any]] | None
    count: int

    @staticmethod
    def constant(text: str, count: int) -> Coded:
        """One text in every row."""
        return Coded(pa.array([text], pa.string()), np.zeros(count, dtype=np.uint8), count)

    @staticmethod
    def of(column: pa.ChunkedArray) -> Coded:
        """A column as Arrow read it: with a dictionary or without."""
        if not pa.types.is_dictionary(column.type):
            return Coded(column, None, len(column))
        column = column.unify_dictionaries()
        if not column.num_chunks:
            return Coded(pa.array([], pa.string()), np.zeros(0, dtype=np.uint8), 0)
        texts, at = column.chunk(0).dictionary, 0
        codes = np.empty(len(column), dtype=_least(len(texts)))
        for chunk in column.chunks:
            codes[at : at + len(chunk)] = chunk.indices.to_numpy()
            at += len(chunk)
        return Coded(texts, codes, len(column))

    def take(self, values: NDArray[Any]) -> NDArray[Any]:
        """The value of each row, of values that stand beside the texts; not to be written to.

        Where it is the same in every row it is held once.
        """
        if self.codes is None:
            return values
        alike = len(values) > 0 and bool((values == values[0]).all())
        return np.broadcast_to(values[0], self.count) if alike else values[self.codes]

    def take_at(self, values: NDArray[Any], rows: NDArray[np.int64]) -> NDArray[Any]:
        """The value of some rows, of values that stand beside the texts."""
        return values[rows if self.codes is None else self.codes[rows]]

    def with_texts(self, texts: pa.Array | pa.ChunkedArray) -> Coded:
        """The same rows with other texts in the place of these."""
        return Coded(texts, self.codes, self.count)

    def rows(self) -> pa.Array | pa.ChunkedArray:
        """One text a row."""
        return self.texts if self.codes is None else self.texts.take(pa.array(self.codes))

    def series(self) -> pd.Series:
        """One text a row, as pandas holds text; one that is the same in every row is held once."""
        rows = self.rows() if self.codes is None or len(self.texts) != 1 else self._repeated()
        column: pd.Series = rows.to_pandas()
        return column if column.dtype == "str" else column.astype("str")

    def _repeated(self) -> pa.ChunkedArray:
        """The one text of a column in every row: the same piece again and again."""
        whole, rest = divmod(self.count, _PIECE)
        piece = pa.repeat(one_piece(self.texts)[0], _PIECE if whole else rest)
        piece = piece.cast(pa.large_string())  # as pandas holds it
        return pa.chunked_array([*[piece] * whole, piece.slice(0, rest)], pa.large_string())

    def filter(self, keep: Bools) -> Coded:
        """Some of the rows."""
        kept = int(keep.sum())
        if self.codes is None:
            return Coded(self.texts.filter(pa.array(keep)), None, kept)
        return Coded(self.texts, self.codes[keep], kept)

    def part(self, start: int, rows: int) -> Coded:
        """So many rows from one on, or as many as there are; nothing is copied."""
        kept = min(self.count - start, rows)
        if self.codes is None:
            return Coded(self.texts.slice(start, kept), None, kept)
        return Coded(self.texts, self.codes[start : start + kept], kept)

    def numbers(self) -> NDArray[np.int64]:
        """A whole number for each row, the same where the text is the same."""
        return self.take(
            one_piece(self.texts).dictionary_encode().indices.to_numpy().astype(np.int64)
        )

    def some(self, rows: NDArray[np.int64]) -> Coded:
        """The rows at some places."""
        if self.codes is None:
            return Coded(self.texts.take(pa.array(rows)), None, len(rows))
        return Coded(self.texts, self.codes[rows], len(rows))

    def at(self, rows: NDArray[np.int64]) -> list[str]:
        """The texts of a few rows."""
        texts: list[str] = self.some(rows).rows().to_pylist()
        return texts

    @cached_property
    def counts(self) -> NDArray[np.int64]:
        """How many rows have each of the texts."""
        if self.codes is None:
            return np.ones(self.count, dtype=np.int64)
        return np.bincount(self.codes, minlength=len(self.texts)).astype(np.int64)

    @staticmethod
    def joined(columns: Sequence[Coded]) -> Coded:
        """The rows of several columns under each other."""
        if len(columns) == 1:
            return columns[0]
        if any(column.codes is None for column in columns):
            pieces = [piece for column in columns for piece in _pieces(column.rows())]
            return Coded(pa.chunked_array(pieces, pa.string()), None, sum(c.count for c in columns))
        start, codes, least = 0, [], _least(sum(len(column.texts) for column in columns))
        for column in columns:
            codes.append(column.take(np.arange(len(column.texts), dtype=least) + least(start)))
            start += len(column.texts)
        texts = pa.concat_arrays([piece for c in columns for piece in _pieces(c.texts)])
        return Coded(texts, np.concatenate(codes), sum(c.count for c in columns))

    @property
    def distinct(self) -> pa.Array:
        """The texts that rows have; those of rows that were left out are none of them."""
        if self.codes is None:
            return pc.unique(one_piece(self.texts))
        return self.texts.filter(pa.array(self.counts > 0))

    def counted(self) -> tuple[pa.Array, NDArray[np.int64]]:
        """The texts that rows have, each once, and how many rows have it."""
        if self.codes is not None:
            return self.distinct, self.counts[self.counts > 0]
        found = pc.value_counts(one_piece(self.texts))
        return found.field("values"), found.field("counts").to_numpy()

    def where(self, texts: str) -> Bools:
        """The rows that have exactly this text."""
        return self.take(bools(pc.equal(self.texts, texts)))


def _least(many: int) -> type[np.unsignedinteger[Any]]:
    """The smallest type for so many codes: a million rows hold them."""
    sizes = (np.uint8, np.uint16, np.uint32)
    return next(size for size in sizes if many <= np.iinfo(size).max + 1)


def _bytes(texts: pa.Array | pa.ChunkedArray) -> Iterator[tuple[NDArray[np.int32], memoryview]]:
    """Where each text of a piece begins, with the end of the last, and the bytes of all."""
    for piece in _pieces(texts):
        _, offsets, data = piece.buffers()
        if len(piece):
            begins = np.frombuffer(offsets, dtype=np.int32)[piece.offset :][: len(piece) + 1]
            yield begins, memoryview(data if data is not None else b"")


def holds(texts: pa.Array | pa.ChunkedArray, *parts: bytes) -> bool:
    """Whether one of some bytes occurs anywhere in the texts.

    Far faster than to ask each text: what a column does not hold need not be looked for.
    """
    for begins, data in _bytes(texts):
        whole = bytes(data[begins[0] : begins[-1]])
        if any(part in whole for part in parts):
            return True
    return False


def begin_with(texts: pa.Array | pa.ChunkedArray, first: bytes) -> Bools:
    """Texts that are empty, or begin with one of these bytes or with more than ASCII."""
    return _at_an_end(texts, first, last=False)


def end_with(texts: pa.Array | pa.ChunkedArray, last: bytes) -> Bools:
    """Texts that are empty, or end with one of these bytes or with more than ASCII."""
    return _at_an_end(texts, last, last=True)


def _at_an_end(texts: pa.Array | pa.ChunkedArray, which: bytes, *, last: bool) -> Bools:
    wanted = np.zeros(256, dtype=bool)
    wanted[list(which)] = True
    wanted[128:] = True
    out = []
    for begins, data in _bytes(texts):
        empty = begins[1:] == begins[:-1]
        every = np.frombuffer(data, dtype=np.uint8) if data.nbytes else np.zeros(1, dtype=np.uint8)
        at = np.maximum(begins[1:] - 1, 0) if last else np.minimum(begins[:-1], len(every) - 1)
        out.append(empty | wanted[every[at]])
    return np.concatenate(out) if out else np.zeros(0, dtype=bool)


def byte_range(texts: pa.Array | pa.ChunkedArray) -> tuple[int, int]:
    """The lowest and the highest byte of all texts; 255 and 0 where there is none."""
    low, high = 255, 0
    for begins, data in _bytes(texts):
        every = np.frombuffer(data[begins[0] : begins[-1]], dtype=np.uint8)
        low = min(low, int(every.min(initial=255)))
        high = max(high, int(every.max(initial=0)))
    return low, high


def one_piece(texts: pa.Array | pa.ChunkedArray) -> pa.Array:
    """The same texts as one array."""
    return texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts


def _pieces(texts: pa.Array | pa.ChunkedArray) -> list[pa.Array]:
    return texts.chunks if isinstance(texts, pa.ChunkedArray) else [texts]


def bools(mask: pa.Array | pa.ChunkedArray) -> Bools:
    """An Arrow mask as numpy holds it; unknown is False."""
    if isinstance(mask, pa.ChunkedArray):
        if not mask.num_chunks:
            return np.zeros(0, dtype=bool)
        return np.asarray(mask.to_numpy(), dtype=bool)
    return np.asarray(mask.to_numpy(zero_copy_only=False), dtype=bool)


def with_gaps(values: NDArray[np.int64], gaps: Bools) -> pd.Series:
    """Whole numbers as pandas holds them, without those in gaps."""
    return pd.Series(pd.arrays.IntegerArray(values, gaps), copy=False)
