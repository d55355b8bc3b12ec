"""customers-to-payouts: what customers paid and got back is what the processor shows, by order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.intake.load import Intake
from reconcile.matching.columns import Ints, days, number
from reconcile.matching.match import Matched
from reconcile.matching.orders import OrderFinder
from reconcile.month_end.balance import Balance, balanced, items, unknown
from reconcile.month_end.evidence import places
from reconcile.month_end.period import Month

CHECK = "customers-to-payouts"
# What a customer's bank takes back is a refund that the shop did not make: the customer has it.
_TAKEN_BACK = "The customer's bank took it back, and the order does not say that it was returned."
_SHOWN_AS = {"sale": ("sale",), "refund": ("refund", "chargeback")}


def orders_of(intake: Intake, matched: Matched, files: Sequence[str]) -> pd.DataFrame:
    """One row per order, as matching numbers them: what the customer paid and got back, and when.

    ``order_ref, key, currency, customer_paid_minor, customer_paid_date, refunded_minor,
    refunded_date, evidence``.
    """
    facts = matched.tables["orders"]
    out = matched.orders[["order_ref", "key"]].copy()
    out["currency"] = facts["currency"].to_numpy()
    for name in ("customer_paid_minor", "refunded_minor"):
        none = pd.Series(pd.NA, index=out.index, dtype="Int64")
        out[name] = matched.orders.get(name, none)
    for name in ("customer_paid_date", "refunded_date"):
        out[name] = days(matched.orders, name)
    rows = intake.records["orders"].iloc[facts["row_id"].to_numpy(np.int64)]
    return out.assign(evidence=places(rows, files).to_numpy())


def order_numbers(orders: pd.DataFrame, payouts: pd.DataFrame) -> Ints:
    """The order of each row of the payouts; below 0 where it is none that is known."""
    if "order_ref_key" not in payouts:
        return np.full(len(payouts), -1, dtype=np.int64)
    return OrderFinder(orders).find(payouts["order_ref_key"], payouts["order_ref"])


@dataclass(frozen=True)
class Window:
    """The month, how many days a sale may take, and to which days orders and payouts are known."""

    month: Month
    lag_days: int
    orders_to: pd.Timestamp
    payouts_to: pd.Timestamp


def customers_to_payouts(
    orders: pd.DataFrame, payouts: pd.DataFrame | None, window: Window, files: Sequence[str]
) -> list[Balance]:
    """One balance per currency and kind: sales; refunds, which chargebacks are too.

    Left what the orders say of the month, right what the processor shows in it, and what is on
    its way between the two. An order is compared with everything that the processor has shown of
    it up to the month's end.
    """
    if payouts is None or payouts.empty:
        return [unknown(CHECK, "There are no payouts.")]
    if "order_ref_key" not in payouts or (payouts["order_ref_key"] == "").all():
        return [unknown(CHECK, "The payouts do not name orders.")]
    if orders["customer_paid_minor"].isna().all():
        return [unknown(CHECK, "The orders do not say what customers paid.")]
    parts = payouts.assign(evidence=places(payouts, files), order=_numbered(orders, payouts))
    out = []
    for kind, amount, day, sign in (
        ("sale", "customer_paid_minor", "customer_paid_date", 1),
        ("refund", "refunded_minor", "refunded_date", -1),
    ):
        shown = parts[parts["kind"].isin(_SHOWN_AS[kind]).to_numpy()]
        said = pd.DataFrame(
            {"order": np.arange(len(orders)), "name": orders["order_ref"]}
            | {"currency": orders["currency"], "said": number(orders, amount)}
            | {"said_date": orders[day], "said_evidence": orders["evidence"]}
        )
        said = said[((said["said"] != 0) & said["said_date"].notna()).to_numpy()]
        table = _by_order(said, shown, sign, window.month)
        for currency, rows in table.groupby("currency", sort=True):
            out.append(_balance(kind, str(currency), rows, window))
    return out


def _numbered(orders: pd.DataFrame, payouts: pd.DataFrame) -> Ints:
    """A number for each order that the payouts name; what is no known order has one below 0."""
    found = order_numbers(orders, payouts)
    strange = -1 - pd.factorize(payouts["order_ref_key"])[0]
    return np.where(found >= 0, found, strange)


def _by_order(said: pd.DataFrame, shown: pd.DataFrame, sign: int, month: Month) -> pd.DataFrame:
    """Per order and currency what both sides say, in all and of the month."""
    rows = shown.assign(
        shown=sign * shown["amount_minor"].astype("int64"), here=month.holds(shown["paid_date"]),
        charged_back=shown["kind"] == "chargeback",
    )  # fmt: skip
    rows["shown_here"] = rows["shown"].where(rows["here"], 0)
    sums = rows.groupby(["order", "currency"], as_index=False).agg(
        shown=("shown", "sum"), shown_here=("shown_here", "sum"), ref=("order_ref", "first"),
        charged_back=("charged_back", "any"),
        shown_date=("paid_date", "max"), shown_evidence=("evidence", "first"),
    )  # fmt: skip
    out = said.merge(sums, on=["order", "currency"], how="outer")
    for name in ("said", "shown", "shown_here"):
        out[name] = out[name].fillna(0).astype("int64")
    out["charged_back"] = out["charged_back"].astype("boolean").fillna(value=False).astype(bool)
    for name in ("said_evidence", "shown_evidence", "ref"):
        out[name] = out[name].astype("str").fillna("")
    out["said_here"] = out["said"].where(month.holds(out["said_date"]), 0)
    out["name"] = out["name"].fillna(out["ref"]).astype("str")
    out["date"] = out["said_date"].fillna(out["shown_date"])
    both = (out["said_evidence"] != "") & (out["shown_evidence"] != "")
    between = pd.Series(np.where(both, "; ", ""), index=out.index)
    out["evidence"] = out["said_evidence"] + between + out["shown_evidence"]
    touched = (out["said_here"] != 0) | (out["shown_here"] != 0)
    return pd.DataFrame(out[touched.to_numpy(dtype=bool)])


def _balance(kind: str, currency: str, rows: pd.DataFrame, window: Window) -> Balance:
    said, shown = rows["said"].to_numpy(np.int64), rows["shown"].to_numpy(np.int64)
    here, shown_here = rows["said_here"].to_numpy(), rows["shown_here"].to_numpy()
    left, right = int(here.sum()), int(shown_here.sum())
    agree = said == shown
    last = pd.Timestamp(window.month.last)
    nothing = ~agree & (shown == 0) & (here != 0)
    young = nothing & (_waited(rows, last) <= window.lag_days)
    moved = here - shown_here
    pieces = []
    for chosen, amount, what, text in (
        (young, said, "on-its-way", "Not in a payout yet."),
        (agree & (moved > 0), moved, "shown-before", "The processor showed it in another month."),
        (agree & (moved < 0), moved, "of-earlier-month", "Of an order of an earlier month."),
    ):
        found = items(rows[chosen], amount[chosen], what, "right", "timing", text)
        right += int(found["amount_minor"].sum())
        pieces.append(found)
    taken = ~agree & rows["charged_back"].to_numpy()
    unsaid = ~agree & ~taken & (said == 0)
    other = ~agree & ~taken & ~nothing & ~unsaid
    missing = nothing & ~young
    # What one side cannot know yet is no error of the other.
    beyond = (rows["shown_date"] > window.orders_to).to_numpy() & (taken | unsaid)
    unseen = missing & (_waited(rows, window.payouts_to) <= window.lag_days)
    for chosen, what, text in (
        (missing, f"{kind}-in-no-payout", "The processor has not shown it."),
        (taken, "chargeback-not-in-orders", _TAKEN_BACK),
        (unsaid, f"{kind}-of-no-order", "The processor shows it, and no order says so."),
        (other, "amount-differs", "Order and processor say different amounts."),
    ):
        known = chosen & ~beyond & ~unseen
        pieces.append(items(rows[known], moved[known], what, "difference", "error", text))
        hidden = chosen & ~known
        told = f"{text} Its files end before they had to."
        pieces.append(items(rows[hidden], moved[hidden], what, "difference", "unknown", told))
    causes = [f"The orders end on {window.orders_to.date()}."] * bool(beyond.any())
    causes += [f"The payouts end on {window.payouts_to.date()}."] * bool(unseen.any())
    return balanced(CHECK, f"{kind}s", currency, (left, right), pieces, " ".join(causes))


def _waited(rows: pd.DataFrame, until: pd.Timestamp) -> Ints:
    """Days from what the order says to a day; below 0 where it has no date."""
    return np.asarray((until - rows["said_date"]).dt.days.fillna(-1).to_numpy(np.int64))
