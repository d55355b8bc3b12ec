"""Payments without a reference whose orders a decision has accepted: found before they are matched.

Whether the decision still stands is a matter of the day and the amount, which are known now;
whether its orders are still the only ones that add up to the payment, matching finds out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd

from reconcile.checks.catalogue import Rule
from reconcile.checks.exceptions import ids_of
from reconcile.intake.load import Intake
from reconcile.matching.columns import has, text
from reconcile.matching.tie import ACCEPTED
from reconcile.memory.decision_log import Decision, load_decisions
from reconcile.memory.decisions import UNMATCHED, in_one_table, orders_accepted, with_orders
from reconcile.shop import Shop

_BEARS = ("order_ref", "invoice_no")
_COLUMNS = [
    "supplier", "currency", "payment_ref", "payment_ref_key", "paid_date", "amount_minor", *_BEARS,
    "kind", "status",
]  # fmt: skip


def with_decisions(shop: Shop, rules: Mapping[str, Rule], as_of: date, intake: Intake) -> Intake:
    """What was read, with the orders that decisions in force give to payments without any.

    They are one more part of payments, of which each row is one payment and one set of orders.
    """
    logged, rule = load_decisions(shop.folder), rules.get(UNMATCHED)
    records = with_orders(intake.records.get("decisions"), shop)
    named, of_any = _named(logged, records)
    if rule is None or not (named or of_any):
        return intake
    found = _unnamed(intake, rule)
    each = pd.DataFrame(named, columns=["id", "order_key"], dtype="str")
    every = found[["id"]].merge(pd.DataFrame({"order_key": of_any}, dtype="str"), how="cross")
    asked = found.merge(pd.concat([each, every]).drop_duplicates(), on="id")
    pieces = []
    # A decision is asked about one set of orders of each payment at a time; few have several.
    for _, told in asked.groupby(asked.groupby("id").cumcount()):
        mine = told.reset_index(drop=True)
        pays = orders_accepted(mine, in_one_table(logged, records, mine, None), as_of)
        pieces.append(mine.loc[pays, ["row_id", "order_key"]])
    parts = pd.concat([asked.iloc[:0][["row_id", "order_key"]], *pieces], ignore_index=True)
    parts = parts.rename(columns={"order_key": "key"}).assign(ref=parts["order_key"])
    return replace(intake, parts=intake.parts | {("payments", ACCEPTED): parts})


def _named(
    logged: list[Decision], records: pd.DataFrame | None
) -> tuple[list[tuple[str, str]], list[str]]:
    """The orders that decisions name: with the id of the payment, or of whatever payment it is."""
    of_ids = [(each.id, each.orders) for each in logged if each.orders]
    if records is None or "orders" not in records:
        return of_ids, []
    rows = records[(records["orders"] != "").to_numpy()]
    ids, rules = text(rows, "id"), text(rows, "rule")
    by_id = (ids != "").to_numpy()
    of_ids += zip(ids[by_id], rows["orders"][by_id], strict=True)
    by_rule = ~by_id & (rules == UNMATCHED).to_numpy()
    return of_ids, sorted(set(rows["orders"][by_rule]))


def _unnamed(intake: Intake, rule: Rule) -> pd.DataFrame:
    """The exceptions of settled payments that name nothing: each of them is one by itself."""
    named = [
        intake.parts[part]["row_id"].to_numpy(np.int64)
        for part in (("payments", name) for name in _BEARS)
        if part in intake.parts
    ]
    rows = np.concatenate([np.zeros(0, np.int64), *named])
    size = intake.records.counts().get("payments", 0)
    bare, start, pieces = ~has(rows, size), 0, []
    for piece in intake.records.pieces("payments", _COLUMNS):
        mine = bare[start : start + len(piece)] & (piece["amount_minor"] > 0).to_numpy(dtype=bool)
        mine &= text(piece, "status").isin(["settled", ""]).to_numpy()
        mine &= text(piece, "kind").isin(["payment", ""]).to_numpy()
        row = start + np.flatnonzero(mine)
        pieces.append(_facts(piece[mine].reset_index(drop=True)).assign(row_id=row))
        start += len(piece)
    if not pieces:
        return pd.DataFrame({"row_id": np.zeros(0, np.int64), "id": []})
    found = pd.concat(pieces, ignore_index=True)
    return found.assign(id=ids_of(rule, found), rule=rule.name, verdict="open")


def _facts(payments: pd.DataFrame) -> pd.DataFrame:
    """What the ids of payments are made of, as the facts of payments have it."""
    amount = payments["amount_minor"].astype("Int64")
    return pd.DataFrame(
        {
            "supplier": payments["supplier"],
            "currency": payments["currency"],
            "document": payments["payment_ref"],
            "document_key": payments["payment_ref_key"],
            "dated": payments["paid_date"],
            "kind": text(payments, "kind"),
            "amount_minor": amount,
            "unallocated": amount,
            **{name: text(payments, name) for name in _BEARS},
        }
    )
