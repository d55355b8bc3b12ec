"""Amounts in the home currency, from the latest rate that was known."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.money import minor_digits, round_half_up, whole_numbers


def in_home_currency(
    amount: pd.Series, currency: pd.Series, home: str, rates: pd.DataFrame | None
) -> pd.Series:
    """Minor units of the home currency, half up once at the end; NA where there is no rate.

    Rates are used as they stand, never rounded and never inverted: an amount is multiplied by
    a rate of its own currency, or divided by a rate of the home currency, exactly (Council
    Regulation (EC) No 1103/97, articles 4 and 5).
    """
    minor, unknown = whole_numbers(amount), np.ones(len(amount), dtype=bool)
    given, out = amount.notna().to_numpy(dtype=bool), np.zeros(len(amount), dtype=np.int64)
    for code in sorted(set(currency.unique()) - {""}):
        mine = (currency == code).to_numpy(dtype=bool) & given
        factor = Fraction(1) if code == home else _factor(code, home, rates)
        if factor is None:
            continue
        scale = Fraction(10) ** ((minor_digits(home) or 0) - (minor_digits(code) or 0))
        whole = factor * scale
        distinct, which = np.unique(minor[mine], return_inverse=True)
        if whole != 1:
            # Python's whole numbers: the products need not fit into 64 bits.
            distinct = round_half_up(distinct.astype(object) * whole.numerator, whole.denominator)
        out[mine], unknown[mine] = distinct[which], False
    return pd.Series(pd.arrays.IntegerArray(out, unknown), index=amount.index)


def _factor(code: str, home: str, rates: pd.DataFrame | None) -> Fraction | None:
    if rates is None or rates.empty:
        return None
    newest = rates.sort_values("date")
    direct = newest[(newest["base"] == code) & (newest["quote"] == home)]
    if len(direct):
        return Fraction(direct["rate"].iloc[-1])
    other = newest[(newest["base"] == home) & (newest["quote"] == code)]
    return 1 / Fraction(other["rate"].iloc[-1]) if len(other) else None


def home_factors(
    currency: pd.Series, day: NDArray[np.datetime64], home: str, rates: pd.DataFrame | None
) -> pd.DataFrame:
    """What minor units of each row's currency are multiplied by to be those of the home currency.

    An exact fraction, ``times`` and ``over`` (Python's whole numbers), by the last rate up to the
    day of the row; ``over`` is 0 where there is none. A rate of the row's currency goes before one
    of the home currency, by which is divided: rates are neither rounded nor inverted, as above.
    """
    out = pd.DataFrame({"times": 1, "over": 1}, index=currency.index, dtype=object)
    for code in sorted(set(currency.unique()) - {home}):
        mine = np.flatnonzero((currency == code).to_numpy())
        scale = Fraction(10) ** ((minor_digits(home) or 0) - (minor_digits(code) or 0))
        factors = [Fraction(0, 1)]
        place = np.zeros(len(mine), dtype=np.int64)
        for pair in ((code, home), (home, code)):
            dates, known = _rates_of(pair, rates)
            at = np.searchsorted(dates, day[mine].astype("datetime64[s]"), side="right")
            fresh = (place == 0) & (at > 0)
            place = np.where(fresh, at - 1 + len(factors), place)
            factors += [scale * (rate if pair[0] == code else 1 / rate) for rate in known]
        times = np.array([factor.numerator for factor in factors], dtype=object)
        over = np.array([factor.denominator for factor in factors], dtype=object)
        over[0] = 0
        out.iloc[mine, 0], out.iloc[mine, 1] = times[place], over[place]
    return out


def _rates_of(
    pair: tuple[str, str], rates: pd.DataFrame | None
) -> tuple[NDArray[np.datetime64], list[Fraction]]:
    """Dates and rates of one currency in another, in order of their dates."""
    if rates is None:
        return np.zeros(0, dtype="datetime64[s]"), []
    mine = rates[(rates["base"] == pair[0]) & (rates["quote"] == pair[1])]
    mine = mine.sort_values(["date", "rate"])
    dates = mine["date"].to_numpy().astype("datetime64[s]")
    return dates, [Fraction(rate) for rate in mine["rate"]]
