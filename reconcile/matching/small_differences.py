"""The fact table of small differences: what passes line by line, added up by supplier and month."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints
from reconcile.money import within_tolerance
from reconcile.shop import Tolerance

_BY = ["supplier", "currency", "month"]


def small_differences(
    lines: pd.DataFrame, tolerance: Tolerance
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Every fact of ``facts.SMALL_DIFFERENCES``, and which rows of records stand behind each.

    ``lines`` are the facts of invoice lines. What is billed above the quote, or above what the
    line's parts add up to, counts where it is within the tolerance; the month is the invoice's.
    """
    over = lines["overcharge"].fillna(0).to_numpy(np.int64)
    excess = lines["total_excess"].fillna(0).to_numpy(np.int64)
    small = np.zeros(len(lines), dtype=np.int64)
    for gap, base in ((over, "quoted_amount"), (excess, "parts_total")):
        agreed = lines[base].fillna(0).to_numpy(np.int64)
        passes = within_tolerance(
            gap, agreed, lines["currency"], tolerance.absolute, tolerance.percent
        )
        small += np.where(passes & (gap > 0), gap, 0)
    mine = lines[["supplier", "currency", "dated", "row_id"]][small > 0].reset_index(drop=True)
    mine["month"] = mine["dated"].dt.strftime("%Y-%m").astype("str")
    mine["total"] = mine["dearest"] = small[small > 0]
    mine["lines"] = 1
    grouped, at = _by_month(mine)
    return grouped, pd.DataFrame({"at": at, "record": "invoices", "row_id": mine["row_id"]})


def added_up(
    tables: Sequence[pd.DataFrame], links: Sequence[pd.DataFrame]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables of several portions as one; ``at`` of the links goes on from table to table."""
    every = pd.concat(tables, ignore_index=True)
    link = pd.concat(links, ignore_index=True)
    grouped, at = _by_month(every)
    return grouped, link.assign(at=at[link["at"].to_numpy(np.int64)])


def _by_month(rows: pd.DataFrame) -> tuple[pd.DataFrame, Ints]:
    """Rows of one supplier, currency and month as one; and which one each is part of."""
    grouped = rows.groupby(_BY, sort=True)
    out = grouped.agg(
        total=("total", "sum"),
        lines=("lines", "sum"),
        dearest=("dearest", "max"),
        dated=("dated", "max"),
    ).reset_index()
    out["order"], out["supplier_order"] = -1, -1
    whole = {"total": "Int64", "dearest": "Int64", "lines": "int64"}
    at = np.asarray(grouped.ngroup(), dtype=np.int64)
    return out.astype(dict.fromkeys(_BY, "str") | whole), at
