"""cut-off: what was paid, sent or received on one side of the month's end, and not on the other."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reconcile.intake.load import Intake
from reconcile.matching.columns import days, number
from reconcile.matching.match import Matched
from reconcile.money import digits_of, line_amount, round_half_up, split_in_proportion
from reconcile.month_end.balance import Balance, balanced, items, unknown
from reconcile.month_end.customers import orders_of
from reconcile.month_end.evidence import places

CHECK = "cut-off"


def cut_off(intake: Intake, matched: Matched, files: Sequence[str]) -> list[Balance]:
    """Three lists as of the month's last day, each a balance per currency.

    Prepayments (paid to the supplier and not dispatched), accruals (dispatched and not billed, at
    the agreed cost), and what was received in advance (the customer paid and nothing was sent).
    Left is everything that was paid or sent, right what is settled of it and the items.
    """
    lines = _lines(intake, matched, files)
    return [
        *_list(lines, "prepayments", "paid", "paid_ahead", "Paid, and not dispatched."),
        *_accruals(lines),
        *_received(intake, matched, lines, files),
    ]


def _lines(intake: Intake, matched: Matched, files: Sequence[str]) -> pd.DataFrame:
    """Order lines with what is paid, agreed, billed and missing of each."""
    facts = matched.tables["order_lines"]
    records = intake.records["orders"].iloc[matched.line_rows]
    out = facts[
        ["order", "supplier_order", "supplier", "sku", "currency", "live", "shipped"]
    ].copy()
    out["missing"] = facts["missing"].astype("int64")
    out["paid"] = facts["share_of_paid"].astype("int64")
    nothing_sent = (facts["shipped"] == 0).to_numpy()
    ahead = facts["share_of_missing"].to_numpy(np.int64)
    # What was paid for goods that are not wanted any more, and were never sent, is ahead too.
    out["paid_ahead"] = np.where(nothing_sent, out["paid"], ahead)
    out["name"] = matched.orders["order_ref"].to_numpy()[facts["order"]] + " " + facts["sku"]
    out["date"] = facts["last_paid_date"]
    out["evidence"] = places(records, files).to_numpy()
    out["sent_date"] = facts["last_shipped_date"]
    rows = matched.tables["supplier_orders"]
    mine = rows[rows["main"].to_numpy(dtype=bool)].set_index("supplier_order")
    of = mine.reindex(out["supplier_order"])
    out["agreed"] = of["agreed"].to_numpy()
    out["billed"] = of["billed"].fillna(0).to_numpy()
    return out


def _list(lines: pd.DataFrame, account: str, whole: str, part: str, told: str) -> list[Balance]:
    out = []
    for currency, rows in lines[lines["currency"] != ""].groupby("currency", sort=True):
        amount = rows[part].to_numpy(np.int64)
        left = int(rows[whole].sum())
        done = left - int(amount.sum())
        mine = amount != 0
        pieces = [_settled(done), items(rows[mine], amount[mine], account, "right", "listed", told)]
        out.append(balanced(CHECK, account, str(currency), (left, left), pieces))
    return out


def _settled(amount: int) -> pd.DataFrame:
    bare = pd.DataFrame({"name": [""], "evidence": [""], "date": [np.datetime64("NaT", "s")]})
    told = "On both sides of the month's end."
    return items(bare, np.array([amount]), "settled", "right", "listed", told)


def _accruals(lines: pd.DataFrame) -> list[Balance]:
    """Dispatched and not billed, at the agreed cost of what was sent, by supplier order."""
    sent = lines[(lines["shipped"] > 0).to_numpy()]
    if sent.empty:
        return []
    of = lines.groupby("supplier_order", sort=True)
    rows = sent.drop_duplicates("supplier_order").set_index("supplier_order")
    units = of["live"].sum().reindex(rows.index).to_numpy(np.int64)
    gone = of["shipped"].sum().reindex(rows.index).to_numpy(np.int64)
    rows = rows.assign(date=rows["sent_date"])
    waiting = rows["billed"].to_numpy(np.int64) == 0
    no_price = waiting & rows["agreed"].isna().to_numpy()
    agreed = rows["agreed"].fillna(0).to_numpy(np.int64)
    due = np.maximum(units, gone)
    part = round_half_up(agreed * np.minimum(gone, due), np.maximum(due, 1))
    out = []
    for currency in sorted(set(rows["currency"]) - {""}):
        mine = (rows["currency"] == currency).to_numpy()
        told = "Dispatched, and not billed; at the agreed cost."
        at = mine & waiting & ~no_price
        found = items(rows[at], part[at], "accrual", "right", "listed", told)
        known = int(part[mine & ~no_price].sum())
        pieces = [_settled(known - int(part[at].sum())), found]
        lost = mine & no_price
        nothing = np.zeros(int(lost.sum()), dtype=np.int64)
        told = "Dispatched, and not billed, and no quote says at what cost."
        pieces.append(items(rows[lost], nothing, "no-cost", "right", "unknown", told))
        cause = "The cost of some parcels is not known." if lost.any() else ""
        out.append(balanced(CHECK, "accruals", currency, (known, known), pieces, cause))
    return out


def _received(
    intake: Intake, matched: Matched, lines: pd.DataFrame, files: Sequence[str]
) -> list[Balance]:
    """What customers paid for units that are not sent, by what the lines of an order cost."""
    orders = orders_of(intake, matched, files)
    records = intake.records["orders"].iloc[matched.line_rows].reset_index(drop=True)
    if orders["customer_paid_minor"].isna().all():
        cause = "The orders do not say what customers paid."
        return [unknown(CHECK, cause, "received in advance")]
    place = lines["order"].to_numpy(np.int64)
    kept = number(orders, "customer_paid_minor") - number(orders, "refunded_minor")
    goods = line_amount(
        records["qty"].to_numpy(np.int64), number(records, "unit_price_micro"),
        digits_of(records["currency"]),
    ) - number(records, "discount_minor")  # fmt: skip
    live = lines["live"].to_numpy(np.int64)
    weight = np.where(live > 0, np.maximum(goods, 0), 0)
    share = split_in_proportion(np.maximum(kept, 0), place, weight)
    ahead = round_half_up(share * lines["missing"].to_numpy(np.int64), np.maximum(live, 1))
    rows = lines.assign(
        currency=records["currency"].to_numpy(), kept=share, ahead=ahead,
        date=pd.Series(days(orders, "customer_paid_date")).to_numpy()[place],
    )  # fmt: skip
    told = "The customer paid, and it is not dispatched."
    return _list(rows, "received in advance", "kept", "ahead", told)
