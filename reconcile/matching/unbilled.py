"""What of an order no invoice bills so far: where it is paid too much, that may be for it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.joined import listed
from reconcile.matching.columns import Ints, before, last_rows, places, texts_at, total
from reconcile.matching.moneys import Moneys
from reconcile.matching.tie import Tied

_NOT_BILLED = "; not billed so far: "
_SHOWN = 12  # SKUs that a sentence names


def billed_units(tied: Tied, money: Moneys) -> Ints:
    """Billed units of each line, in the shop's units, handed out in line order."""
    bills, components = money.bills, tied.components
    per_item = total(
        bills["item"].to_numpy(np.int64), bills["billed_qty"].to_numpy(np.int64), len(tied.items)
    )
    item, part = components["item"].to_numpy(), components["line"].to_numpy()
    need = tied.lines["ordered"].to_numpy()[part] * components["units"].to_numpy()
    rest = per_item[item] - before(item, need, len(per_item)) if len(item) else need
    last = last_rows(item, len(per_item))
    given = np.where(last, np.maximum(rest, 0), np.clip(rest, 0, need))
    out = np.zeros(len(tied.lines), dtype=np.int64)
    np.maximum.at(out, part, given // components["units"].to_numpy())
    return out


def add_unbilled(orders: pd.DataFrame, tied: Tied, money: Moneys) -> None:
    """Add to the facts of supplier orders, in words, which live units no invoice bills.

    Said where something is billed and more than that is paid: what was paid in advance for goods
    that are billed later looks the same as what was paid too much.
    """
    lines = tied.lines
    owner = lines["supplier_order"].to_numpy()
    asked = (orders["excess_paid"].to_numpy() > 0) & money.rows["is_billed"].to_numpy()
    wanted = np.zeros(len(tied.supplier_orders), dtype=bool)
    wanted[orders["supplier_order"].to_numpy()[asked]] = True
    left = lines["live"].to_numpy() - lines["billed"].to_numpy()
    rows = lines[["supplier_order", "sku_key", "sku"]].assign(left=left)
    rows = rows[wanted[owner] & (left > 0)]
    by_sku = rows.groupby(["supplier_order", "sku_key"], as_index=False)
    rows = by_sku.agg({"sku": "first", "left": "sum"})
    names = rows["left"].astype("str") + " of " + rows["sku"]
    said = _NOT_BILLED + listed(rows["supplier_order"], names, _SHOWN)
    place = places(said.index.to_numpy(np.int64), len(tied.supplier_orders))
    at = np.where(asked, place[orders["supplier_order"].to_numpy()], -1)
    orders["unbilled"] = texts_at(said, at)
