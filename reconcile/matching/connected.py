"""Things that belong together, step by step: connected groups."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.matching.columns import Ints


def connected(size: int, left: NDArray[np.integer], right: NDArray[np.integer]) -> Ints:
    """Numbers of the connected groups of ``size`` things, from 0, in order of their first ones.

    ``left`` and ``right`` are pairs of things that belong together.
    """
    label = np.arange(size, dtype=left.dtype)
    while True:
        before = label.copy()
        low = np.minimum(label[left], label[right])
        np.minimum.at(label, left, low)
        np.minimum.at(label, right, low)
        label = label[label]  # whoever is led by another follows that one's leader
        if (label == before).all():
            return np.asarray(pd.factorize(label)[0], dtype=np.int64)
