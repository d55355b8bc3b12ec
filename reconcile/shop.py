"""The settings of a shop, frozen: what every stage may know of shop.toml."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

SETTINGS_FILE = "shop.toml"
OUT_FOLDER = "out"  # below the shop folder; where runs write unless another place is named
DATE_FORMS = ("year-first", "day-first", "month-first", "text-month", "serial")
Cover = Literal["last-row", "as-of"] | date


@dataclass(frozen=True)
class Supplier:
    """One supplier: its name in outputs, its other spellings, and its terms."""

    name: str
    names: tuple[str, ...] = ()
    terms: str = "prepay"
    dispatch_days: int | None = None
    delivery_days: int | None = None
    holidays: tuple[date, ...] = ()


@dataclass(frozen=True)
class Format:
    """How the cells of a source are written; "" or None where it is not declared."""

    encoding: str = ""
    delimiter: str = ""
    decimal: str = ""
    dates: str = ""
    time_zone: str = ""
    sheet: str = ""
    header_row: int | None = None

    def wrong(self) -> list[tuple[str, str]]:
        """What keeps the format from being used: what is wrong, and what to do."""
        found = []
        if self.decimal not in ("", ".", ","):
            found.append(("decimal is neither a point nor a comma.", 'Write "." or ",".'))
        if self.dates and self.dates not in DATE_FORMS and "%" not in self.dates:
            mend = nearest(self.dates, DATE_FORMS) + ' Or a pattern such as "%d %b %Y".'
            found.append((f"dates = {self.dates!r} is not known.", mend))
        elif "%" in self.dates and not _tells_a_date(self.dates):
            mend = 'Write a strptime pattern without %Z, such as "%d %b %Y" or "%m/%d/%Y %H:%M".'
            found.append((f"dates = {self.dates!r} does not tell year, month and day.", mend))
        mark = self.delimiter
        if mark and (len(mark) > 1 or not mark.isascii() or mark in '"\r\n\0'):
            mend = 'Write one plain character, such as ";" or "\\t".'
            found.append((f"delimiter = {mark!r} does not part cells.", mend))
        try:
            "".encode(self.encoding or "utf-8")
        except (LookupError, ValueError):
            mend = 'Write a name such as "utf-8", "cp1252" or "utf-16".'
            found.append((f"encoding {self.encoding!r} is not known.", mend))
        if self.header_row is not None and self.header_row < 1:
            found.append(("header_row is below 1.", "Rows are counted from 1."))
        return found


@dataclass(frozen=True)
class Refs:
    """How order references are written in a source."""

    strip_prefix: tuple[str, ...] = ()
    replacement_suffix: tuple[str, ...] = ()
    separators: str = ";,"


@dataclass(frozen=True)
class Source:
    """One export of one record type: its files and how to read them.

    ``covered_to`` is None where nothing is declared. ``words`` gives by column the canonical
    word of each word of the file, folded.
    """

    name: str
    record: str
    files: tuple[str, ...]
    covered_to: Cover | None
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)
    format: Format = Format()
    refs: Refs = Refs()
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Tolerance:
    """A gap passes where it is within both limits."""

    absolute: Decimal = Decimal(0)
    percent: Decimal = Decimal(0)


@dataclass(frozen=True)
class MonthEnd:
    """The settings of the month-end cash check.

    ``ageing``: the last day of each bucket, rising; 0 parts what is not due. ``ageing_from``: what
    days are counted from, "document" or "due". ``transit_days``: how long the bank may take to
    book a movement; ``payout_days``: how long a sale may take to be in a payout.
    """

    ageing: tuple[int, ...] = (7, 14, 30, 60, 90)
    ageing_from: str = "document"
    transit_days: int = 7
    payout_days: int = 10


@dataclass(frozen=True)
class Shop:
    """The settings of one shop."""

    folder: Path
    name: str
    home_currency: str
    zone: ZoneInfo
    suppliers: Mapping[str, Supplier]
    sources: tuple[Source, ...]
    rules: Mapping[str, Mapping[str, Any]]
    tolerance: Tolerance
    month_end: MonthEnd = MonthEnd()


def nearest(word: str, known: Collection[str]) -> str:
    """Advice naming the nearest known word, or all of them where none is near."""
    close = difflib.get_close_matches(word, list(known), n=1)
    if close:
        return f"Did you mean {close[0]!r}?"
    return "Known here: " + ", ".join(sorted(known)) + "."


def _tells_a_date(pattern: str) -> bool:
    """Whether a date written by the pattern is read again as the same date."""
    moment = datetime(2026, 10, 31, 13, 45, 59, tzinfo=UTC)
    try:
        # The zone is beside the point, and a pattern need not tell it.
        read = datetime.strptime(moment.strftime(pattern), pattern)  # noqa: DTZ007
    except ValueError:
        return False
    return read.date() == moment.date() and "%Z" not in pattern
