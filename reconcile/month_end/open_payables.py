"""What is left open of each supplier order, and of documents that belong to none."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reconcile.intake.load import Intake
from reconcile.matching.columns import days, text, total
from reconcile.matching.match import Matched
from reconcile.month_end.evidence import of_groups, places

_NAMES = ["supplier", "currency", "name", "date", "due", "evidence", "amount_minor"]


def open_payables(intake: Intake, matched: Matched, files: Sequence[str]) -> pd.DataFrame:
    """One row for each supplier order or stray document that is not settled to the last unit.

    ``supplier, currency, name, date`` (of the last bill, else of the last payment), ``due`` (the
    invoice's, NaT where there is none), ``evidence, amount_minor`` (billed less paid).
    """
    pieces = [_orders(intake, matched, files)]
    if "invoices" in intake.records:
        pieces.append(_stray_invoices(intake, matched, files))
    if "payments" in intake.records:
        pieces.append(_unallocated(intake, matched, files))
    return pd.concat(pieces, ignore_index=True)


def _orders(intake: Intake, matched: Matched, files: Sequence[str]) -> pd.DataFrame:
    rows = matched.tables["supplier_orders"]
    rows = rows[(rows["billed"] != rows["paid"]).to_numpy()].reset_index(drop=True)
    out = rows[["supplier", "currency", "supplier_order"]].copy()
    out["name"] = matched.orders["order_ref"].to_numpy()[rows["order"]]
    out["date"] = rows["last_billed_date"].fillna(rows["last_paid_date"])
    out["due"] = _due(intake, matched).reindex(rows["supplier_order"]).to_numpy()
    out["amount_minor"] = (rows["billed"] - rows["paid"]).astype("int64")
    links = []
    for record in ("invoices", "payments"):
        link = matched.links[record]
        link = link[link["supplier_order"].isin(out["supplier_order"])]
        if len(link):
            frame = intake.records[record].iloc[link["row_id"].to_numpy()]
            links.append(pd.DataFrame({"owner": link["supplier_order"].to_numpy(),
                                       "place": places(frame, files).to_numpy()}))  # fmt: skip
    if links:
        both = pd.concat(links, ignore_index=True)
        found = of_groups(both["owner"].to_numpy(), both["place"])
        out["evidence"] = out["supplier_order"].map(found).astype("str").fillna("")
    else:
        out["evidence"] = ""
    return out[_NAMES]


def _due(intake: Intake, matched: Matched) -> pd.Series:
    """The first due date of the bills of each supplier order."""
    invoices = intake.records.get("invoices")
    if invoices is None or "due_date" not in invoices:
        return pd.Series(dtype="datetime64[s]")
    link = matched.links["invoices"]
    due = invoices["due_date"].iloc[link["row_id"].to_numpy()].to_numpy()
    return pd.Series(due).groupby(link["supplier_order"].to_numpy()).min()


def _stray_invoices(intake: Intake, matched: Matched, files: Sequence[str]) -> pd.DataFrame:
    invoices = intake.records["invoices"]
    stray = np.ones(len(invoices), dtype=bool)
    stray[matched.links["invoices"]["row_id"].to_numpy()] = False
    rows = invoices[stray]
    return pd.DataFrame(
        {"supplier": rows["supplier"], "currency": rows["currency"], "name": rows["invoice_no"]}
        | {"date": rows["invoice_date"], "evidence": places(rows, files)}
        | {"due": days(rows, "due_date")}
        | {"amount_minor": matched.line_amounts[stray]}
    )[_NAMES]


def _unallocated(intake: Intake, matched: Matched, files: Sequence[str]) -> pd.DataFrame:
    payments = intake.records["payments"]
    used = total(
        matched.shares["row_id"].to_numpy(), matched.shares["amount"].to_numpy(), len(payments)
    )
    kind = text(payments, "kind")
    settled = text(payments, "status").isin(["settled", ""]).to_numpy()
    sign = np.where(kind == "refund", -1, 1)
    left = payments["amount_minor"].to_numpy(np.int64) * sign - used
    mine = settled & (kind != "top-up").to_numpy() & (left != 0)
    rows = payments[mine]
    return pd.DataFrame(
        {"supplier": rows["supplier"], "currency": rows["currency"], "name": rows["payment_ref"]}
        | {"date": rows["paid_date"], "due": pd.NaT, "evidence": places(rows, files)}
        | {"amount_minor": -left[mine]}
    )[_NAMES]
