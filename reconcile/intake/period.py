"""The period that the lines above a header state: from which day to which the file is complete."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from zoneinfo import ZoneInfo

import pyarrow as pa

from reconcile.intake.moments import parse_dates
from reconcile.intake.words import folded, trade_words
from reconcile.references import plain

# A date in any of the usual forms: numbers with separators, or with a month as a word
_DATE = re.compile(
    r"\d{4}-\d{1,2}-\d{1,2}|\d{1,2}[./-]\d{1,2}[./-]\d{2,4}|\d{4}[./]\d{1,2}[./]\d{1,2}"
    r"|\d{1,2}\.? (?:de )?[^\W\d_]{3,10}\.?,? (?:de )?\d{4}|[^\W\d_]{3,10}\.? \d{1,2}, \d{4}"
)
_UTC = ZoneInfo("UTC")
Period = tuple[date, date]


def stated_period(title: Sequence[Sequence[str]], dates: str) -> Period | None:
    """The first and last day stated above a header; None where none is, or it is unclear.

    A line counts that has a word for a period and two dates. ``dates`` is the form of the file's
    own dates, which tells day and month apart.
    """
    found: set[Period] = set()
    for row in title:
        line = plain(" ".join(row))
        days = [_day(text, dates) for text in _DATE.findall(line)]
        words = set(re.findall(r"[^\W\d_]+", folded(line)))
        if len(days) != 2 or not words & trade_words().period:  # noqa: PLR2004
            continue
        first, last = days
        if first is None or last is None or first > last:
            return None
        found.add((first, last))
    return next(iter(found)) if len(found) == 1 else None


def _day(text: str, dates: str) -> date | None:
    """A date of a line, where it can be read in one way only."""
    for form in ("year-first", "text-month", dates):
        if "%" in form or form == "serial":
            continue
        parsed = parse_dates(pa.array([text]), form, _UTC, _UTC)
        if parsed.ok[0]:
            found: date = parsed.values[0].astype("datetime64[D]").astype(object)
            return found
    return None
