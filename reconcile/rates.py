"""Amounts in the home currency, from the latest rate that was known."""

from __future__ import annotations

from fractions import Fraction

import pandas as pd

from reconcile.money import minor_digits


def in_home_currency(
    amount: pd.Series, currency: pd.Series, home: str, rates: pd.DataFrame | None
) -> pd.Series:
    """Minor units of the home currency, half up once at the end; NA where there is no rate.

    Rates are used as they stand, never rounded and never inverted: an amount is multiplied by
    a rate of its own currency, or divided by a rate of the home currency, exactly (Council
    Regulation (EC) No 1103/97, articles 4 and 5).
    """
    out = pd.Series(pd.NA, index=amount.index, dtype="Int64")
    for code in sorted(set(currency.unique()) - {""}):
        mine = (currency == code) & amount.notna()
        factor = Fraction(1) if code == home else _factor(code, home, rates)
        if factor is None:
            continue
        scale = Fraction(10) ** ((minor_digits(home) or 0) - (minor_digits(code) or 0))
        whole = factor * scale
        distinct = {value: _half_up(value * whole) for value in set(amount[mine])}
        out[mine] = amount[mine].map(distinct).astype("Int64")
    return out


def _factor(code: str, home: str, rates: pd.DataFrame | None) -> Fraction | None:
    if rates is None or rates.empty:
        return None
    newest = rates.sort_values("date")
    direct = newest[(newest["base"] == code) & (newest["quote"] == home)]
    if len(direct):
        return Fraction(direct["rate"].iloc[-1])
    other = newest[(newest["base"] == home) & (newest["quote"] == code)]
    return 1 / Fraction(other["rate"].iloc[-1]) if len(other) else None


def _half_up(value: Fraction) -> int:
    sign = -1 if value < 0 else 1
    return sign * int((2 * abs(value) + 1) // 2)
