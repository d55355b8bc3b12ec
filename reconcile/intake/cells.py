"""Cells: from the distinct texts of a column to values, each text read once.

Exports repeat themselves: a million prices are some thousand different texts. So every parser
takes the distinct texts of a column and returns one value for each, and which texts it could
not read; the column then takes its values from there. A text that is not exactly of the
declared form is never bent until it fits.
"""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.money import MICRO_DIGITS, minor_digits
from reconcile.references import fold

MOST_WHOLE_DIGITS = 10  # more would not be an amount, and sums stay inside 64 bits
MOST_COUNT_DIGITS = 7

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Parsed:
    """Values of distinct texts: ``ok`` is False where a text is not of the form."""

    values: NDArray[np.generic]
    ok: Bools
    blank: Bools


def tidy(texts: pa.Array) -> pa.Array:
    """Unicode NFKC and trimmed: full-width digits and odd spaces become plain ones."""
    if pc.all(pc.string_is_ascii(texts)).as_py() is False:
        texts = pc.utf8_normalize(texts, form="NFKC")
    return pc.utf8_trim_whitespace(texts)


def _bools(mask: pa.Array) -> Bools:
    return np.asarray(mask.to_numpy(zero_copy_only=False), dtype=bool)


def _blank(texts: pa.Array) -> Bools:
    return _bools(pc.equal(texts, ""))


@dataclass(frozen=True)
class Amounts:
    """Amounts in millionths of a major unit, and with how many decimals they were written."""

    micro: NDArray[np.int64]
    decimals: NDArray[np.int64]
    ok: Bools
    blank: Bools


def parse_amounts(texts: pa.Array, decimal: str) -> Amounts:
    """Plain decimals, or with thousands grouped in threes by the other mark."""
    group = "," if decimal == "." else "."
    point, mark = (rf"\{sign}" for sign in (decimal, group))
    whole = rf"[0-9]{{1,{MOST_WHOLE_DIGITS}}}|[0-9]{{1,3}}(?:{mark}[0-9]{{3}}){{1,3}}"
    form = rf"^(?P<sign>[+-]?)(?P<whole>{whole}|)(?:{point}(?P<part>[0-9]+))?$"
    found = pc.extract_regex(texts, form)
    blank = _blank(texts)
    digits = pc.fill_null(pc.struct_field(found, "whole"), "")
    digits = pc.replace_substring(digits, pattern=group, replacement="")
    part = pc.fill_null(pc.struct_field(found, "part"), "")
    kept = pc.utf8_rtrim(part, characters="0")
    ok = _bools(pc.is_valid(found)) & ~blank
    ok &= _bools(pc.less_equal(pc.utf8_length(kept), MICRO_DIGITS))
    ok &= ~(_blank(digits) & _blank(part))
    padded = pc.utf8_slice_codeunits(
        pc.utf8_rpad(kept, width=MICRO_DIGITS, padding="0"), start=0, stop=MICRO_DIGITS
    )
    micro = _ints(digits) * 10**MICRO_DIGITS + _ints(padded)
    negative = _bools(pc.equal(pc.fill_null(pc.struct_field(found, "sign"), ""), "-"))
    decimals = pc.utf8_length(part).to_numpy(zero_copy_only=False).astype(np.int64)
    return Amounts(np.where(ok, np.where(negative, -micro, micro), 0), decimals, ok, blank)


def _ints(digits: pa.Array) -> NDArray[np.int64]:
    filled = pc.if_else(pc.equal(digits, ""), "0", digits)
    return np.asarray(pc.cast(filled, pa.int64()).to_numpy(zero_copy_only=False), dtype=np.int64)


def parse_counts(texts: pa.Array, decimal: str) -> Parsed:
    """Whole numbers, not negative; ``2.0`` is 2."""
    point = rf"\{decimal}"
    form = rf"^\+?(?P<whole>[0-9]{{1,{MOST_COUNT_DIGITS}}})(?:{point}0+)?$"
    found = pc.extract_regex(texts, form)
    ok = _bools(pc.is_valid(found))
    values = _ints(pc.fill_null(pc.struct_field(found, "whole"), ""))
    return Parsed(values, ok, _blank(texts))


