"""Kits and pack units: what was agreed for a line whose quotes bear the supplier's own SKUs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, count, masked, total
from reconcile.matching.quotes import quoted_lines
from reconcile.matching.tie import Tied


def add_kit_quotes(tied: Tied) -> None:
    """Fill what is agreed for lines without a quote of their own, through the SKU map.

    Each of the supplier's SKUs is quoted for the units that the line needs of it; the line has a
    price only where all of them have one, in one currency. Days to dispatch are the longest.
    """
    lines, components = tied.lines, tied.components
    line = components["line"].to_numpy()
    sku = components["sku_code"].to_numpy()
    foreign = sku != lines["sku_code"].to_numpy()[line]
    foreign |= components["units"].to_numpy() > 1
    wanted = foreign & lines["agreed_minor"].isna().to_numpy()[line]
    if not wanted.any() or tied.quotes.empty:
        return
    line, sku = line[wanted], sku[wanted]
    names = ["supplier_code", "country_code", "ordered_date", "due_qty"]
    mine = lines[names].take(line).reset_index(drop=True)
    needed = mine["due_qty"].to_numpy(np.int64) * components["units"].to_numpy()[wanted]
    asked = pd.DataFrame(
        {
            "supplier_code": mine["supplier_code"],
            "sku_code": sku,
            "country_code": mine["country_code"],
            "quantity": needed,
            "ordered_date": mine["ordered_date"],
        }
    )
    _fill(lines, line, quoted_lines(asked, tied.quotes, tied.names.currency))


def _fill(lines: pd.DataFrame, line: Ints, quoted: pd.DataFrame) -> None:
    size = len(lines)
    code = quoted["currency_code"].to_numpy()
    parts = count(line, size)
    priced = quoted["agreed_minor"].notna().to_numpy()
    first = np.full(size, -1, dtype=np.int64)
    first[line] = code
    same = total(line, (priced & (code == first[line])).astype(np.int64), size)
    full = (parts > 0) & (same == parts)
    if not full.any():
        return
    amount = total(line, quoted["agreed_minor"].fillna(0).to_numpy(np.int64), size)
    agreed = lines["agreed_minor"].fillna(0).to_numpy(np.int64)
    unknown = lines["agreed_minor"].isna().to_numpy() & ~full
    lines["agreed_minor"] = masked(np.where(full, amount, agreed), unknown)
    currency = lines["quote_currency_code"].to_numpy()
    lines["quote_currency_code"] = np.where(full, first, currency)
    for name in ("dispatch_days", "delivery_days"):
        longest = quoted[name].groupby(line).max().reindex(np.arange(size)).astype("Int64")
        lines[name] = lines[name].fillna(longest.set_axis(lines.index))
