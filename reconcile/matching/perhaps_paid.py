"""What is said of payments without a reference: at the payment, and at the orders it may be for."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.empty import without_rows
from reconcile.joined import listed
from reconcile.matching.accepted import suggested_keys
from reconcile.matching.columns import LINK, has, places, texts_at, total
from reconcile.matching.moneys import Moneys
from reconcile.matching.tie import Tied

_ORDERS_SHOWN, _PAYMENTS_SHOWN = 12, 3  # that a sentence names
_FOR_IT = "; perhaps paid without a reference by "
_NOT_RULED_OUT = "; that a payment without a reference was for it cannot be ruled out"
_BY_DECISION = " by itself; by a decision it pays "
_EXACTLY = "; it is exactly what is left to pay for "


def add_perhaps_paid(orders: pd.DataFrame, tied: Tied, money: Moneys) -> None:
    """Add to the facts of supplier orders which payments without a reference may be for them."""
    size, found = len(orders), money.suggestions
    orders["perhaps_paid"] = has(found.perhaps["money"].to_numpy(np.int64), size)
    orders["not_ruled_out"] = found.doubted & ~orders["perhaps_paid"].to_numpy()
    text = pd.Series("", index=orders.index, dtype="str")
    text[orders["not_ruled_out"].to_numpy()] = _NOT_RULED_OUT
    if len(found.perhaps):
        names = _payments_named(tied, found.perhaps["money"], found.perhaps["payment"])
        text[names.index] = _FOR_IT + names
    orders["perhaps"] = text


def add_suggestions(payments: pd.DataFrame, tied: Tied, money: Moneys) -> pd.DataFrame:
    """Add to the facts of payments what those without a reference may be for.

    Gives back the rows behind each, beside its own: ``at``, ``record``, ``row_id``.
    """
    found = money.suggestions
    outcome, readings = found.outcome, found.readings
    rest = money.rows["unpaid_rest"].to_numpy(np.int64)[readings["money"].to_numpy(np.int64)]
    mine = (outcome[readings["payment"]] == "only").to_numpy()
    at = readings["payment"].to_numpy(np.int64)
    payments["suggested"] = total(at[mine], rest[mine], len(payments))
    payments["several_ways"] = (outcome == "several").to_numpy()
    payments["contested"] = (outcome == "contested").to_numpy()
    payments["gave_up"] = (outcome == "gave-up").to_numpy()
    if readings.empty and not (outcome != "").any():  # most payments bear a reference
        payments["suggestion"] = pd.Series("", index=payments.index, dtype="str")
        payments["order_ref_key"] = payments["suggestion"]
        return without_rows(LINK)
    rivals = _rivals(outcome, readings, tied)
    payments["suggestion"] = _sentences(tied, money, rivals)
    keys = suggested_keys(tied, money.rows, found)
    payments["order_ref_key"] = keys.reindex(payments.index).fillna("").astype("str")
    return _behind(tied, money, rivals)


def _payments_named(tied: Tied, owner: pd.Series, payment: pd.Series) -> pd.Series:
    """For each owner the first of its payments by reference and day, and how many more."""
    rows = tied.payments.iloc[payment.to_numpy(np.int64)]
    frame = pd.DataFrame(
        {
            "owner": owner.to_numpy(np.int64),
            "payment": payment.to_numpy(np.int64),
            "dated": rows["paid_date"].to_numpy(),
            "name": rows["payment_ref"].to_numpy(),
        }
    ).astype({"name": "str"})
    frame = frame.sort_values(["owner", "dated", "name", "payment"], ignore_index=True)
    frame["name"] += " of " + frame["dated"].dt.strftime("%Y-%m-%d")
    return listed(frame["owner"], frame["name"], _PAYMENTS_SHOWN)


def _rivals(outcome: pd.Series, readings: pd.DataFrame, tied: Tied) -> pd.DataFrame:
    """Contested payments and the first others that add up to one of the same orders.

    Columns ``payment`` and ``other``.
    """
    mine = readings[(outcome[readings["payment"]] == "contested").to_numpy()]
    rows = tied.payments.iloc[mine["payment"].to_numpy(np.int64)]
    others = mine[["payment", "money"]].assign(
        dated=rows["paid_date"].to_numpy(), name=rows["payment_ref"].to_numpy()
    )
    others = others.sort_values(["money", "dated", "name", "payment"], ignore_index=True)
    # One more than is shown, for a payment is not its own rival.
    few = others[(others.groupby("money").cumcount() <= _PAYMENTS_SHOWN).to_numpy()]
    few = few[["money", "payment"]].rename(columns={"payment": "other"})
    pairs = mine[["payment", "money"]].merge(few, on="money")[["payment", "other"]]
    return pairs[(pairs["payment"] != pairs["other"]).to_numpy()].drop_duplicates(ignore_index=True)


def _sentences(tied: Tied, money: Moneys, rivals: pd.DataFrame) -> pd.Series:
    """What is said of each payment; blank where it bears a reference."""
    found = money.suggestions
    outcome = found.outcome[(found.outcome != "").to_numpy()]
    first, second = (_orders_named(tied, money, nth).reindex(outcome.index) for nth in (0, 1))
    others = _payments_named(tied, rivals["payment"], rivals["other"]).reindex(outcome.index)
    fitting = pd.Series(found.fitting[outcome.index], index=outcome.index).astype("str")
    one = _EXACTLY + first
    given_up = "; too many sets of the " + fitting + " open orders that it could be for to try all"
    told = {
        "accepted": _BY_DECISION + first,
        "only": one + ", and for no other set of open orders",
        "contested": one + ", but " + others + " may have paid for the same",
        "several": one + ", and also for " + second,
        "gave-up": given_up + (", though " + first + " alone would be exactly that").fillna(""),
        "none": pd.Series("; no set of open orders adds up to it", index=outcome.index),
    }
    text = pd.Series("", index=outcome.index, dtype="str")
    for name, words in told.items():
        text = text.where(outcome != name, words)
    return texts_at(text.astype("str"), places(outcome.index.to_numpy(), len(found.outcome)))


def _orders_named(tied: Tied, money: Moneys, nth: int) -> pd.Series:
    """The orders of each payment's first or second set, in words."""
    readings = money.suggestions.readings
    mine = readings[(readings["nth"] == nth).to_numpy()]
    owner = money.rows["supplier_order"].to_numpy()[mine["money"].to_numpy(np.int64)]
    number = tied.supplier_orders["order"].to_numpy()[owner]
    orders = tied.orders.orders.iloc[number][["store", "key", "order_ref"]]
    frame = orders.reset_index(drop=True).assign(
        payment=mine["payment"].to_numpy(np.int64), width=orders["key"].str.len().to_numpy()
    )
    frame = frame.sort_values(["payment", "store", "width", "key", "order_ref"], ignore_index=True)
    text = listed(frame["payment"], frame["order_ref"], _ORDERS_SHOWN)
    several = (frame["payment"].value_counts().reindex(text.index) > 1).to_numpy()
    return pd.Series(np.where(several, "orders ", "order "), index=text.index, dtype="str") + text


def _behind(tied: Tied, money: Moneys, rivals: pd.DataFrame) -> pd.DataFrame:
    """Order lines and bills of the orders of every set, and the other payments."""
    readings = money.suggestions.readings
    owner = money.rows["supplier_order"].to_numpy()[readings["money"].to_numpy(np.int64)]
    wanted = pd.DataFrame({"at": readings["payment"], "supplier_order": owner}).drop_duplicates()
    pieces = [rivals.set_axis(["at", "row_id"], axis=1).assign(record="payments")]
    invoices = tied.invoices[["supplier_order"]].assign(row_id=np.arange(len(tied.invoices)))
    for record, rows in (("orders", tied.lines), ("invoices", invoices)):
        mine = wanted.merge(rows[["supplier_order", "row_id"]], on="supplier_order")
        pieces.append(mine[["at", "row_id"]].assign(record=record))
    return pd.concat(pieces, ignore_index=True)[["at", "record", "row_id"]]
