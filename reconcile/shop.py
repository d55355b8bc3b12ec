"""The settings of a shop, frozen: what every stage may know of shop.toml."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

SETTINGS_FILE = "shop.toml"
DATE_ORDERS = ("year-first", "day-first", "month-first")
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


@dataclass(frozen=True)
class Refs:
    """How order references are written in a source."""

    strip_prefix: tuple[str, ...] = ()
    replacement_suffix: tuple[str, ...] = ()
    separators: str = ";,"


@dataclass(frozen=True)
class Source:
    """One export of one record type: its files and how to read them."""

    name: str
    record: str
    files: tuple[str, ...]
    covered_to: Cover
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)
    format: Format = Format()
    refs: Refs = Refs()


@dataclass(frozen=True)
class Tolerance:
    """A gap passes where it is within both limits."""

    absolute: Decimal = Decimal(0)
    percent: Decimal = Decimal(0)


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


def nearest(word: str, known: Collection[str]) -> str:
    """Advice naming the nearest known word, or all of them where none is near."""
    close = difflib.get_close_matches(word, list(known), n=1)
    if close:
        return f"Did you mean {close[0]!r}?"
    return "Known here: " + ", ".join(sorted(known)) + "."