_FIRST, _END = np.datetime64("1900-01-01", "s"), np.datetime64("2200-01-01", "s")
_TIME = (
    r"(?:(?:[T ]|, )(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})"
    r"(?:[.,][0-9]{1,9})?)? ?(?P<zone>Z|UTC|GMT|[+-](?:0[0-9]|1[0-4]):?[0-5][0-9])?)?$"
)
_DAY = {
    "year-first": r"^(?P<year>[0-9]{4})(?:[-/.]?)(?P<month>[0-9]{2})(?:[-/.]?)(?P<day>[0-9]{2})",
    "day-first": r"^(?P<day>[0-9]{1,2})[-/.](?P<month>[0-9]{1,2})[-/.](?P<year>[0-9]{4})",
    "month-first": r"^(?P<month>[0-9]{1,2})[-/.](?P<day>[0-9]{1,2})[-/.](?P<year>[0-9]{4})",
}


def parse_dates(texts: pa.Array, dates: str, source_zone: ZoneInfo, shop_zone: ZoneInfo) -> Parsed:
    """Calendar dates in the shop's zone, datetime64[D].

    A plain date is that date. A time without a zone is the source's; it is carried into the
    shop's zone before the date is taken. A time that the clocks jump over is taken as the
    moment after the jump.
    """
    blank = _blank(texts)
    if dates in _DAY:
        wall, timed, offset, ok = _by_form(texts, dates)
    else:
        wall, timed, offset, ok = _by_pattern(texts, dates)
    moments = np.where(ok, wall, np.datetime64(0, "s"))
    day = moments.astype("datetime64[D]")
    shift = timed & ok
    if shift.any():
        zoned = shift & ~np.isnat(offset)
        local = shift & np.isnat(offset)
        utc = pd.DatetimeIndex(moments[zoned] - offset[zoned], tz="UTC")
        day[zoned] = _local_days(utc, shop_zone)
        if source_zone.key != shop_zone.key:
            naive = pd.DatetimeIndex(moments[local])
            aware = naive.tz_localize(
                source_zone,
                ambiguous=np.ones(len(naive), dtype=bool),
                nonexistent="shift_forward",
            )
            day[local] = _local_days(aware, shop_zone)
    return Parsed(np.where(ok, day, np.datetime64("NaT", "D")), ok, blank)


def _local_days(moments: pd.DatetimeIndex, zone: ZoneInfo) -> NDArray[np.datetime64]:
    return moments.tz_convert(zone).tz_localize(None).to_numpy().astype("datetime64[D]")


_Wall = tuple[NDArray[np.datetime64], Bools, NDArray[np.timedelta64], Bools]


def _by_form(texts: pa.Array, dates: str) -> _Wall:
    found = pc.extract_regex(texts, _DAY[dates] + _TIME)
    ok = _bools(pc.is_valid(found))

    def part(name: str) -> NDArray[np.int64]:
        return _ints(pc.fill_null(pc.struct_field(found, name), ""))

    year, month, day = part("year"), part("month"), part("day")
    hour, minute, second = part("hour"), part("minute"), part("second")
    ok &= (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1)  # noqa: PLR2004
    months = ((np.where(ok, year, 1970) - 1970) * 12 + np.where(ok, month, 1) - 1).astype(
        "datetime64[M]"
    )
    last = ((months + 1).astype("datetime64[D]") - months.astype("datetime64[D]")).astype(np.int64)
    ok &= (day <= last) & (hour <= 23) & (minute <= 59) & (second <= 59)  # noqa: PLR2004
    wall = (months.astype("datetime64[D]") + (day - 1)).astype("datetime64[s]")
    wall = wall + (hour * 3600 + minute * 60 + second)
    ok &= (wall >= _FIRST) & (wall < _END)
    timed = _bools(pc.not_equal(pc.fill_null(pc.struct_field(found, "hour"), ""), ""))
    return wall, timed, _offsets(pc.fill_null(pc.struct_field(found, "zone"), "")), ok


