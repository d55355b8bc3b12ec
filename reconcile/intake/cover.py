"""To which day the sources of a record are complete, and days that no file of a source covers."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd

from reconcile.intake.period import Period
from reconcile.intake.read import Read
from reconcile.records import RECORDS
from reconcile.shop import Source

# Storefront and bank exports end with what happened; of the others a quiet end is usual.
_BY_LAST_ROW = ("orders", "bank")
_DAY = "datetime64[s]"
_MUCH = 2  # a gap between files is told where it is so many times the longest inside them


def covered_to(
    source: Source, frame: pd.DataFrame, stated: Sequence[Period | None], as_of: date
) -> date | None:
    """The day to which one source is complete; None where nothing tells.

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
            last = _last_day(source, frame)
            return min(max([*ends, last] if last is not None else ends), as_of)
    if (declared or usual) == "as-of" or not record.date:
        return as_of
    return _last_day(source, frame)


def _last_day(source: Source, frame: pd.DataFrame) -> date | None:
    record = RECORDS[source.record]
    if not record.date:
        return None
    last = frame.loc[frame["source"] == source.name, record.column(record.date).typed].max()
    return None if pd.isna(last) else last.date()


def find_gaps(
    source: Source, read: Sequence[Read], stated: Sequence[Period | None]
) -> pd.DataFrame:
    """Days between files of a source that none of them covers, one row each.

    ``source``, ``after`` (the last day before), ``before`` (the first day after), ``days``
    between them, ``file`` (the one after the gap). Days without rows are usual in a quiet
    shop: a gap is told where it is longer than twice the longest inside the files, or where
    stated periods leave it out.
    """
    record = RECORDS[source.record]
    if not record.date or len(read) < 2:  # noqa: PLR2004
        return _gaps([])
    spans, inside = [], 0
    for one, period in zip(read, stated, strict=True):
        days = one.typed.frame[record.column(record.date).typed].to_numpy()
        days = np.unique(days.astype("datetime64[D]")[~np.isnat(days)])
        if len(days) > 1:
            inside = max(inside, int(np.diff(days).astype(np.int64).max()) - 1)
        if period is not None:
            spans.append((np.datetime64(period[0]), np.datetime64(period[1]), True, one.path))
        elif len(days):
            spans.append((days[0], days[-1], False, one.path))
    rows = []
    spans.sort(key=lambda span: (span[0], span[1]))
    for at in range(1, len(spans)):
        end = max(span[1] for span in spans[:at])
        begin, path = spans[at][0], spans[at][3]
        days_between = int((begin - end).astype(np.int64)) - 1
        exact = spans[at][2] and all(span[2] for span in spans[:at])
        if days_between > (0 if exact else _MUCH * inside):
            rows.append((source.name, end, begin, days_between, path))
    return _gaps(rows)


def _gaps(rows: Sequence[tuple[str, np.datetime64, np.datetime64, int, str]]) -> pd.DataFrame:
    """Gaps as a frame, whose columns have their types without any row too."""
    types = {"source": "str", "after": _DAY, "before": _DAY, "days": "int64", "file": "str"}
    return pd.DataFrame(rows, columns=list(types)).astype(types)
