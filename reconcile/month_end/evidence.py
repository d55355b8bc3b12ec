"""Where a row stands, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reconcile.joined import joined_texts

_SHOWN = 6  # places that one cell names


def places(frame: pd.DataFrame, files: Sequence[str]) -> pd.Series:
    """Where each row of a record stands: FILE row N."""
    names = np.array([*files, ""], dtype=object)[frame["file"].to_numpy(np.int64)]
    text = pd.Series(names, index=frame.index, dtype="str") + " row " + frame["row"].astype("str")
    return text.astype("str")


def of_groups(owner: np.ndarray, places_of_rows: pd.Series) -> pd.Series:
    """The places of the rows of each owner, the first few of many; indexed by owner."""
    frame = pd.DataFrame({"owner": owner, "text": places_of_rows.to_numpy()})
    frame = frame.drop_duplicates().sort_values("owner", kind="stable")
    nth = frame.groupby("owner").cumcount()
    size = frame.groupby("owner")["owner"].transform("size")
    last = nth == _SHOWN - 1
    more = frame["text"] + " and " + (size - _SHOWN).astype("str") + " more"
    frame["text"] = frame["text"].where(~(last & (size > _SHOWN)), more)
    frame = frame[nth < _SHOWN]
    return joined_texts(frame["owner"], frame["text"].astype("str"))
