"""Typed rows put together or picked column by column, so that they are never in memory twice."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reconcile.intake.coded import Bools


def stacked(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The rows of several frames under each other; several are left without their columns."""
    if len(frames) == 1:
        return frames[0]
    columns: dict[str, pd.Series] = {}
    for name in dict.fromkeys(str(name) for frame in frames for name in frame):
        pieces = [frame[[name] if name in frame else []] for frame in frames]
        columns[name] = pd.concat(pieces, ignore_index=True)[name]
        for frame in frames:
            if name in frame:
                del frame[name]
    return pd.DataFrame(columns, copy=False)


def picked(frame: pd.DataFrame, keep: Bools) -> pd.DataFrame:
    """Some of the rows; unless they are all, the frame is left without its columns."""
    if keep.all():
        return frame
    rows, names = np.flatnonzero(keep), [str(name) for name in frame]
    # Taken and not filtered: texts of which nothing is left must still be of one piece, or pandas
    # cannot merge them (3.1).
    columns = {name: frame.pop(name).array.take(rows) for name in names}
    return pd.DataFrame(columns, index=pd.RangeIndex(len(rows)), copy=False)
