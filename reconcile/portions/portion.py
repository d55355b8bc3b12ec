"""Whole groups of orders with all their rows, and how the groups are handed out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Parts = Mapping[tuple[str, str], pd.DataFrame]


@dataclass(frozen=True)
class Portion:
    """Whole groups of orders with their rows, and the records that all orders share.

    ``rows``: by record the row numbers that its rows have in the whole records. ``groups``: the
    group of each of those rows, -1 for none.
    """

    records: Mapping[str, pd.DataFrame]
    parts: Parts
    rows: Mapping[str, Ints]
    groups: Mapping[str, Ints]

    @property
    def has_rows(self) -> bool:
        """Whether there is anything to match."""
        return any(len(row) for row in self.rows.values())


def hand_out(shared: Bools, count: int) -> Ints:
    """The portion of each group: in turn; of those that look at others, and of no group, the last.

    ``shared`` are the groups that look at others. The number behind all groups is for no group.
    """
    place = np.arange(len(shared), dtype=np.int64) % count
    place[shared] = count
    return np.append(place, count)


def size_of(groups: Mapping[str, NDArray[np.integer]]) -> int:
    """How many groups there are."""
    return max((int(group.max(initial=-1)) + 1 for group in groups.values()), default=0)
