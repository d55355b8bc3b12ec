"""Whether dates begin with the day or with the month: what a column of them shows."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from reconcile.intake.moments import both_ways

EITHER, MIXED = "either", "mixed"
CLEAR = 9  # so many times as many cells have to speak for one form as for the next
# Read the wrong way, days of one month are spread over the months of a year.
_SPREAD = 3


def first_of(texts: pa.Array, rows: NDArray[np.int64]) -> str:
    """day-first or month-first, of distinct dates and how many rows have each.

    EITHER where dates that can be read in one way only are missing, or too few beside the others
    to be more than slips: a tenth at least, and in that order the others may not be spread far
    wider than in the other one. MIXED where some begin with the day and some with the month.
    Common practice, no source.
    """
    by_day, by_month = both_ways(texts)
    day, month = ~np.isnat(by_day), ~np.isnat(by_month)
    unclear = day & month & (by_day != by_month)
    only_day, only_month, open_ = (
        int(rows[mask].sum()) for mask in (day & ~month, month & ~day, unclear)
    )
    many, few = max(only_day, only_month), min(only_day, only_month)
    if few and (many == few or (open_ and many <= CLEAR * few)):
        return MIXED
    if not many:
        return EITHER if open_ else "day-first"
    first, other = (by_day, by_month) if only_day > only_month else (by_month, by_day)
    if open_ > CLEAR * many or (
        open_ > many and _days(first[unclear]) > _SPREAD * max(_days(other[unclear]), 1)
    ):
        return EITHER
    return "day-first" if only_day > only_month else "month-first"


def _days(moments: NDArray[np.datetime64]) -> int:
    """From the first to the last."""
    days = moments.astype("datetime64[D]")
    return int((days.max() - days.min()).astype(np.int64))
