"""Dates and times in every form: what is read, as which day in the shop, and what is not."""

from __future__ import annotations

import unicodedata
from datetime import UTC, date, datetime, timedelta, timezone
from email.utils import format_datetime as rfc_5322
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from babel import Locale
from babel.dates import format_date, format_datetime
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.utils.datetime import to_excel

from reconcile.intake.cells import tidy
from reconcile.intake.moments import FORMS, MONTHS, WEEKDAYS, both_ways, fitting, parse_dates

DUBLIN, NEW_YORK, ZULU = ZoneInfo("Europe/Dublin"), ZoneInfo("America/New_York"), ZoneInfo("UTC")


def _date(
    text: str, form: str = "year-first", source: ZoneInfo = DUBLIN, shop: ZoneInfo = DUBLIN
) -> str | None:
    found = parse_dates(tidy(pa.array([text])), form, source, shop)
    assert found.ok[0] == (not np.isnat(found.values[0]))
    return str(found.values[0]) if found.ok[0] else None


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("2026-03-01", "year-first"),
        ("2026/03/01", "year-first"),
        ("20260301", "year-first"),
        ("2026-03-01T23:59:59", "year-first"),
        ("2026-03-01 23:59", "year-first"),
        ("2026-03-01 9:05", "year-first"),
        ("2026-03-01 08:00:00.123456", "year-first"),
        ("2026-03-01 08:00:00,123", "year-first"),
        ("2026-03-01 11:30 PM", "year-first"),
        ("2026-03-01 at 11:30pm", "year-first"),
        ("1.3.2026", "day-first"),
        ("01/03/2026", "day-first"),
        ("01/03/2026, 10:15", "day-first"),
        ("01-03-2026 10:15", "day-first"),
        ("01/03/26", "day-first"),
        ("1.3.26 10:15", "day-first"),
        ("3/1/2026", "month-first"),
        ("3/1/26, 11:30 p.m.", "month-first"),
        ("03-01-2026 10:15", "month-first"),
        ("1 Mar 2026", "text-month"),
        ("01-Mar-26", "text-month"),
        ("01-MAR-2026 23:59:59", "text-month"),
        ("01MAR2026", "text-month"),
        ("1/Mar/2026", "text-month"),
        ("1. März 2026", "text-month"),
        ("1.März.2026", "text-month"),
        ("1. Maerz 2026", "text-month"),
        ("01. Mrz 26", "text-month"),
        ("So., 1. März 2026 um 10:15 Uhr", "text-month"),
        ("1 mars 2026", "text-month"),
        ("1er mars 2026", "text-month"),
        ("dim. 1 mars 2026 à 10:15", "text-month"),
        ("1 de marzo de 2026", "text-month"),
        ("1.º de marzo del 2026", "text-month"),
        ("1 mar. 2026", "text-month"),
        ("Mar 1, 2026", "text-month"),
        ("March 1st, 2026", "text-month"),
        ("Mar. 1 2026", "text-month"),
        ("Mar-01-26", "text-month"),
        ("Sunday, March 1, 2026 at 11:30:00 PM", "text-month"),
        ("1st of March 2026", "text-month"),
        ("2026 Mar 1", "text-month"),
        ("2026-MAR-01", "text-month"),
        ("Sun, 01 Mar 2026 15:45:00 +0000", "text-month"),
        ("46082", "serial"),
        ("46082.0", "serial"),
        ("46082.9999", "serial"),
        ("46082,5", "serial"),
        ("01 Mar 2026", "%d %b %Y"),
        ("260301", "%y%m%d"),
        ("03/01/2026 11:30 PM", "%m/%d/%Y %I:%M %p"),
        ("2026-060", "%Y-%j"),
    ],
)
def test_the_first_of_march_in_every_form(text: str, form: str) -> None:
    assert _date(text, form) == "2026-03-01"