def _offsets(zones: pa.Array) -> NDArray[np.timedelta64]:
    """Offsets from UTC in seconds, NaT where no zone is written."""
    named = _bools(pc.is_in(zones, pa.array(["Z", "UTC", "GMT"])))
    bare = pc.replace_substring(zones, pattern=":", replacement="")
    numeric = _bools(pc.match_substring_regex(bare, "^[+-][0-9]{4}$"))
    digits = _ints(pc.if_else(pa.array(numeric), pc.utf8_ltrim(bare, characters="+-"), "0"))
    seconds = (digits // 100) * 3600 + (digits % 100) * 60
    seconds = np.where(_bools(pc.starts_with(bare, "-")), -seconds, seconds)
    known = named | numeric
    return np.where(known, seconds.astype("timedelta64[s]"), np.timedelta64("NaT", "s"))


def _by_pattern(texts: pa.Array, pattern: str) -> _Wall:
    """By a strptime pattern that tells a day.

    pandas reads the words "now" and "today" as the clock's time whatever the pattern is; no
    date is without a digit.
    """
    parsed = pd.to_datetime(
        pd.Series(texts.to_pandas()), format=pattern, errors="coerce", utc="%z" in pattern
    )
    if "%z" in pattern:
        parsed = parsed.dt.tz_localize(None)
    wall = parsed.to_numpy().astype("datetime64[s]")
    ok = parsed.notna().to_numpy() & _bools(pc.match_substring_regex(texts, "[0-9]"))
    ok &= (wall >= _FIRST) & (wall < _END)
    timed = np.full(len(ok), any(mark in pattern for mark in ("%H", "%I", "%T", "%X", "%c")))
    missing = np.timedelta64(0 if "%z" in pattern else "NaT", "s")
    return wall, timed, np.full(len(ok), missing), ok


def parse_words(texts: pa.Array, words: tuple[str, ...]) -> Parsed:
    """One of a closed list of words, in any case; blank is the first of them."""
    folded = fold(texts)
    blank = _blank(texts)
    values = pc.if_else(pa.array(blank), words[0], folded)
    ok = _bools(pc.is_in(values, pa.array(words)))
    return Parsed(values.to_numpy(zero_copy_only=False), ok, np.zeros(len(ok), dtype=bool))


_FLAGS = {
    "": False, "no": False, "false": False, "0": False, "n": False,
    "yes": True, "true": True, "1": True, "y": True, "x": True,
}  # fmt: skip


def parse_flags(texts: pa.Array) -> Parsed:
    """Yes or no; blank is no."""
    found = [_FLAGS.get(word) for word in fold(texts).to_pylist()]
    ok = np.array([value is not None for value in found], dtype=bool)
    values = np.array([bool(value) for value in found], dtype=bool)
    return Parsed(values, ok, np.zeros(len(ok), dtype=bool))


def parse_currencies(texts: pa.Array) -> Parsed:
    """ISO 4217 codes, in any case."""
    codes = [text.upper() for text in texts.to_pylist()]
    ok = np.array([minor_digits(code) is not None for code in codes], dtype=bool)
    return Parsed(np.array(codes, dtype=object), ok, _blank(texts))


def parse_rates(texts: pa.Array, decimal: str) -> Parsed:
    """Exchange rates: exact positive decimals, kept as decimal text with a point."""
    plain = pc.replace_substring(texts, pattern=decimal, replacement=".")
    ok = _bools(pc.match_substring_regex(texts, rf"^[0-9]{{1,10}}(\{decimal}[0-9]{{1,12}})?$"))
    ok &= _bools(pc.match_substring_regex(plain, "[1-9]"))
    return Parsed(plain.to_numpy(zero_copy_only=False), ok, _blank(texts))
