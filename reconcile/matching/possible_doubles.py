"""The fact table of possible double payments: no reference decides, and other things speak for it.

Two ways to look alike: one amount within some days, and references that differ by a slip of the
hand. What reached its orders in full is decided; it only stands beside what did not.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.empty import without_rows
from reconcile.joined import joined_texts
from reconcile.matching.alike import groups_alike
from reconcile.matching.columns import (
    LINK,
    Bools,
    Ints,
    combined,
    count,
    days,
    distinct,
    earliest,
    first_rows,
    has,
    in_order,
    ranked,
    texts_at,
    total,
)
from reconcile.matching.moneys import Moneys
from reconcile.matching.tie import Tied

WITHIN_DAYS = 7
_SHOWN = 12  # payments that a sentence names
_OF_MEMBERS = ["at", "document", "dated", "row_id"]
_FOUND = {
    **dict.fromkeys(("supplier", "currency"), "str"),
    "amount": "Int64",
    **dict.fromkeys(("payments", "decided", "open"), "int64"),
    **dict.fromkeys(("first_date", "dated"), "datetime64[s]"),
    **dict.fromkeys(("payables", "beyond"), "int64"),
    "alike": "str",
    "excess": "Int64",
    **dict.fromkeys(("document", "first_day", "amount_code"), "str"),
    **dict.fromkeys(("order", "supplier_order"), "int64"),
}


def possible_doubles(
    tied: Tied, money: Moneys, payments: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Every fact of ``facts.POSSIBLE_DOUBLES``, and which payments stand behind each row.

    ``payments`` are the facts of payments. One row for each group of payments of one supplier and
    amount of which some are not decided, also where there is no excess.
    """
    nodes = payments_to_compare(tied, payments)
    if nodes.empty:  # in most shops all payments bear a reference
        return without_rows(_FOUND), without_rows(LINK)
    by_time = _by_time(nodes, tied, money)
    by_text = _by_text(nodes, tied, money)
    groups = pd.concat([by_time[0], by_text[0]], ignore_index=True)
    members = pd.concat(
        [by_time[1], by_text[1].assign(at=by_text[1]["at"] + len(by_time[0]))], ignore_index=True
    )
    back = payments[(payments["settled"] & (payments["kind"] == "refund")).to_numpy()]
    given = _given_back(groups, back[(back["unallocated"] == back["amount"]).to_numpy()])
    over = np.maximum(groups["beyond"].to_numpy(np.int64) - given, 0)
    groups["excess"] = over * groups["amount"].to_numpy(np.int64)
    members = members.sort_values(["at", "dated", "document", "row_id"], ignore_index=True)
    shown = members[(members.groupby("at").cumcount() < _SHOWN).to_numpy()]
    names = joined_texts(shown["at"], shown["document"])
    groups["document"] = names.reindex(groups.index).fillna("")
    groups["first_day"] = groups["first_date"].dt.strftime("%Y-%m-%d")
    groups["amount_code"] = groups["amount"]
    groups["order"], groups["supplier_order"] = -1, -1
    texts = ("supplier", "currency", "document", "first_day", "alike")
    whole = {"amount": "Int64", "excess": "Int64", "amount_code": "str"}
    link = members.assign(record="payments")[["at", "record", "row_id"]]
    return groups.astype(dict.fromkeys(texts, "str") | whole), link


def payments_to_compare(tied: Tied, payments: pd.DataFrame, *, every: bool = False) -> pd.DataFrame:
    """Settled payments for orders; ``decided``: they reached their orders, or name unknown ones.

    Those of whose supplier and amount some are not decided, or ``every`` one. ``bare``: they bear
    no reference; ``key`` numbers supplier, currency and amount.
    """
    use = payments["settled"] & payments["kind"].isin(["payment", ""]) & (payments["amount"] > 0)
    none = (payments["unallocated"] == payments["amount"]) & ~payments["names_unknown_order"]
    chosen = use.to_numpy(dtype=bool)
    decided = ~none.to_numpy(dtype=bool) | payments["by_decision"].to_numpy(dtype=bool)
    amount, _ = distinct(np.maximum(payments["amount"].to_numpy(np.int64), 0))
    codes = (tied.payments[name].to_numpy() for name in ("supplier_code", "currency_code"))
    key, first = distinct(combined(*codes, amount))
    if not every:
        chosen = chosen & has(key[chosen & ~decided], len(first))[key]
    at = np.flatnonzero(chosen)
    columns = ["supplier", "currency", "amount", "document", "dated", "row_id"]
    out: pd.DataFrame = payments[columns].take(at).reset_index(drop=True)
    out["decided"] = decided[at]
    by_order, by_number = (
        has(frame["row_id"].to_numpy(np.int64), len(payments))[at]
        for frame in (tied.paid_orders, tied.paid_invoices)
    )
    out["bare"] = ~by_order & ~by_number
    out["by_order"] = by_order
    out["key"] = key[at]
    return out


