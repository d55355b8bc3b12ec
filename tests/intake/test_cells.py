"""Each kind of cell: what is read, as what, and what is left unread."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest

from reconcile.intake import cells

DUBLIN, NEW_YORK, UTC = ZoneInfo("Europe/Dublin"), ZoneInfo("America/New_York"), ZoneInfo("UTC")


def _amount(text: str, decimal: str = ".") -> int | None:
    found = cells.parse_amounts(cells.tidy(pa.array([text])), decimal)
    return int(found.micro[0]) if found.ok[0] else None


def _count(text: str, decimal: str = ".") -> int | None:
    found = cells.parse_counts(cells.tidy(pa.array([text])), decimal)
    return int(found.values[0]) if found.ok[0] else None


def _date(text: str, form: str = "year-first", source: ZoneInfo = DUBLIN) -> str | None:
    found = cells.parse_dates(cells.tidy(pa.array([text])), form, source, DUBLIN)
    assert found.ok[0] == (not np.isnat(found.values[0]))
    return str(found.values[0]) if found.ok[0] else None


@pytest.mark.parametrize(
    ("text", "decimal", "micro"),
    [
        ("12.50", ".", 12_500_000),
        ("12,50", ",", 12_500_000),
        ("1,234.5", ".", 1_234_500_000),
        ("1.234,5", ",", 1_234_500_000),
        ("1,234,567", ".", 1_234_567_000_000),
        ("-0.05", ".", -50_000),
        ("+7", ".", 7_000_000),
        (".5", ".", 500_000),
        ("1.2345", ".", 1_234_500),
        ("0.123456", ".", 123_456),
        ("1.50000000", ".", 1_500_000),
        ("  3 ", ".", 3_000_000),
        ("\uff11\uff12\uff0e\uff15", ".", 12_500_000),
        ("9999999999", ".", 9_999_999_999_000_000),
        ("0", ".", 0),
    ],
)
def test_amounts_are_read_to_the_millionth(text: str, decimal: str, micro: int) -> None:
    assert _amount(text, decimal) == micro


@pytest.mark.parametrize(
    ("text", "decimal"),
    [
        ("12,50", "."),
        ("12.50", ","),
        ("1,23,456", "."),
        ("1,2345", "."),
        ("1234,567", "."),
        ("1.234.567,8", "."),
        ("1.5.5", "."),
        ("1.", "."),
        (".", "."),
        ("-", "."),
        ("--1", "."),
        ("1e3", "."),
        ("0x10", "."),
        ("€12", "."),
        ("12 EUR", "."),
        ("(12.50)", "."),
        ("12-", "."),
        ("1 234", "."),
        ("nan", "."),
        ("inf", "."),
        ("99999999999", "."),
        ("0.1234567", "."),
        ("1\n2", "."),
        ("1\0", "."),
        ("", "."),
    ],
)
def test_amounts_of_another_form_are_not_read(text: str, decimal: str) -> None:
    assert _amount(text, decimal) is None


@pytest.mark.parametrize(
    ("text", "count"),
    [("0", 0), ("12", 12), ("+2", 2), ("2.0", 2), ("2.000", 2), ("007", 7), ("9999999", 9_999_999)],
)
def test_counts(text: str, count: int) -> None:
    assert _count(text) == count


@pytest.mark.parametrize("text", ["-1", "1.5", "2,0", "1,000", "2.", "two", "12345678", "1e1", "½"])
def test_what_is_no_count(text: str) -> None:
    assert _count(text) is None


@pytest.mark.parametrize(
    ("text", "form", "day"),
    [
        ("2026-03-01", "year-first", "2026-03-01"),
        ("2026/03/01", "year-first", "2026-03-01"),
        ("20260301", "year-first", "2026-03-01"),
        ("2024-02-29", "year-first", "2024-02-29"),
        ("2026-03-01T23:59:59", "year-first", "2026-03-01"),
        ("2026-03-01 23:59", "year-first", "2026-03-01"),
        ("2026-03-01 08:00:00.123456", "year-first", "2026-03-01"),
        ("1.3.2026", "day-first", "2026-03-01"),
        ("01/03/2026", "day-first", "2026-03-01"),
        ("01/03/2026, 10:15", "day-first", "2026-03-01"),
        ("3/1/2026", "month-first", "2026-03-01"),
        ("03-01-2026 10:15", "month-first", "2026-03-01"),
        ("01 Mar 2026", "%d %b %Y", "2026-03-01"),
        ("260301", "%y%m%d", "2026-03-01"),
        ("03/01/2026 11:30 PM", "%m/%d/%Y %I:%M %p", "2026-03-01"),
        ("2026-060", "%Y-%j", "2026-03-01"),
    ],
)
def test_dates_in_every_declared_form(text: str, form: str, day: str) -> None:
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
        ("2026-01-02 10", "year-first"),
        ("2026-01-02 10:00 +99:99", "year-first"),
        ("2026-01-02 10:00 IST", "year-first"),
        ("2026-01-02x", "year-first"),
        ("01/13/2026", "day-first"),
        ("13/01/2026", "month-first"),
        ("2026-01-02", "day-first"),
        ("1/2/26", "day-first"),
        ("46000", "year-first"),
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


@pytest.mark.parametrize("word", ["now", "today", "NOW", "Today"])
@pytest.mark.parametrize("form", ["year-first", "%d.%m.%Y", "%Y-%m-%d"])
def test_no_word_stands_for_the_day_of_the_clock(word: str, form: str) -> None:
    assert _date(word, form) is None


@pytest.mark.parametrize(
    ("text", "source", "day"),
    [
        # Dublin is an hour ahead of UTC from 29 March to 25 October 2026
        ("2026-07-01 23:30", UTC, "2026-07-02"),
        ("2026-12-01 23:30", UTC, "2026-12-01"),
        ("2026-07-01 23:30", DUBLIN, "2026-07-01"),
        ("2026-07-01 23:30Z", DUBLIN, "2026-07-02"),
        ("2026-07-01T23:30:00+01:00", UTC, "2026-07-01"),
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


def test_a_pattern_with_a_zone_and_one_without() -> None:
    assert _date("01.07.2026 23:30 +0000", "%d.%m.%Y %H:%M %z") == "2026-07-02"
    assert _date("01.07.2026 23:30", "%d.%m.%Y %H:%M", UTC) == "2026-07-02"
    assert _date("01.07.2026", "%d.%m.%Y", UTC) == "2026-07-01"


def test_an_hour_that_the_clocks_repeat_or_leave_out_at_midnight() -> None:
    havana = ZoneInfo("America/Havana")  # 00:00 to 01:00 on 8 March 2026, and back on 1 November
    texts = pa.array(["2026-03-08 00:30", "2026-11-01 00:30"])
    found = cells.parse_dates(texts, "year-first", havana, havana)
    assert list(found.values.astype(str)) == ["2026-03-08", "2026-11-01"]
    found = cells.parse_dates(texts, "year-first", havana, UTC)
    assert list(found.values.astype(str)) == ["2026-03-08", "2026-11-01"]


def test_words_and_flags() -> None:
    words = cells.parse_words(pa.array(["", "Failed", "paid"]), ("settled", "failed"))
    assert list(words.values[:2]) == ["settled", "failed"]
    assert list(words.ok) == [True, True, False]
    flags = cells.parse_flags(pa.array(["", "YES", "no", "x", "0", "ja"]))
    assert list(flags.values) == [False, True, False, True, False, False]
    assert list(flags.ok) == [True, True, True, True, True, False]


def test_currencies_of_today_with_money_in_them() -> None:
    texts = ["EUR", "usd", "JPY", "XXX", "XAU", "DEM", "€", "978", "Euro", ""]
    found = cells.parse_currencies(pa.array(texts))
    assert list(found.values[found.ok]) == ["EUR", "USD", "JPY"]


@pytest.mark.parametrize(
    ("text", "decimal", "rate"),
    [
        ("1.1", ".", "1.1"),
        ("1,1", ",", "1.1"),
        ("0.000001", ".", "0.000001"),
        ("1.1", ",", None),
        ("0", ".", None),
        ("-1", ".", None),
        ("1,234.5", ".", None),
    ],
)
def test_rates_are_exact_and_above_zero(text: str, decimal: str, rate: str | None) -> None:
    found = cells.parse_rates(pa.array([text]), decimal)
    assert (found.values[0] if found.ok[0] else None) == rate
