"""Dates and times: from distinct texts to calendar dates in the shop's zone.

A column has one form of dates: the year, the day or the month first, a month as a word, a
spreadsheet's day numbers, or a strptime pattern. A text that does not fit it is not read, and
day and month are never swapped. Each text is cut into its date and its time; of both a column
has far fewer than texts, and each is read once.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake.cells import Parsed, ints, nothing
from reconcile.intake.coded import Bools, bools, one_piece
from reconcile.intake.words import folded

Days = NDArray[np.datetime64]

FORMS = ("year-first", "day-first", "month-first", "text-month", "serial")

_FIRST, _END = np.datetime64("1900-01-01", "s"), np.datetime64("2200-01-01", "s")
_NO_DAY, _NO_OFFSET = np.datetime64("NaT", "D"), np.timedelta64("NaT", "s")

# Month and weekday words in English, German, French and Spanish, folded and without accents:
# CLDR 47, wide and abbreviated, also of en-GB, de-AT, fr-CA and es-PE (a test compares them).
_MONTHS = (
    "january jan januar janner janvier janv enero ene",
    "february feb februar fevrier fevr febrero",
    "march mar marz mars marzo",
    "april apr avril avr abril abr",
    "may mai mayo",
    "june jun juni juin junio",
    "july jul juli juillet juil juill julio",
    "august aug aout agosto ago",
    "september sep sept septembre septiembre setiembre set",
    "october oct oktober okt octobre octubre",
    "november nov novembre noviembre",
    "december dec dezember dez decembre diciembre dic",
)
_WEEKDAYS = (
    "monday mon tuesday tue wednesday wed thursday thu friday fri saturday sat sunday sun "
    "montag mo dienstag di mittwoch mi donnerstag do freitag fr samstag sa sonntag so "
    "lundi lun mardi mar mercredi mer jeudi jeu vendredi ven samedi sam dimanche dim "
    "lunes martes miercoles mie jueves jue viernes vie sabado sab domingo dom"
)
# Common practice, from memory
_MORE_MONTHS = {"maerz": 3, "mrz": 3, "fev": 2, "jaenner": 1}
_MORE_WEEKDAYS = "tues weds thur thurs sonnabend"

MONTHS = {
    word: at for at, words in enumerate(_MONTHS, start=1) for word in words.split()
} | _MORE_MONTHS
WEEKDAYS = frozenset(f"{_WEEKDAYS} {_MORE_WEEKDAYS}".split())

_DAY_FORMS = {
    "year-first": r"^(?P<a>[0-9]{4})[-/.]?(?P<b>[0-9]{2})[-/.]?(?P<c>[0-9]{2})$",
    "numbers": r"^(?P<a>[0-9]{1,2})(?:[-/.](?P<b>[0-9]{1,2})[-/.](?P<c>[0-9]{4})"
    r"|[/.](?P<d>[0-9]{1,2})[/.](?P<e>[0-9]{2}))$",
}
_SERIAL = r"^(?P<days>[2-8][0-9]{4})(?:[.,](?P<part>[0-9]+))?$"
_SERIAL_FIRST, _SERIAL_LAST = 20_000, 80_000
_SERIAL_DAY_0 = np.datetime64("1899-12-30", "D")  # the 1900 system, right from March 1900 on
_PART_DIGITS = 12

_WORD = r"[^\W\d_]"
_WEEKDAY = rf"(?:(?P<weekday>{_WORD}{{2,10}})\.?,? )?"
_DAY = r"(?P<day>\d{1,2})(?:(?:\.?o|er|st|nd|rd|th)(?!\w)|\.)?"
_MONTH = rf"(?P<month>{_WORD}{{3,10}})\.?"
_LONG, _ANY_YEAR = r"(?P<year>\d{4})", r"(?P<year>\d{4}|\d{2})"
# A year of two digits only where it is the last part: 03-Oct-26 is of 2026.
_TEXT_MONTH = tuple(
    re.compile(_WEEKDAY + form, re.ASCII)
    for form in (
        rf"{_DAY}(?:[-/ ,]|, | de | of )?{_MONTH}(?:[-/ ,]|, | de | del )?{_ANY_YEAR}",
        rf"{_MONTH}[-/ ]?{_DAY}(?:[-/ ,.]|, ){_ANY_YEAR}",
        rf"{_LONG}(?:[-/ ,.]|, )?{_MONTH}[-/ ]?{_DAY}",
    )
)

_CUT_NUMBERS = "^(?P<day>[-0-9./]+)(?P<time>[T ][0-9]{1,2}:.*)?$"  # what most texts are, and fast
# A time begins behind its date with T, a space, a comma or a small word, and its hour with a
# colon behind; no date has a colon.
_CUT = r"^(?P<day>[^:]*?)(?P<time>(?:T|,? (?:(?:at|um|à) )?)[0-9]{1,2}:.*)?$"
_TIME = (
    r"^[^0-9]*(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})(?:[.,][0-9]{1,9})?)?"
    r"(?: ?(?P<half>[AaPp]\.?[Mm]\.?))?(?: Uhr)?"
    r" ?(?P<zone>Z|UTC|GMT|TU|[+-](?:0[0-9]|1[0-4])(?::?[0-5][0-9])?)?$"
)
_UTC = ("Z", "UTC", "GMT", "TU")  # TU: temps universel, as CLDR has it in French


@dataclass(frozen=True)
class _Wall:
    """What clocks and calendars showed: ``offset`` from UTC is NaT where no zone is written."""

    moment: NDArray[np.datetime64]
    timed: Bools
    offset: NDArray[np.timedelta64]
    ok: Bools


def parse_dates(texts: pa.Array, dates: str, source_zone: ZoneInfo, shop_zone: ZoneInfo) -> Parsed:
    """Calendar dates in the shop's zone, datetime64[D], of tidy texts.

    ``dates``: year-first, day-first, month-first, text-month, serial, or a strptime pattern.

    A plain date is that date. A time without a zone is the source's; it is carried into the
    shop's zone before the date is taken. A time that the clocks jump over is taken as the
    moment after the jump, one that they show twice as the first of the two.
    """
    texts = one_piece(texts)
    wall = _Cut.of(texts).read(dates) if dates in FORMS else _by_pattern(texts, dates)
    moments = np.where(wall.ok, wall.moment, np.datetime64(0, "s"))
    day = moments.astype("datetime64[D]")
    shift = wall.timed & wall.ok
    if shift.any():
        zoned = shift & ~np.isnat(wall.offset)
        local = shift & np.isnat(wall.offset)
        utc = pd.DatetimeIndex(moments[zoned] - wall.offset[zoned], tz="UTC")
        day[zoned] = _local_days(utc, shop_zone)
        if source_zone.key != shop_zone.key:
            naive = pd.DatetimeIndex(moments[local])
            aware = naive.tz_localize(
                source_zone,
                ambiguous=np.ones(len(naive), dtype=bool),
                nonexistent="shift_forward",
            )
            day[local] = _local_days(aware, shop_zone)
    return Parsed(np.where(wall.ok, day, _NO_DAY), wall.ok, nothing(texts))


def _local_days(moments: pd.DatetimeIndex, zone: ZoneInfo) -> Days:
    return moments.tz_convert(zone).tz_localize(None).to_numpy().astype("datetime64[D]")


def fitting(texts: pa.Array) -> dict[str, Bools]:
    """Which of the distinct, tidy texts are dates of each form that can be told from texts."""
    cut = _Cut.of(one_piece(texts))
    return {form: cut.read(form).ok for form in FORMS}


def both_ways(texts: pa.Array) -> tuple[Days, Days]:
    """Texts as dates with the day first, and with the month first; NaT where they are none."""
    cut = _Cut.of(one_piece(texts))
    found = cut.read("day-first"), cut.read("month-first")
    by_day, by_month = (np.where(each.ok, each.moment, _NO_DAY) for each in found)
    return by_day, by_month


@dataclass(frozen=True)
class _Cut:
    """Texts as a date and a time: the distinct ones of each, and which each text has."""

    texts: pa.Array
    day: pa.DictionaryArray
    time: pa.DictionaryArray

    @staticmethod
    def of(texts: pa.Array) -> _Cut:
        day, time = _groups(texts, _CUT_NUMBERS)
        other = pc.invert(pc.match_substring_regex(texts, _CUT_NUMBERS))
        if pc.any(other).as_py():
            other_day, other_time = _groups(texts.filter(other), _CUT)
            day = pc.replace_with_mask(day, other, other_day)
            time = pc.replace_with_mask(time, other, other_time)
        return _Cut(texts, day.dictionary_encode(), time.dictionary_encode())

    def read(self, form: str) -> _Wall:
        if form == "serial":
            return _by_serial(self.texts)
        days, times = _days(self.day.dictionary, form), _times(self.time.dictionary)
        at, at_time = self.day.indices.to_numpy(), self.time.indices.to_numpy()
        moment = days[at] + times.moment[at_time].astype("timedelta64[s]")
        ok = ~np.isnat(moment) & times.ok[at_time] & (moment >= _FIRST) & (moment < _END)
        return _Wall(moment, times.timed[at_time], times.offset[at_time], ok)


def _groups(texts: pa.Array, form: str) -> tuple[pa.Array, ...]:
    """The groups of a form, each "" where the text is none of the form or lacks it."""
    found = pc.extract_regex(texts, form)
    names = re.findall(r"\?P<(\w+)>", form)
    return tuple(pc.fill_null(pc.struct_field(found, name), "") for name in names)


def _days(texts: pa.Array, form: str) -> Days:
    """Dates in seconds, NaT where a text is none of this form."""
    if form == "text-month":
        found = [_text_month(text) for text in texts.to_pylist()]
        return np.array(found, dtype="datetime64[D]").astype("datetime64[s]")
    shape = _DAY_FORMS["year-first" if form == "year-first" else "numbers"]
    fits = bools(pc.match_substring_regex(texts, shape))
    a, b, c, *short = (ints(digits) for digits in _groups(texts, shape))
    if form == "year-first":
        return _calendar(a, b, c, fits)
    two = bools(pc.match_substring_regex(texts, "[/.][0-9]{2}$"))
    b, year = np.where(two, short[0], b), np.where(two, _century(short[1]), c)
    day, month = (a, b) if form == "day-first" else (b, a)
    return _calendar(year, month, day, fits)


def _century(year: NDArray[np.int64]) -> NDArray[np.int64]:
    """Years of two digits: 69 to 99 are of the 1900s, as POSIX strptime has it."""
    return np.where(year >= 69, 1900, 2000) + year  # noqa: PLR2004


def _calendar(
    year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64], fits: Bools
) -> Days:
    ok = fits & (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1)  # noqa: PLR2004
    count = (np.where(ok, year, 1970) - 1970) * 12 + np.where(ok, month, 1) - 1
    months = count.astype("datetime64[M]")
    first = months.astype("datetime64[D]")
    last = ((months + 1).astype("datetime64[D]") - first).astype(np.int64)
    days = np.where(ok & (day <= last), first + (day - 1), _NO_DAY)
    return days.astype("datetime64[s]")


def _text_month(text: str) -> date | None:
    bare = folded(text)
    for form in _TEXT_MONTH:
        found = form.fullmatch(bare)
        if found and (found["weekday"] is None or found["weekday"] in WEEKDAYS):
            month = MONTHS.get(found["month"])
            year = int(found["year"])
            if len(found["year"]) == 2:  # noqa: PLR2004
                year = int(_century(np.array(year)))
            try:
                return date(year, month, int(found["day"])) if month else None
            except ValueError:
                return None
    return None


def _times(texts: pa.Array) -> _Wall:
    """Times of the day, in seconds since midnight; "" is none."""
    *numbers, half, zone = _groups(texts, _TIME)
    hour, minute, second = (ints(digits) for digits in numbers)
    half = pc.utf8_slice_codeunits(pc.ascii_lower(half), start=0, stop=1)
    late, halved = bools(pc.equal(half, "p")), bools(pc.not_equal(half, ""))
    ok = (hour <= 23) & (minute <= 59) & (second <= 59)  # noqa: PLR2004
    ok &= ~halved | ((hour >= 1) & (hour <= 12))  # noqa: PLR2004
    hour = np.where(halved, hour % 12 + np.where(late, 12, 0), hour)
    none = bools(pc.equal(texts, ""))
    ok = none | (ok & bools(pc.match_substring_regex(texts, _TIME)))
    seconds = hour * 3600 + minute * 60 + second
    return _Wall(seconds.astype("datetime64[s]"), ~none, _offsets(zone), ok)


def _offsets(zones: pa.Array) -> NDArray[np.timedelta64]:
    """Offsets from UTC in seconds, NaT where no zone is written."""
    named = bools(pc.is_in(zones, pa.array(_UTC)))
    bare = pc.replace_substring(zones, pattern=":", replacement="")
    numeric = bools(pc.match_substring_regex(bare, "^[+-][0-9]{2}"))
    digits = pc.if_else(pa.array(numeric), pc.ascii_ltrim(bare, characters="+-"), "0")
    digits = ints(pc.ascii_rpad(digits, width=4, padding="0"))
    seconds = (digits // 100) * 3600 + (digits % 100) * 60
    seconds = np.where(bools(pc.starts_with(bare, "-")), -seconds, seconds)
    return np.where(named | numeric, seconds.astype("timedelta64[s]"), _NO_OFFSET)


def _by_serial(texts: pa.Array) -> _Wall:
    """Day numbers of a spreadsheet; a part of a day is a time, to the nearest second."""
    whole_days, part = _groups(texts, _SERIAL)
    days, part = ints(whole_days), pc.utf8_slice_codeunits(part, start=0, stop=_PART_DIGITS)
    parts = ints(pc.ascii_rpad(part, width=_PART_DIGITS, padding="0"))
    unit = 10**_PART_DIGITS
    seconds = (2 * parts * 86_400 + unit) // (2 * unit)
    ok = (days >= _SERIAL_FIRST) & (days <= _SERIAL_LAST)
    moment = (_SERIAL_DAY_0 + days).astype("datetime64[s]") + seconds.astype("timedelta64[s]")
    return _Wall(moment, parts > 0, np.full(len(ok), _NO_OFFSET), ok)


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
    ok = parsed.notna().to_numpy() & bools(pc.match_substring_regex(texts, "[0-9]"))
    ok &= (wall >= _FIRST) & (wall < _END)
    timed = np.full(len(ok), any(mark in pattern for mark in ("%H", "%I", "%T", "%X", "%c")))
    missing = np.timedelta64(0, "s") if "%z" in pattern else _NO_OFFSET
    return _Wall(wall, timed, np.full(len(ok), missing), ok)
