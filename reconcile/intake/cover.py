"""To which day the sources of a record are complete, and days that no file of a source covers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.empty import without_rows
from reconcile.intake.period import Period
from reconcile.records import RECORDS
from reconcile.shop import Source

Days = NDArray[np.datetime64]
# Storefront and bank exports end with what happened; of the others a quiet end is usual.
_BY_LAST_ROW = ("orders", "bank")
_DAY = "datetime64[s]"
_MOST = 9  # of ten gaps between files: what is usual; common practice, no source
_MUCH = 2  # a gap between files is told where it is so many times the longest inside them


def covered_to(
    source: Source, last: date | None, stated: Sequence[Period | None], as_of: date
) -> date | None:
    """The day to which one source is complete; None where nothing tells.

    ``last`` is the day of its last row, None where it has none.

    A declared day or kind of cover counts first, then a period stated above the header of
    every file, or of the newest one, then what is usual for the record type.
    """
    record = RECORDS[source.record]
    if isinstance(source.covered_to, date):
        return min(source.covered_to, as_of)
    usual = "last-row" if record.name in _BY_LAST_ROW else "as-of"
    declared = source.covered_to
    if not declared:
        ends = [period[1] for period in stated if period is not None]
        if ends and (len(ends) == len(stated) or usual == "as-of"):
            return min(max([*ends, last] if last is not None else ends), as_of)
    if (declared or usual) == "as-of" or not record.date:
        return as_of
    return last


def last_day(record: str, pieces: Iterable[pd.DataFrame]) -> date | None:
    """The day of the last row, in whatever piece; None where no row has a date."""
    dated = RECORDS[record].date
    if not dated:
        return None
    column = RECORDS[record].column(dated).typed
    days = [piece[column].max() for piece in pieces]
    return max((day.date() for day in days if not pd.isna(day)), default=None)


@dataclass(frozen=True)
class _Span:
    """From which day to which a file goes: as it states, or as its rows are dated."""

    first: np.datetime64
    last: np.datetime64
    stated: bool
    path: str


def find_gaps(
    source: Source, files: Sequence[tuple[str, Days]], stated: Sequence[Period | None]
) -> pd.DataFrame:
    """Days between files of a source that none of them covers, one row each.

    ``files``: the path of each, and the days on which rows of it are dated, in order.
    ``source``, ``after`` (the last day before), ``before`` (the first day after), ``days``
    between them, ``file`` (the one after the gap). Days without rows are usual in a quiet
    shop, and so are days without a file: a gap is told where it is longer than gaps between
    these files usually are, and than twice the longest inside them, unless they state their
    periods. Saturdays and Sundays do not count where no file has any.
    """
    record = RECORDS[source.record]
    if not record.date or len(files) < 2:  # noqa: PLR2004
        return _gaps([])
    spans, inside, weekend = [], 0, False
    for (path, days), period in zip(files, stated, strict=True):
        weekend |= not bool(np.is_busday(days).all())
        if len(days) > 1:
            inside = max(inside, int(np.diff(days).astype(np.int64).max()) - 1)
        if period is not None:
            spans.append(_Span(np.datetime64(period[0]), np.datetime64(period[1]), True, path))  # noqa: FBT003
        elif len(days):
            spans.append(_Span(days[0], days[-1], False, path))  # noqa: FBT003
    return _between(source, spans, _MUCH * inside, weekend=weekend)


def _between(source: Source, spans: Sequence[_Span], inside: int, *, weekend: bool) -> pd.DataFrame:
    """The gaps that are longer than usual."""
    spans = sorted(spans, key=lambda span: (span.first, span.last))
    if not spans:
        return _gaps([])
    begin = np.array([span.first for span in spans[1:]], dtype="datetime64[D]")
    end = np.maximum.accumulate(np.array([span.last for span in spans], dtype="datetime64[D]"))[:-1]
    days = np.maximum((begin - end).astype(np.int64) - 1, 0)
    counted = days if weekend else np.maximum(np.busday_count(end + 1, begin), 0)
    exact = np.logical_and.accumulate([span.stated for span in spans])[1:]
    told = (counted > _usual(counted)) & (exact | (days > inside))
    return _gaps(
        [
            (source.name, end[at], begin[at], int(days[at]), spans[at + 1].path)
            for at in np.flatnonzero(told)
        ]
    )


def _usual(gaps: NDArray[np.int64]) -> NDArray[np.int64]:
    """For each gap the length that nine of ten of the others do not pass; 0 without others."""
    ranked = np.sort(gaps)
    place = np.searchsorted(ranked, gaps)  # it is left out of the others
    at = _MOST * max(len(gaps) - 2, 0) // 10
    others = np.append(ranked, 0)[at + (place <= at)]
    return others if len(gaps) > 1 else np.zeros_like(gaps)


def _gaps(rows: Sequence[tuple[str, np.datetime64, np.datetime64, int, str]]) -> pd.DataFrame:
    """Gaps as a frame, whose columns have their types without any row too."""
    types = {"source": "str", "after": _DAY, "before": _DAY, "days": "int64", "file": "str"}
    if not rows:
        return without_rows(types)
    return pd.DataFrame(rows, columns=list(types)).astype(types)
