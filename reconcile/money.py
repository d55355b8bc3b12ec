"""Money as whole minor units, and the few exact operations on it.

Amounts are int64 minor units of a currency (ISO 4217), unit prices int64 millionths of a major
unit. Nothing here touches a binary float.
"""

from __future__ import annotations

from decimal import Decimal
from functools import cache
from typing import Any

import iso4217
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

MICRO_DIGITS = 6  # unit prices may carry more decimals than their currency
_INT64_ROOM = 2**62

Ints = NDArray[np.int64]


@cache
def minor_digits(currency: str) -> int | None:
    """Decimals of a currency by ISO 4217; None where the code is not a currency with money in it.

    >>> minor_digits("EUR"), minor_digits("JPY"), minor_digits("BHD"), minor_digits("ABC")
    (2, 0, 3, None)
    """
    try:
        digits = iso4217.Currency(currency).exponent
    except ValueError:
        return None
    return None if digits is None else int(digits)


def whole_numbers(column: pd.Series) -> Ints:
    """The numbers of a column, 0 where there is none."""
    if isinstance(column.dtype, np.dtype):
        return column.to_numpy(np.int64)
    return column.to_numpy(np.int64, na_value=0)


def digits_of(currency: pd.Series) -> Ints:
    """Decimals of each row's currency; 0 where the row has none. Each code is looked up once."""
    codes, names = pd.factorize(currency)
    digits = [minor_digits(str(name)) or 0 for name in names]
    return np.array([*digits, 0], dtype=np.int64)[codes]


def round_half_up(numerator: Ints, denominator: Ints | int) -> Ints:
    """Divide whole numbers, an exact half rounded away from zero, without leaving integers."""
    sign = np.sign(numerator)
    magnitude = np.abs(numerator)
    return np.asarray(sign * ((2 * magnitude + denominator) // (2 * denominator)), dtype=np.int64)


def line_amount(quantity: Ints, price_micro: Ints, digits: Ints) -> Ints:
    """Quantity times unit price in minor units, half up to the minor unit, line by line.

    EN 16931 rounds each line before lines are added (BR-CO-10).
    """
    scale = np.asarray(10 ** (MICRO_DIGITS - digits), dtype=np.int64)
    return round_half_up(quantity * price_micro, scale)


def split_in_proportion(totals: Ints, group: NDArray[np.intp], weights: Ints) -> Ints:
    """Split ``totals[g]`` over the rows with ``group == g`` in proportion to ``weights``.

    Whole units, largest remainder first, ties in row order; where all weights of a group are
    zero its rows weigh the same. The parts of a group add up to its total exactly.
    """
    groups = len(totals)
    out = np.asarray(totals[group], dtype=np.int64)
    several = np.flatnonzero(np.bincount(group, minlength=groups)[group] > 1)
    if len(several):  # a row that is alone has the whole
        out[several] = _split(totals, group[several], weights[several])
    return out


def _split(totals: Ints, group: NDArray[np.intp], weights: Ints) -> Ints:
    groups = len(totals)
    weight = np.maximum(weights, 0)
    base = _group_sum(group, weight, groups)
    weight = np.where(base[group] == 0, 1, weight)
    base = np.maximum(_group_sum(group, weight, groups), 1)
    whole: NDArray[Any] = totals
    # Products beyond 64 bits are computed with Python's whole numbers, by the same lines.
    if int(np.abs(totals).max(initial=0)) * int(weight.max(initial=0)) > _INT64_ROOM:
        whole, weight, base = (array.astype(object) for array in (totals, weight, base))
    product = whole[group] * weight
    share = (product // base[group]).astype(np.int64)
    remainder = product % base[group]
    left = totals - _group_sum(group, share, groups)
    order = np.lexsort((np.arange(len(group)), -remainder, group))
    starts = np.searchsorted(group[order], np.arange(groups))
    rank = np.empty(len(group), dtype=np.int64)
    rank[order] = np.arange(len(group)) - starts[group[order]]
    return np.asarray(share + (rank < left[group]), dtype=np.int64)


def _group_sum(group: NDArray[np.intp], values: Ints, groups: int) -> Ints:
    total = np.zeros(groups, dtype=np.int64)
    np.add.at(total, group, values)
    return total


def major_text(minor: pd.Series, currency: pd.Series) -> pd.Series:
    """Minor units as decimal text in major units; blank where there is no amount.

    >>> list(major_text(pd.Series([-5, 12345, None], dtype="Int64"), pd.Series(["EUR", "JPY", ""])))
    ['-0.05', '12345', '']
    """
    texts = pc.fill_null(decimal_texts(minor, digits_of(currency)), "")
    return pd.Series(texts, index=minor.index, dtype="str")


def decimal_texts(minor: pd.Series, digits: Ints) -> pa.Array:
    """Minor units with so many decimals as exact Arrow texts, null where there is no amount."""
    known = minor.notna().to_numpy(dtype=bool)
    low = whole_numbers(minor)
    # A 128-bit decimal is its low and its high half, the high one all sign.
    halves = pa.py_buffer(np.stack([low, low >> 63], axis=1))
    used = np.flatnonzero(np.bincount(np.broadcast_to(digits, len(low))[known], minlength=1))
    texts = [_scaled(halves, known & (digits == count), int(count)) for count in used]
    return pc.coalesce(*texts) if texts else pa.nulls(len(low), pa.string())


def _scaled(halves: pa.Buffer, known: NDArray[np.bool_], digits: int) -> pa.Array:
    """Whole numbers seen as decimals with so many digits after the point, as text."""
    there = None if known.all() else pa.array(known).buffers()[1]
    kind = pa.decimal128(19, digits)
    return pc.cast(pa.Array.from_buffers(kind, len(known), [there, halves]), pa.string())


def amount_text(minor: int, currency: str) -> str:
    """One amount in major units with its currency.

    >>> amount_text(-12345, "EUR")
    '-123.45 EUR'
    """
    text = major_text(pd.Series([minor], dtype="Int64"), pd.Series([currency], dtype="str"))
    return f"{text.iloc[0]} {currency}".rstrip()


def within_tolerance(
    gap: Ints, base: Ints, currency: pd.Series, absolute: Decimal, percent: Decimal
) -> NDArray[np.bool_]:
    """Where a gap of minor units passes: it is within both limits; one equal to a limit passes.

    The smaller of the two limits decides ("whichever is less"). Nothing passes but no gap at
    all where either limit is 0.
    """
    if absolute == 0 or percent == 0:
        return gap <= 0
    digits = digits_of(currency)
    most = {count: int(absolute.scaleb(int(count))) for count in set(digits.tolist())}
    limit = np.array([most[count] for count in digits.tolist()], dtype=np.int64)
    numerator, denominator = (percent / 100).as_integer_ratio()
    share = np.abs(base).astype(object) * numerator
    within_share = gap.astype(object) * denominator <= share
    return np.asarray((gap <= limit) & within_share.astype(bool))