def _by_time(nodes: pd.DataFrame, tied: Tied, money: Moneys) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Chains of one supplier and amount, at most so many days from one payment to the next."""
    mine = nodes[(nodes["bare"] | nodes["decided"]).to_numpy()]
    mine = mine[mine["key"].isin(mine.loc[~mine["decided"], "key"])]
    mine = mine.sort_values(["key", "dated", "document", "row_id"], ignore_index=True)
    days = mine["dated"].to_numpy().astype("datetime64[D]").astype(np.int64)
    key = mine["key"].to_numpy()
    new = np.ones(len(mine), dtype=bool)
    new[1:] = (key[1:] != key[:-1]) | (days[1:] - days[:-1] > WITHIN_DAYS)
    mine["at"] = np.cumsum(new) - 1
    groups, mine = _several(_groups(mine), mine)
    payables = _open_payables(groups, tied, money)
    groups["payables"] = payables + groups["decided"]
    least = np.where(groups["decided"] > 0, 0, 1)
    groups["beyond"] = np.maximum(groups["open"] - np.maximum(payables, least), 0)
    groups["alike"] = f"none more than {WITHIN_DAYS} days after the one before"
    return groups, mine[_OF_MEMBERS]


def _groups(members: pd.DataFrame) -> pd.DataFrame:
    grouped = members.assign(open=~members["decided"]).groupby("at", sort=True)
    return grouped.agg(
        supplier=("supplier", "first"),
        currency=("currency", "first"),
        amount=("amount", "first"),
        payments=("row_id", "size"),
        decided=("decided", "sum"),
        open=("open", "sum"),
        first_date=("dated", "min"),
        dated=("dated", "max"),
    ).reset_index(drop=True)


def _several(groups: pd.DataFrame, members: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The groups of more than one payment with one that is not decided, numbered anew."""
    use = ((groups["payments"] > 1) & (groups["open"] > 0)).to_numpy()
    place = np.where(use, np.cumsum(use) - 1, -1)
    at = place[members["at"].to_numpy(np.int64)]
    kept = members.assign(at=at)[at >= 0]
    return groups[use].reset_index(drop=True), kept.reset_index(drop=True)


def _open_payables(groups: pd.DataFrame, tied: Tied, money: Moneys) -> Ints:
    """How many supplier orders, or invoices of several, are to be paid with exactly the amount."""
    rows = money.rows
    owner = rows["supplier_order"].to_numpy()
    unpaid = (rows["payable_known"] & (rows["paid"] == 0)).to_numpy()
    order = tied.supplier_orders["order"].to_numpy()[owner]
    asked = np.isin(rows["payable"].to_numpy(np.int64), groups["amount"].to_numpy(np.int64))
    at = np.flatnonzero(unpaid & asked)
    lone = pd.DataFrame(
        {
            "supplier": texts_at(tied.supplier_orders["supplier"], owner[at]),
            "currency": rows["currency"].take(at).array,
            "amount": rows["payable"].to_numpy(np.int64)[at],
            "since": tied.orders.orders["ordered_date"].to_numpy()[order[at]],
        }
    )
    untouched = np.ones(len(tied.supplier_orders), dtype=bool)
    untouched[owner[(rows["paid"] != 0).to_numpy()]] = False
    both = pd.concat([lone, _open_invoices(tied, money, untouched)], ignore_index=True)
    wanted = groups[["supplier", "currency", "amount", "dated"]].assign(at=np.arange(len(groups)))
    found = wanted.merge(both, on=["supplier", "currency", "amount"])
    found = found[(found["since"] <= found["dated"]).to_numpy()]
    return count(found["at"].to_numpy(np.int64), len(groups))


def _open_invoices(tied: Tied, money: Moneys, untouched: Bools) -> pd.DataFrame:
    """Invoices that bill several supplier orders, and nothing is paid for any of them."""
    invoices = tied.invoices
    owner = invoices["supplier_order"].to_numpy()
    invoice, size = money.invoice, len(money.invoice_total)
    closed = (owner < 0) | ~np.append(untouched, False)[owner]
    first = first_rows(invoice, size)
    several = has(invoice[owner != owner[first[invoice]]], size)
    at = np.flatnonzero(several & ~has(invoice[closed], size))
    since = earliest(invoice, days(invoices, "invoice_date"), size)
    out = invoices[["supplier", "currency"]].take(first[at]).reset_index(drop=True)
    return out.assign(amount=money.invoice_total[at], since=since[at])