@pytest.mark.parametrize(
    ("text", "form", "day"),
    [
        ("2024-02-29", "year-first", "2024-02-29"),
        ("31.12.68", "day-first", "2068-12-31"),
        ("01.01.69", "day-first", "1969-01-01"),
        ("01/01/00", "month-first", "2000-01-01"),
        ("26.03.01", "day-first", "2001-03-26"),
        ("03-Oct-26", "text-month", "2026-10-03"),
        ("mar. 3 mars 2026", "text-month", "2026-03-03"),
        ("20000", "serial", "1954-10-03"),
        ("80000", "serial", "2119-01-11"),
    ],
)
def test_dates_at_the_edges(text: str, form: str, day: str) -> None:
    assert _date(text, form) == day


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("2026-02-30", "year-first"),
        ("2025-02-29", "year-first"),
        ("2026-13-01", "year-first"),
        ("2026-00-10", "year-first"),
        ("2026-01-00", "year-first"),
        ("2026-1-2", "year-first"),
        ("26-01-02", "year-first"),
        ("0000-01-01", "year-first"),
        ("1899-12-31", "year-first"),
        ("2200-01-01", "year-first"),
        ("2026-01-02 24:00", "year-first"),
        ("2026-01-02 10:60", "year-first"),
        ("2026-01-02 10:00:60", "year-first"),
        ("2026-01-02 10", "year-first"),
        ("2026-01-02 13:00 PM", "year-first"),
        ("2026-01-02 0:30 AM", "year-first"),
        ("2026-01-02 10:00 +99:99", "year-first"),
        ("2026-01-02 10:00 IST", "year-first"),
        ("2026-01-02 10:00\n", "year-first x"),
        ("2026-01-02x", "year-first"),
        ("2026-01-0210:15", "year-first"),
        ("10:15", "year-first"),
        (":", "year-first"),
        ("01/13/2026", "day-first"),
        ("13/01/2026", "month-first"),
        ("2026-01-02", "day-first"),
        ("1-2-26", "day-first"),
        ("1/2/026", "day-first"),
        ("1/2", "day-first"),
        ("1 2 2026", "day-first"),
        ("46000", "year-first"),
        ("30 Feb 2026", "text-month"),
        ("29 February 2025", "text-month"),
        ("3 Foo 2026", "text-month"),
        ("Foo, 3 Oct 2026", "text-month"),
        ("3 Oct", "text-month"),
        ("Oct 2026", "text-month"),
        ("Oct 32026", "text-month"),
        ("26 Oct 3", "text-month"),
        ("3 Oct 026", "text-month"),
        ("0 Oct 2026", "text-month"),
        ("3 Oct 1899", "text-month"),
        ("3 Oct 2026 10", "text-month"),
        ("2026-10-03", "text-month"),
        ("Oct Oct 2026", "text-month"),
        ("19999", "serial"),
        ("80001", "serial"),
        ("046082", "serial"),
        ("46082.", "serial"),
        ("-46082", "serial"),
        ("460820", "serial"),
        ("2026-01-02", "serial"),
        ("30 Feb 2026", "%d %b %Y"),
        ("01 März 2026", "%d %b %Y"),
        ("01.02.0001", "%d.%m.%Y"),
        ("01.02.9999", "%d.%m.%Y"),
        ("nan", "%d.%m.%Y"),
        ("NaT", "%d.%m.%Y"),
    ],
)
def test_dates_of_another_form_are_not_read(text: str, form: str) -> None:
    assert _date(text, form) is None


@pytest.mark.parametrize("form", [*FORMS, "%d.%m.%Y"])
def test_nothing_is_no_date_and_no_fault(form: str) -> None:
    found = parse_dates(pa.array(["", "-", "n/a", "x"]), form, DUBLIN, DUBLIN)
    assert found.blank.tolist() == [True, True, True, False]
    assert not found.ok.any()


@pytest.mark.parametrize("word", ["now", "today", "NOW", "Today"])
@pytest.mark.parametrize("form", [*FORMS, "%d.%m.%Y", "%Y-%m-%d"])
def test_no_word_stands_for_the_day_of_the_clock(word: str, form: str) -> None:
    assert _date(word, form) is None


@pytest.mark.parametrize(
    ("text", "source", "day"),
    [
        # Dublin is an hour ahead of UTC from 29 March to 25 October 2026
        ("2026-07-01 23:30", ZULU, "2026-07-02"),
        ("2026-12-01 23:30", ZULU, "2026-12-01"),
        ("2026-07-01 23:30", DUBLIN, "2026-07-01"),
        ("2026-07-01 23:30Z", DUBLIN, "2026-07-02"),
        ("2026-07-01 11:30 PM UTC", DUBLIN, "2026-07-02"),
        ("2026-07-01 12:30 AM +02:00", DUBLIN, "2026-06-30"),
        ("2026-07-01T23:30:00+01:00", ZULU, "2026-07-01"),
        ("2026-07-01 23:30:00+00", DUBLIN, "2026-07-02"),
        ("2026-07-01 23:30 -0500", DUBLIN, "2026-07-02"),
        ("2026-07-02 00:30 +14:00", DUBLIN, "2026-07-01"),
        ("2026-07-01 18:59", NEW_YORK, "2026-07-01"),
        ("2026-07-01 19:00", NEW_YORK, "2026-07-02"),
        # A date without a time is that date, whatever the zone
        ("2026-07-01", NEW_YORK, "2026-07-01"),
        # New York's clocks go from 02:00 to 03:00 on 8 March, and back on 1 November
        ("2026-03-08 02:30", NEW_YORK, "2026-03-08"),
        ("2026-11-01 01:30", NEW_YORK, "2026-11-01"),
    ],
)
def test_a_date_is_the_day_in_the_shop(text: str, source: ZoneInfo, day: str) -> None:
    assert _date(text, source=source) == day


