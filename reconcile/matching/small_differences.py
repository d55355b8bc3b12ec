"""The fact table of small differences: what passes line by line, added up by supplier and month."""

from __future__ import annotations

import numpy as np
import pandas as pd

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
    mine["amount"] = small[small > 0]
    grouped = mine.groupby(_BY, sort=True)
    out = grouped.agg(
        total=("amount", "sum"),
        lines=("amount", "size"),
        dearest=("amount", "max"),
        dated=("dated", "max"),
    ).reset_index()
    out["order"], out["supplier_order"] = -1, -1
    link = pd.DataFrame({"at": grouped.ngroup(), "record": "invoices", "row_id": mine["row_id"]})
    texts = dict.fromkeys(_BY, "str")
    return out.astype(texts | {"total": "Int64", "dearest": "Int64"}), link