def _by_text(nodes: pd.DataFrame, tied: Tied, money: Moneys) -> tuple[pd.DataFrame, pd.DataFrame]:
    """References that are alike: the same once cleaned, or a slip of the hand apart."""
    mine = nodes[~nodes["bare"].to_numpy()].reset_index(drop=True)
    names = reference_texts(tied, mine["row_id"])
    mine["text"] = names.reindex(mine["row_id"]).array
    at = groups_alike(mine["key"].to_numpy(), mine["text"], mine["decided"].to_numpy(dtype=bool))
    mine["at"] = at
    groups, mine = _several(_groups(mine), mine)
    room = _room(mine, tied, money, len(groups))
    groups["payables"] = np.maximum(room, 1)
    over = groups["payments"].to_numpy(np.int64) - groups["payables"].to_numpy(np.int64)
    groups["beyond"] = np.clip(over, 0, groups["open"].to_numpy(np.int64))
    distinct = mine[["at", "row_id"]].assign(
        shown=reference_texts(tied, mine["row_id"], raw=True).reindex(mine["row_id"]).to_numpy()
    )
    distinct = distinct.drop_duplicates(["at", "shown"]).sort_values(["at", "shown"])
    groups["alike"] = "with references that are alike: " + joined_texts(
        distinct["at"], distinct["shown"], " and "
    )
    return groups, mine[_OF_MEMBERS]


def reference_texts(tied: Tied, payments: pd.Series, *, raw: bool = False) -> pd.Series:
    """What each payment names, its orders before its invoices, as one text; by payment."""
    name = "ref" if raw else "key"
    size = len(tied.payments)
    asked = has(payments.to_numpy(np.int64), size)
    with_orders = has(tied.paid_orders["row_id"].to_numpy(np.int64), size)
    pieces = []
    for frame, use in ((tied.paid_orders, asked), (tied.paid_invoices, asked & ~with_orders)):
        pieces.append(frame.loc[use[frame["row_id"].to_numpy(np.int64)], ["row_id", name]])
    both = pd.concat(pieces, ignore_index=True)
    owner = both["row_id"].to_numpy(np.int64)
    # Most payments name one thing alone: only of the others the texts are put in order.
    several = np.flatnonzero(count(owner, size)[owner] > 1)
    rank = np.zeros(len(both), dtype=np.int64)
    [ranks], _ = ranked(both[name].take(several))
    rank[several] = ranks
    both = both.take(in_order(owner, rank))
    return joined_texts(both["row_id"], both[name], "; ")


def _room(members: pd.DataFrame, tied: Tied, money: Moneys, groups: int) -> Ints:
    """How many payments of the amount the known invoices and orders of each group have room for."""
    rows = members[["at", "row_id", "supplier", "currency", "amount"]]
    numbers = tied.paid_invoices["row_id"].to_numpy(np.int64)
    by_order = has(tied.paid_orders["row_id"].to_numpy(np.int64), len(tied.payments))
    use = np.flatnonzero(~by_order[numbers] & (money.named_invoice >= 0))
    named = pd.DataFrame({"row_id": numbers[use], "key": money.named_invoice[use]})
    named = rows.merge(named, on="row_id")
    named["due"] = money.invoice_total[named["key"].to_numpy(np.int64)]
    due = money.rows[["supplier_order", "currency", "payable"]]
    due = due[money.rows["payable_known"].to_numpy(dtype=bool)]
    orders = rows.merge(tied.paid_orders[["row_id", "supplier_order"]], on="row_id")
    due = due[due["supplier_order"].isin(orders["supplier_order"])]
    orders = orders.merge(due, on=["supplier_order", "currency"])
    orders = orders.rename(columns={"supplier_order": "key", "payable": "due"})
    out = np.zeros(groups, dtype=np.int64)
    for found in (named, orders):
        distinct = found.drop_duplicates(["at", "key"])
        at = distinct["at"].to_numpy(np.int64)
        out += total(at, np.maximum(distinct["due"].to_numpy(np.int64), 0), groups)
    amount = np.ones(groups, dtype=np.int64)
    amount[members["at"].to_numpy(np.int64)] = members["amount"].to_numpy(np.int64)
    return np.asarray(out // amount)


def _given_back(groups: pd.DataFrame, refunds: pd.DataFrame) -> Ints:
    """Refunds of the amount that reach no order: each counts for the last group before it."""
    keys = ["supplier", "currency", "amount"]
    rows = groups[[*keys, "first_date"]].assign(at=np.arange(len(groups)))
    found = refunds[[*keys, "dated", "row_id"]].merge(rows, on=keys)
    found = found[(found["first_date"] <= found["dated"]).to_numpy()]
    found = found.sort_values(["row_id", "first_date", "at"]).drop_duplicates("row_id", keep="last")
    return count(found["at"].to_numpy(np.int64), len(groups))
