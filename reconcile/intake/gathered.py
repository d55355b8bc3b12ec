"""The rows of all sources of a record type as one frame, and what their money adds up to."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.intake.fates import SourceRows
from reconcile.records import RECORDS


def in_order(
    record: str,
    frame: pd.DataFrame,
    parts: dict[tuple[str, str], pd.DataFrame],
    several: list[SourceRows],
) -> pd.DataFrame:
    """Several references in a cell get the number of their row in the whole record."""
    start = 0
    moved: dict[str, list[pd.DataFrame]] = {}
    for rows in several:
        for name, part in rows.parts.items():
            moved.setdefault(name, []).append(part.assign(row_id=part["row_id"] + start))
        start += len(rows.accepted)
    for name, pieces in moved.items():
        parts[record, name] = pd.concat(pieces, ignore_index=True)
    for column in RECORDS[record].columns:
        # A column that only some sources bring reads as blank in the others.
        if column.typed not in frame:
            continue
        if frame[column.typed].dtype == "str":
            blank = column.words[0] if column.words else ""
            frame[column.typed] = frame[column.typed].fillna(blank)
        elif column.kind == "flag":
            frame[column.typed] = frame[column.typed].fillna(value=False).astype(bool)
    keys = [str(name) for name in frame if str(name).endswith("_key")]
    frame[keys] = frame[keys].fillna("")
    return frame


def sums_by_file(records: dict[str, pd.DataFrame], files: pd.DataFrame) -> pd.DataFrame:
    """Money of the accepted rows: per file, money column and currency, rows and sum."""
    pieces = []
    for record, frame in records.items():
        money = [column for column in RECORDS[record].columns if column.kind == "money"]
        money = [column for column in money if column.typed in frame]
        if not money or frame.empty:
            continue
        code, currencies = pd.factorize(frame["currency"], sort=True)
        group = frame["file"].to_numpy() * len(currencies) + code
        many = int(group.max()) + 1
        for column in money:
            known = frame[column.typed].notna().to_numpy()
            total = np.zeros(many, dtype=np.int64)
            np.add.at(total, group, frame[column.typed].to_numpy(dtype=np.int64, na_value=0))
            rows = np.bincount(group[known], minlength=many)
            at = np.flatnonzero(rows)
            file, which = np.divmod(at, len(currencies))
            piece = {"file": file, "currency": currencies[which], "rows": rows[at]}
            pieces.append(pd.DataFrame(piece | {"sum_minor": total[at], "column": column.name}))
    empty = pd.DataFrame(columns=["file", "currency", "rows", "sum_minor", "column"])
    sums = pd.concat(pieces, ignore_index=True) if pieces else empty
    place = files[["source", "record", "file"]].rename(columns={"file": "path"})
    sums = sums.merge(place, left_on="file", right_index=True)
    sums["file"] = sums["path"]
    sums["sum_minor"] = sums["sum_minor"].astype("Int64")
    names = ["source", "record", "file", "column", "currency"]
    return sums[[*names, "rows", "sum_minor"]].sort_values(names, ignore_index=True)
