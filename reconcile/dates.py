"""Calendar dates in the shop's zone, and business days of a supplier."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import numpy as np
from numpy.typing import NDArray

Days = NDArray[np.datetime64]  # datetime64[D], NaT where there is no date

NO_DATE = np.datetime64("NaT", "D")


def add_business_days(days: Days, count: NDArray[np.int64], holidays: Iterable[date]) -> Days:
    """Each date plus so many business days, Monday to Friday without the holidays.

    Counting starts on the date itself where it is a business day, else on the last one before
    it, so that a payment on Saturday and one on Friday fall due together. Nothing added is the
    date itself, whatever day it is.
    """
    known = ~np.isnat(days) & (count > 0)
    out = days.copy()
    calendar = np.array(sorted(holidays), dtype="datetime64[D]")
    out[known] = np.busday_offset(
        days[known], count[known], roll="backward", holidays=calendar
    ).astype("datetime64[D]")
    return out


def as_day(value: date) -> np.datetime64:
    """A date as numpy holds it."""
    return np.datetime64(value, "D")
