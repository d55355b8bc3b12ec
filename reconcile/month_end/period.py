"""The month that is checked, and the settings of the check."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Month:
    """A calendar month in the shop's zone."""

    year: int
    number: int

    @property
    def first(self) -> date:
        """Its first day."""
        return date(self.year, self.number, 1)

    @property
    def last(self) -> date:
        """Its last day."""
        after = date(self.year + self.number // 12, self.number % 12 + 1, 1)
        return after - timedelta(days=1)

    def holds(self, days: pd.Series) -> Bools:
        """Which dates are in it; a missing date is in no month."""
        return np.asarray(days.between(str(self.first), str(self.last)).to_numpy(dtype=bool))

    def before(self, days: pd.Series) -> Bools:
        """Which dates are before it."""
        return np.asarray((days < str(self.first)).to_numpy(dtype=bool))

    def __str__(self) -> str:
        """YYYY-MM."""
        return f"{self.year:04d}-{self.number:02d}"
