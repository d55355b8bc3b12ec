"""Exports overlap: rows that several files of one source show are one event.

A row counts as often as the file that shows it most. Rows of one key with different content
in different files are a change: the newest file wins, and every change is told.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray


def codes_of(columns: Sequence[NDArray[np.int64]]) -> NDArray[np.int64]:
    """One whole number for each distinct combination of whole numbers, none below 0."""
    codes = columns[0]
    for column in columns[1:]:
        codes, found = pd.factorize(codes)
        if len(found) == len(codes):  # every row differs already
            return codes
        codes = codes * (int(column.max(initial=0)) + 1) + column
    return codes


def repeated(
    row_code: NDArray[np.int64], file: NDArray[np.int64], age: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Rows that a newer file shows as often already, texts and all; ``age`` ranks the files."""
    frame = pd.DataFrame({"row": row_code, "file": file})
    out = np.zeros(len(frame), dtype=bool)
    shared = frame[frame.groupby("row")["file"].transform("nunique").to_numpy() > 1]
    if shared.empty:
        return out
    nth = shared.groupby(["row", "file"]).cumcount()
    ranked = shared.assign(nth=nth, age=age[shared["file"]]).sort_values("age", kind="stable")
    out[ranked.index[ranked.duplicated(["row", "nth"])]] = True
    return out


def superseded(
    key_code: NDArray[np.int64],
    row_code: NDArray[np.int64],
    file: NDArray[np.int64],
    age: NDArray[np.int64],
    standing: NDArray[np.bool_],
) -> pd.DataFrame:
    """Rows that a newer file replaced: ``at`` (the old row) and ``by`` (a row that stands).

    ``age`` ranks files, 0 the newest; ``standing`` are the rows that still count, once repeats
    and rejected rows are out. A key counts as often as the file that shows it most, so a row
    falls only where the newer files already show the key that often.
    """
    none = pd.DataFrame({"at": [], "by": []}).astype("int64")
    everything = pd.DataFrame({"key": key_code, "row": row_code, "file": file, "age": age[file]})
    spread = everything.groupby("key")["file"].transform("nunique").to_numpy() > 1
    if not (spread & standing).any():
        return none
    shared = everything[spread]
    most = shared.groupby(["key", "file"]).size().groupby("key").max().rename("most")
    rows = shared[standing[spread]].sort_values(["key", "age", "row"], kind="stable")
    newest = rows.groupby("key")["row"].transform("first")
    rank = rows.groupby("key").cumcount()
    allowed = rows["key"].map(most)
    old = rows[(rank >= allowed) & (rows["row"] != newest)]
    if old.empty:
        return none
    winner = rows.drop_duplicates("key").reset_index().set_index("key")["index"]
    return pd.DataFrame({"at": old.index, "by": old["key"].map(winner).to_numpy()})