def test_a_spreadsheets_time_is_in_the_zone_of_the_source() -> None:
    # 46204 is 1 July 2026; 23:30 there is past midnight in Dublin
    assert _date("46204.9791666667", "serial", ZULU) == "2026-07-02"
    assert _date("46204", "serial", ZULU) == "2026-07-01"


def test_a_pattern_with_a_zone_and_one_without() -> None:
    assert _date("01.07.2026 23:30 +0000", "%d.%m.%Y %H:%M %z") == "2026-07-02"
    assert _date("01.07.2026 23:30", "%d.%m.%Y %H:%M", ZULU) == "2026-07-02"
    assert _date("01.07.2026", "%d.%m.%Y", ZULU) == "2026-07-01"


def test_an_hour_that_the_clocks_repeat_or_leave_out_at_midnight() -> None:
    havana = ZoneInfo("America/Havana")  # 00:00 to 01:00 on 8 March 2026, and back on 1 November
    texts = pa.array(["2026-03-08 00:30", "2026-11-01 00:30"])
    for shop in (havana, ZULU):
        found = parse_dates(texts, "year-first", havana, shop)
        assert list(found.values.astype(str)) == ["2026-03-08", "2026-11-01"]
    # Of the two 00:30 the first counts, 04:30 in UTC, which is the day before five hours west;
    # the second, 05:30 in UTC, would not be
    west = ZoneInfo("Etc/GMT+5")
    assert _date("2026-11-01 00:30", source=havana, shop=west) == "2026-10-31"


_DAYS = st.dates(date(1970, 1, 1), date(2068, 12, 31))
_WRITTEN = {
    "year-first": ["%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d"],
    "day-first": ["%d/%m/%Y", "%d.%m.%Y", "%d-%m-%Y", "%d/%m/%y", "%d.%m.%y"],
    "month-first": ["%m/%d/%Y", "%m.%d.%Y", "%m-%d-%Y", "%m/%d/%y", "%m.%d.%y"],
    "text-month": ["%d-%b-%Y", "%d-%b-%y", "%d %B %Y", "%b %d, %Y", "%Y %b %d", "%A, %d %B %Y"],
}


@given(_DAYS, st.sampled_from(sorted(_WRITTEN)), st.data())
def test_a_date_is_read_as_it_was_written(day: date, form: str, data: st.DataObject) -> None:
    text = day.strftime(data.draw(st.sampled_from(_WRITTEN[form])))
    assert _date(text, form) == day.isoformat()
    fits = fitting(pa.array([text]))
    assert fits[form][0]
    assert {name for name, mask in fits.items() if mask[0]} <= {form, "day-first", "month-first"}


# Second opinion: babel writes dates as each language does (CLDR).
_CLDR = {
    "en_US": "month-first", "en_GB": "day-first", "en_IE": "day-first", "de_DE": "day-first",
    "de_AT": "day-first", "fr_FR": "day-first", "es_ES": "day-first", "es_MX": "day-first",
}  # fmt: skip


@given(_DAYS, st.sampled_from(sorted(_CLDR)), st.sampled_from(["short", "medium", "long", "full"]))
def test_dates_as_each_language_writes_them(day: date, locale: str, length: str) -> None:
    text = format_date(day, length, locale=locale)
    form = "text-month" if any(sign.isalpha() for sign in text) else _CLDR[locale]
    assert _date(text, form) == day.isoformat(), text


@given(
    st.datetimes(datetime(1970, 1, 2), datetime(2068, 12, 30)),  # noqa: DTZ001
    st.sampled_from(sorted(_CLDR)),
    st.sampled_from(["short", "medium", "long"]),
)
def test_times_as_each_language_writes_them(moment: datetime, locale: str, length: str) -> None:
    text = format_datetime(moment.replace(tzinfo=UTC), length, locale=locale)
    has_word = any(word.casefold().strip(".") in MONTHS for word in _words(text))
    form = "text-month" if has_word else _CLDR[locale]
    for shop in (ZULU, NEW_YORK):
        expected = moment.replace(tzinfo=UTC).astimezone(shop).date()
        assert _date(text, form, ZULU, shop) == expected.isoformat(), text


