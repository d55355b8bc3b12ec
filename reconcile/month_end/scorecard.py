"""What each supplier did in the month: late, without a number, overcharged, given back."""

from __future__ import annotations

import pandas as pd

from reconcile.intake.load import Intake
from reconcile.matching.columns import text
from reconcile.matching.match import Matched
from reconcile.month_end.period import Month


def scorecard(intake: Intake, matched: Matched, month: Month) -> pd.DataFrame:
    """One row per supplier and currency of its bills.

    ``supplier, lines`` (order lines sent in the month), ``late`` (of them delivered after the
    promise, or promised for a day before the month's end and not delivered), ``parcels`` (parcel
    lines of the month), ``no_number`` (of them without a tracking number), ``currency,
    overcharged_minor`` (beyond quotes, on invoices of the month), ``recovered_minor`` (refunds that
    the supplier paid in the month).
    """
    lines = matched.tables["order_lines"]
    sent = lines[month.holds(lines["last_shipped_date"])]
    end = pd.Timestamp(month.last)
    late = (sent["late_days"].fillna(0) > 0) | (
        (sent["promised_date"] < end) & ~sent["arrived"].fillna(value=True)
    )
    counts = sent.assign(late=late.astype("int64")).groupby("supplier").agg(
        lines=("late", "size"), late=("late", "sum")
    )  # fmt: skip
    parcels = matched.tables["shipments"]
    parcels = parcels[month.holds(parcels["dated"])]
    bare = (~parcels["has_number"].fillna(value=True)).astype("int64")
    numbers = parcels.assign(bare=bare).groupby("supplier").agg(
        parcels=("bare", "size"), no_number=("bare", "sum")
    )  # fmt: skip
    money = _money(intake, matched, month)
    out = counts.join(numbers, how="outer").reset_index().merge(money, on="supplier", how="outer")
    for name in ("lines", "late", "parcels", "no_number", "overcharged_minor", "recovered_minor"):
        out[name] = out[name].fillna(0).astype("int64")
    out["currency"] = out["currency"].astype("str").fillna("")
    out = out[(out["supplier"] != "").to_numpy()]
    return out.sort_values(["supplier", "currency"], ignore_index=True).astype({"supplier": "str"})


def _money(intake: Intake, matched: Matched, month: Month) -> pd.DataFrame:
    bills = matched.tables["invoice_lines"]
    bills = bills[month.holds(bills["dated"])]
    keys = ["supplier", "currency"]
    over = bills.groupby(keys)["overcharge"].sum().rename("overcharged_minor")
    payments = intake.records.get("payments")
    if payments is None:
        return over.reset_index().assign(recovered_minor=0)
    mine = month.holds(payments["paid_date"]) & (text(payments, "kind") == "refund").to_numpy()
    mine &= text(payments, "status").isin(["settled", ""]).to_numpy()
    back = payments[mine].groupby(keys)["amount_minor"].sum().rename("recovered_minor")
    return pd.concat([over, back], axis=1).reset_index()
