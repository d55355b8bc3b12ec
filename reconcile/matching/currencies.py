"""In which currencies a supplier order is billed, quoted and paid."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.joined import joined_texts
from reconcile.matching.columns import latest, text
from reconcile.matching.tie import Tied


def add_currencies(orders: pd.DataFrame, tied: Tied, billed: pd.DataFrame) -> None:
    """Add to the supplier orders whether their bills are in another currency than the rest.

    ``billed`` are the facts of invoice lines. On the row that speaks for the supplier order.
    """
    mine = billed[((billed["supplier_order"] >= 0) & (billed["counted_qty"] > 0)).to_numpy()]
    bills = _pairs(mine["supplier_order"], mine["currency"])
    elsewhere = mine[(mine["quoted_in"] != "").to_numpy()]
    quoted = mine[(mine["quote_row"] >= 0).to_numpy()]
    quotes = pd.concat(
        [
            _pairs(elsewhere["supplier_order"], elsewhere["quoted_in"]),
            _pairs(quoted["supplier_order"], quoted["currency"]),
        ]
    )
    settled = orders[(orders["paid"] != 0).to_numpy()]  # money given back counts too
    paid = _pairs(settled["supplier_order"], settled["currency"])
    paid = pd.concat([paid, _paid_by_number(tied)])
    other = paid.merge(bills, how="left", indicator=True)
    other = other[(other["_merge"] == "left_only").to_numpy()]
    owner = orders["supplier_order"]
    is_billed = owner.isin(bills["owner"])
    differs = owner.isin(elsewhere["supplier_order"]) | owner.isin(other["owner"])
    orders["currency_differs"] = orders["main"] & is_billed & differs
    for name, pairs, none in (
        ("billed_in", bills, ""),
        ("quoted_in", quotes, "none that is known"),
        ("paid_in", paid, "none so far"),
    ):
        orders[name] = owner.map(_joined(pairs)).astype("str").fillna(none)
    size = len(tied.supplier_orders)
    dates = mine["dated"].to_numpy().astype("datetime64[s]")
    last = latest(mine["supplier_order"].to_numpy(np.int64), dates, size)
    orders["last_billed_date"] = last[owner.to_numpy()]


def _pairs(owner: pd.Series, currency: pd.Series) -> pd.DataFrame:
    pairs = pd.DataFrame({"owner": owner.to_numpy(np.int64), "currency": currency.to_numpy()})
    return pairs.astype({"currency": "str"}).drop_duplicates()


def _paid_by_number(tied: Tied) -> pd.DataFrame:
    """Settled payments that name an invoice of the supplier, which is in another currency."""
    payments, numbers = tied.payments, tied.paid_invoices
    status = text(payments, "status").isin(["settled", ""])
    chosen = (status & text(payments, "kind").isin(["payment", ""])).to_numpy()
    row = numbers["row_id"].to_numpy(np.int64)
    named = pd.DataFrame({"number": numbers["key"].to_numpy()})
    for name in ("supplier", "currency"):
        named[name] = payments[name].to_numpy()[row]
    bills = tied.invoices[["supplier", "invoice_no_key", "currency", "supplier_order"]]
    bills = bills.set_axis(["supplier", "number", "billed", "owner"], axis=1).drop_duplicates()
    found = named[chosen[row]].reset_index().merge(bills, on=["supplier", "number"])
    same = found.loc[found["billed"] == found["currency"], "index"]
    found = found[(~found["index"].isin(same) & (found["owner"] >= 0)).to_numpy()]
    return _pairs(found["owner"], found["currency"])


def _joined(pairs: pd.DataFrame) -> pd.Series:
    pairs = pairs.drop_duplicates().sort_values(["owner", "currency"])
    return joined_texts(pairs["owner"], pairs["currency"], " and ")
