"""Typed columns as whole numbers that are the same where the values are, 0 where there is none."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake.coded import one_piece
from reconcile.records import Column, Record
from reconcile.references import clean, fold

Ints = NDArray[np.int64]


def shown_value(
    record: Record, column: Column, frame: pd.DataFrame, parts: Mapping[str, pd.DataFrame]
) -> Ints:
    """What a column says: a text as it is, anything else by its value."""
    if column.kind in ("text", "rate") and column.name != "line_no":
        return _of_texts(frame[column.typed])
    return key_value(record, column, frame, parts)


def key_value(
    record: Record, column: Column, frame: pd.DataFrame, parts: Mapping[str, pd.DataFrame]
) -> Ints:
    """What a key compares of a column: texts folded, references cleaned, dates by the day."""
    name = column.name
    if column.kind == "references":
        return _of_sets(parts[name], len(frame))
    if column.kind == "flag":
        return _of_flags(column, frame)
    values = frame[column.typed]
    if column.kind in ("money", "price", "count", "date"):
        return pd.factorize(values)[0].astype(np.int64) + 1
    if column.kind == "word":
        return _of_texts(values.fillna(column.words[0]))
    if name == "line_no":
        return _of_texts(values, lambda texts: clean(texts)[0])
    raw = record.name == "orders" and name == "order_ref"
    if column.kind in ("reference", "sku"):
        return _of_texts(values if raw else frame[f"{name}_key"])
    return _of_texts(values, fold)


def _of_texts(values: pd.Series, plain: Callable[[pa.Array], pa.Array] | None = None) -> Ints:
    codes, found = pd.factorize(values)
    texts = one_piece(pa.array(found, pa.string(), from_pandas=True))
    texts = one_piece(plain(texts)) if plain else texts
    numbers = texts.dictionary_encode().indices.to_numpy().astype(np.int64) + 1
    numbers = np.where(pc.equal(texts, "").to_numpy(zero_copy_only=False), 0, numbers)
    return np.append(numbers, 0)[codes]


def _of_flags(column: Column, frame: pd.DataFrame) -> Ints:
    """1 where a flag is not set, 2 where it is; a suffix may say that it is a replacement."""
    said = np.zeros(len(frame), dtype=bool)
    for name in (column.name, *(("by_suffix",) if column.name == "replacement" else ())):
        if name in frame:
            said |= frame[name].fillna(value=False).to_numpy(dtype=bool)
    return said.astype(np.int64) + 1


def _of_sets(parts: pd.DataFrame, count: int) -> Ints:
    """A number for the set of references in each cell; cells have each reference once.

    The first references of all cells are numbered, then the pairs of that number and the second
    reference, and so on: as many steps as the fullest cell has references.
    """
    out = np.zeros(count, dtype=np.int64)
    key = pd.factorize(parts["key"])[0].astype(np.int64)
    at = parts["at"].to_numpy(dtype=np.int64)
    order = np.lexsort((key, at))
    key, at = key[order], at[order]
    begins = np.flatnonzero(np.diff(at, prepend=-1))
    nth = np.arange(len(at)) - np.repeat(begins, np.diff(np.append(begins, len(at))))
    by_step = np.argsort(nth, kind="stable")
    used, many = 0, int(key.max(initial=0)) + 1
    for step in np.split(by_step, np.flatnonzero(np.diff(nth[by_step])) + 1):
        pair, found = pd.factorize(out[at[step]] * many + key[step])
        out[at[step]] = pair + used + 1
        used += len(found)
    return out
