"""The days of a shop: business days of its suppliers, and the days on which something turns.

Days are int64 counts from 1970-01-01; NEVER stands for no day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from tests.shops.catalogue import SUPPLIERS, Ints

NEVER = -1
PERIOD_DAYS = 91  # orders of the last thirteen weeks, unless a shop is to have more
_LOOK_BACK = 25  # days in which an order can turn from waiting to open
_SATURDAY = 5


def day_number(value: date) -> int:
    """Days since 1970-01-01."""
    return (value - date(1970, 1, 1)).days


def as_date(day: int) -> date:
    """The calendar date of a day number."""
    return date(1970, 1, 1) + timedelta(days=int(day))


@dataclass(frozen=True)
class Clock:
    """The day a shop is looked at from, and the holidays of each supplier."""

    as_of: int
    holidays: tuple[tuple[date, ...], ...]  # by supplier
    period_days: int = PERIOD_DAYS

    @property
    def first_day(self) -> int:
        """The first day on which an order may be placed."""
        return self.as_of - self.period_days

    @property
    def new_quotes_day(self) -> int:
        """The day from which some goods cost more."""
        return self.as_of - 45

    @property
    def export_day(self) -> int:
        """The last day that the storefront's export covers: the evening before."""
        return self.as_of - 1

    def add_business_days(
        self, supplier: int, days: Ints, count: Ints | int, *, holidays: bool = True
    ) -> Ints:
        """So many business days later; a day off counts as the last working day before it."""
        off: NDArray[np.datetime64] = np.array(
            self.holidays[supplier] if holidays else (), dtype="datetime64[D]"
        )
        shifted = np.busday_offset(
            days.astype("datetime64[D]"), count, roll="backward", holidays=off
        )
        return np.asarray(shifted.astype("datetime64[D]").astype(np.int64))

    def dispatch_due(self, supplier: int, days: Ints) -> Ints:
        """The day on which goods paid for on a day have to be on their way."""
        return self.add_business_days(supplier, days, SUPPLIERS[supplier].dispatch_days)

    def _lately(self) -> Ints:
        return np.arange(self.as_of - _LOOK_BACK, self.as_of, dtype=np.int64)

    def paid_just_overdue(self, supplier: int) -> int:
        """The last day of payment for which dispatch is overdue already."""
        days = self._lately()
        return int(days[self.dispatch_due(supplier, days) < self.as_of][-1])

    def paid_not_due(self, supplier: int) -> int:
        """The first day of payment for which dispatch is not overdue yet."""
        days = self._lately()
        return int(days[self.dispatch_due(supplier, days) >= self.as_of][0])

    def paid_on_weekend(self, supplier: int) -> int:
        """A Saturday or Sunday whose dispatch is overdue, if possible only as the Friday before."""
        days = self._lately()
        weekend = (days + 3) % 7 >= _SATURDAY  # 1970-01-01 was a Thursday
        overdue = weekend & (self.dispatch_due(supplier, days) < self.as_of)
        # The same dispatch time, counted from the Monday after instead of the Friday before
        monday = days + (7 - (days + 3) % 7)
        late = self.dispatch_due(supplier, monday) >= self.as_of
        best = days[overdue & late]
        return int(best[-1] if len(best) else days[overdue][-1])

    def paid_before_holiday(self, supplier: int) -> int:
        """A day of payment whose dispatch is only not overdue because of a holiday, if any is."""
        days = self._lately()
        working = self.add_business_days(
            supplier, days, SUPPLIERS[supplier].dispatch_days, holidays=False
        )
        found = days[(self.dispatch_due(supplier, days) >= self.as_of) & (working < self.as_of)]
        return int(found[-1]) if len(found) else self.paid_not_due(supplier)