def _words(text: str) -> list[str]:
    apart = unicodedata.normalize("NFKD", text)
    bare = "".join(sign for sign in apart if not unicodedata.combining(sign))
    return bare.replace(",", " ").replace("-", " ").split()


def test_month_and_weekday_words_are_those_of_cldr() -> None:
    months, weekdays = set(), set()
    for identifier in ("en", "en_GB", "de", "de_AT", "fr", "fr_CA", "es", "es_PE"):
        locale = Locale.parse(identifier)
        for context in ("format", "stand-alone"):
            for width in ("wide", "abbreviated"):
                for at, word in locale.months[context][width].items():
                    bare = _words(word.casefold())[0].strip(".")
                    assert MONTHS[bare] == at, word
                    months.add(bare)
                weekdays |= {
                    _words(word.casefold())[0].strip(".")
                    for word in locale.days[context][width].values()
                }
    assert set(MONTHS) - months == {"maerz", "mrz", "fev", "jaenner"}
    assert WEEKDAYS - weekdays == {"tues", "weds", "thur", "thurs", "sonnabend"}
    assert weekdays <= WEEKDAYS


@given(
    st.datetimes(datetime(1970, 1, 2), datetime(2068, 12, 30)),  # noqa: DTZ001
    st.integers(-12 * 60, 14 * 60),
)
def test_dates_of_mails(moment: datetime, minutes: int) -> None:
    written = moment.replace(microsecond=0, tzinfo=timezone(timedelta(minutes=minutes)))
    expected = written.astimezone(DUBLIN).date().isoformat()
    assert _date(rfc_5322(written), "text-month", NEW_YORK) == expected
    assert _date(written.isoformat(), "year-first", NEW_YORK) == expected
    assert _date(written.strftime("%d/%m/%Y %I:%M:%S %p %z"), "day-first", NEW_YORK) == expected


@given(st.datetimes(datetime(1954, 10, 4), datetime(2119, 1, 10)))  # noqa: DTZ001
def test_day_numbers_as_a_spreadsheet_counts_them(moment: datetime) -> None:
    moment = moment.replace(microsecond=0)
    number = to_excel(moment)  # type: ignore[no-untyped-call]
    assert _date(repr(number), "serial", ZULU, NEW_YORK) == (
        moment.replace(tzinfo=UTC).astimezone(NEW_YORK).date().isoformat()
        if number % 1
        else moment.date().isoformat()
    )


_CELLS = st.lists(
    st.sampled_from(
        [*"0123456789-/.,: T\n", "2026", "03", "10:15", " at ", "Oct", "Mär", "PM", "Z"]
    ),
    max_size=9,
).map("".join)


@given(st.lists(_CELLS, max_size=8), st.sampled_from([*FORMS, "%d.%m.%Y"]))
def test_each_date_is_read_as_if_it_were_alone(texts: list[str], form: str) -> None:
    tidied = tidy(pa.array(texts, pa.string()))
    pieces = pa.chunked_array([tidied[at : at + 2] for at in range(0, len(tidied), 2)], pa.string())
    for together in (tidied, pieces):
        found = parse_dates(together, form, NEW_YORK, DUBLIN)
        read = [str(day) if ok else None for day, ok in zip(found.values, found.ok, strict=True)]
        assert read == [_date(text, form, NEW_YORK) for text in texts]


@given(st.lists(_CELLS, max_size=8))
def test_what_fits_is_what_is_read(texts: list[str]) -> None:
    tidied = tidy(pa.array(texts, pa.string()))
    fits = fitting(tidied)
    assert tuple(fits) == FORMS
    for form, mask in fits.items():
        found = parse_dates(tidied, form, ZULU, ZULU)
        assert mask.tolist() == found.ok.tolist()
    for form, moments in zip(("day-first", "month-first"), both_ways(tidied), strict=True):
        assert (~np.isnat(moments)).tolist() == fits[form].tolist()


def test_dates_that_do_not_tell_day_and_month_apart() -> None:
    texts = ["05/05/2026", "5.5.26 10:15", "05/06/2026", "13/01/2026", "2026-05-05", "13/13/2026"]
    by_day, by_month = both_ways(pa.array(texts))
    assert (by_day == by_month).tolist() == [True, True, False, False, False, False]
