"""Cells of the short closed forms, each by the kind of its column."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from reconcile.intake import cells
from reconcile.intake.amounts import parse_counts
from reconcile.intake.date_cells import CellKinds, parse_date_cells
from reconcile.intake.formats import Forms
from reconcile.records import Column

# What programs write for a date that is not there: the day 0 of their calendars, in any zone.
# Common practice, no source.
NO_DATES = np.array(["1900-01-01", "1969-12-31", "1970-01-01"], dtype="datetime64[s]")


@dataclass(frozen=True)
class Ways:
    """How a source writes: its zone beside the shop's, and its words by column."""

    source_zone: ZoneInfo
    shop_zone: ZoneInfo
    words: Mapping[str, Mapping[str, str]]


def parse_simple(
    column: Column, texts: pa.Array, ways: Ways, forms: Forms, kinds: CellKinds | None
) -> tuple[cells.Parsed, str]:
    """The values of a column of dates, counts, words, flags, rates or currencies.

    With what is expected of its cells; ``kinds`` says of a workbook what each cell is.
    """
    decimal = forms.decimals.get(column.name, ".")
    if column.kind == "date":
        dates = forms.dates[column.name]
        parsed = parse_date_cells(texts, dates, kinds, ways.source_zone, ways.shop_zone)
        return parsed, f"a date, {dates}" if "%" not in dates else dates
    if column.kind == "count":
        return parse_counts(texts, decimal), "a whole number, 0 or more" + column.hint
    words = ways.words.get(column.name, {})
    if column.kind == "word":
        expected = "one of " + ", ".join(filter(None, column.words))
        return cells.parse_words(cells.translated(texts, words), column.words), expected
    if column.kind == "flag":
        return cells.parse_flags(cells.translated(texts, words)), "yes or no"
    if column.kind == "rate":
        rate = cells.parse_rates(texts, decimal)
        return rate, "a rate above 0, as a plain decimal"
    return cells.parse_currencies(texts), "a currency code of ISO 4217"
