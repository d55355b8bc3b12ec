"""Dates of workbooks, where a cell itself says whether it is a date, a number or a text."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from reconcile.intake.cells import Parsed
from reconcile.intake.coded import Bools, one_piece
from reconcile.intake.moments import parse_dates


@dataclass(frozen=True)
class CellKinds:
    """Which cells of a column are numbers and which are dates, one entry a row."""

    numbers: Bools
    dates: Bools


def parse_date_cells(
    texts: pa.Array, dates: str, kinds: CellKinds | None, source_zone: ZoneInfo, shop_zone: ZoneInfo
) -> Parsed:
    """Dates of the cells of a column, whose texts are in the form ``dates``.

    ``kinds`` is None in a text file; in a workbook there is one text a row.

    A date is what the workbook says, and not written in any form. A number is a spreadsheet's
    day number, or a date such as 20261003, unless a declared pattern knows better.
    """
    texts = one_piece(texts)
    found = parse_dates(texts, dates, source_zone, shop_zone)
    if kinds is None:
        return found
    by_pattern = found.ok & ("%" in dates)
    values, ok = found.values.copy(), found.ok & ~kinds.dates & (by_pattern | ~kinds.numbers)
    numbers = kinds.numbers & ~by_pattern
    for mask, form in ((kinds.dates, "year-first"), (numbers, "year-first"), (numbers, "serial")):
        at = np.flatnonzero(mask)
        if len(at):
            read = parse_dates(texts.take(pa.array(at)), form, source_zone, shop_zone)
            values[at[read.ok]] = read.values[read.ok]
            ok[at[read.ok]] = True
    return Parsed(np.where(ok, values, np.datetime64("NaT", "D")), ok, found.blank)
