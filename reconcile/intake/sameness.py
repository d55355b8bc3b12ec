"""What makes two rows of different files one: the same content, or the same key."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake.cells import tidy
from reconcile.intake.coded import Bools, Coded, bools
from reconcile.intake.read import Read
from reconcile.intake.repeats import codes_of
from reconcile.records import Column, Record
from reconcile.references import clean, fold


def file_ages(
    record: Record,
    frame: pd.DataFrame,
    file: NDArray[np.int64],
    read: Sequence[Read],
    as_of: np.datetime64,
) -> NDArray[np.int64]:
    """Each file's rank, 0 the newest: by the newest date inside that is known, then by name."""
    newest = np.full(len(read), np.datetime64("1900-01-01", "D"))
    if len(read) == 1:
        return np.zeros(1, dtype=np.int64)
    for column in record.columns:
        if column.kind == "date" and not column.ahead and column.typed in frame:
            days = frame[column.typed].to_numpy().astype("datetime64[D]")
            known = ~np.isnat(days) & (days <= as_of)
            np.maximum.at(newest, file[known], days[known])
    ranked = sorted(range(len(read)), key=lambda at: (newest[at], read[at].path), reverse=True)
    age = np.empty(len(read), dtype=np.int64)
    age[ranked] = np.arange(len(read))
    return age


def row_codes(
    record: Record, read: Sequence[Read], frame: pd.DataFrame
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Whole numbers for rows with the same content, and for rows with the same key.

    Amounts are the same by value, whatever they are written like; so are dates, where the files
    write them in different forms. In a key SKUs and document numbers are compared cleaned and
    dates by the day; order references by their text, since two that only look alike may be two
    orders.
    """
    names = sorted({name for one in read for name in one.columns})
    texts = {name: _column(read, name) for name in names}
    content = [_content(record.column(name), read, texts[name], frame) for name in names]
    blank = np.zeros(len(frame), dtype=np.int64)
    keys = []
    for part in record.key:
        chosen = blank
        for place, name in enumerate(reversed(part.split("|")), start=1):
            if name not in texts:
                continue
            here, filled = _comparable(record.column(name), texts[name], frame)
            chosen = np.where(filled, here * 3 + place, chosen)
        keys.append(chosen)
    return codes_of(content), codes_of(keys)


def _column(read: Sequence[Read], name: str) -> Coded:
    """A column of all files, tidy; blank in files that lack it."""
    several = []
    for one in read:
        coded = one.columns.get(name, Coded.constant("", len(one.table.rows)))
        several.append(coded.with_texts(tidy(coded.texts)))
    return Coded.joined(several)


def _content(
    column: Column, read: Sequence[Read], texts: Coded, frame: pd.DataFrame
) -> NDArray[np.int64]:
    values = frame.get(column.typed)
    forms = {one.forms.dates.get(column.name) for one in read if column.name in one.columns}
    by_day = column.kind == "date" and len(forms) > 1
    if values is None or not (column.kind in ("money", "price", "count") or by_day):
        return texts.numbers()
    known = values.notna().to_numpy()
    numbers = values.to_numpy(dtype="datetime64[s]") if by_day else values.fillna(0)
    codes = pd.factorize(np.asarray(numbers).astype(np.int64))[0].astype(np.int64)
    if known.all():
        return codes
    # What is no value is compared by its text; beside values, never equal to one.
    return np.where(known, codes * 2, texts.numbers() * 2 + 1)


def _comparable(
    column: Column, texts: Coded, frame: pd.DataFrame
) -> tuple[NDArray[np.int64], Bools]:
    """A number for each row by what a key compares, and which rows have something there."""
    if column.kind == "date" and column.typed in frame:
        days = pa.array(frame[column.typed].to_numpy().astype("datetime64[D]"))
        texts = Coded(pc.coalesce(pc.cast(days, pa.string()), texts.rows()), None, texts.count)
    filled = texts.take(bools(pc.not_equal(texts.texts, "")))
    if column.kind == "sku":
        texts = texts.with_texts(fold(texts.texts))
    elif column.kind == "reference" and column.name != "order_ref":
        texts = texts.with_texts(clean(texts.texts)[0])
    return texts.numbers(), filled
