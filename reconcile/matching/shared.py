"""What looks across all orders: which groups of orders cannot be matched apart from each other.

A payment that reached no order may be for any open order, or a second one of any payment of its
amount. So the groups of such payments, of what they could be for and of what looks like them are
matched together; every other group is decided by its own rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.alike import groups_alike
from reconcile.matching.columns import Bools, Ints, count, has
from reconcile.matching.documents import payment_rows
from reconcile.matching.goods import add_goods
from reconcile.matching.kits import add_kit_quotes
from reconcile.matching.moneys import Moneys, money_table
from reconcile.matching.possible_doubles import payments_to_compare, reference_texts
from reconcile.matching.tie import Tied, tie

_ACCOUNT = ["supplier", "currency"]
_KEY = [*_ACCOUNT, "amount"]
_NONE = np.zeros(0, dtype=np.int64)


@dataclass(frozen=True)
class Scouted:
    """What has to be known of some groups to tell which of them look at others.

    ``payments``: settled payments that may be a second one of another (``supplier, currency,
    amount, group``), ``text`` what each names, ``decided`` and ``bare`` as for possible doubles.
    ``payables``: what could be paid with one amount, a supplier order or an invoice (``supplier,
    currency, amount, group``), and ``rest`` where something is left to pay. ``others``: groups of
    payments that are for a part of an invoice, which share the steps of one search, and of
    refunds that reached no order.
    """

    payments: pd.DataFrame
    payables: pd.DataFrame
    others: Ints


def scouted(
    records: Mapping[str, pd.DataFrame],
    parts: Mapping[tuple[str, str], pd.DataFrame],
    brought: Mapping[str, frozenset[str]],
    groups: Mapping[str, Ints],
) -> Scouted:
    """Look at the money of some whole groups; ``groups`` of the rows of ``records``."""
    tied = tie(records, parts, brought)
    add_goods(tied)
    add_kit_quotes(tied)
    money = money_table(tied, searching=False)
    group, facts = groups.get("payments", _NONE), payment_rows(tied, money)
    return Scouted(
        payments=_payments(tied, facts, group),
        payables=pd.concat(
            [_orders_to_pay(tied, money, groups), _invoices_to_pay(tied, money, groups)],
            ignore_index=True,
        ),
        others=np.unique(group[money.searched | _stray_refunds(facts)]),
    )


def shared_groups(found: list[Scouted], size: int) -> Bools:
    """Which of ``size`` groups are matched together, of everything that was scouted."""
    payments = pd.concat([one.payments for one in found], ignore_index=True)
    payables = pd.concat([one.payables for one in found], ignore_index=True)
    loose = payments[(payments["bare"] & ~payments["decided"]).to_numpy(dtype=bool)]
    amounts, accounts = loose[_KEY].drop_duplicates(), loose[_ACCOUNT].drop_duplicates()
    open_ = payables[payables["rest"].to_numpy(dtype=bool)]
    pieces = (
        payments.merge(amounts, on=_KEY),
        payables.merge(amounts, on=_KEY),
        open_.merge(accounts, on=_ACCOUNT),
        _alike(payments[~payments["bare"].to_numpy(dtype=bool)]),
    )
    group = np.concatenate(
        [
            *(piece["group"].to_numpy(np.int64) for piece in pieces),
            *(one.others for one in found),
        ]
    )
    return has(group[group >= 0], size)


def _alike(payments: pd.DataFrame) -> pd.DataFrame:
    """Payments of one amount whose references are alike, where one of them is not decided."""
    keys = payments.loc[~payments["decided"].to_numpy(dtype=bool), _KEY].drop_duplicates()
    mine = payments.merge(keys.assign(key=np.arange(len(keys))), on=_KEY)
    decided = mine["decided"].to_numpy(dtype=bool)
    at = groups_alike(mine["key"].to_numpy(np.int64), mine["text"], decided)
    several = count(at, len(at)) > 1
    asked = has(at[~decided], len(at))
    return mine[(several & asked)[at]]


def _payments(tied: Tied, facts: pd.DataFrame, group: Ints) -> pd.DataFrame:
    out = payments_to_compare(tied, facts, every=True)
    row = out["row_id"].to_numpy(np.int64)
    names = reference_texts(tied, out["row_id"]).reindex(row).fillna("").astype("str")
    return out[[*_KEY, "decided", "bare"]].assign(group=group[row], text=names.to_numpy())


def _stray_refunds(facts: pd.DataFrame) -> Bools:
    back = facts["settled"] & (facts["kind"] == "refund")
    return (back & (facts["unallocated"] == facts["amount"])).to_numpy(dtype=bool)


def _orders_to_pay(tied: Tied, money: Moneys, groups: Mapping[str, Ints]) -> pd.DataFrame:
    rows = money.rows
    owner = rows["supplier_order"].to_numpy(np.int64)
    rest = (rows["unpaid_rest"] > 0).to_numpy()
    out = pd.DataFrame(
        {
            "supplier": tied.supplier_orders["supplier"].to_numpy()[owner],
            "currency": rows["currency"].to_numpy(),
            "amount": rows["payable"].to_numpy(np.int64),
            "group": _group_of_orders(tied, groups)[
                tied.supplier_orders["order"].to_numpy(np.int64)[owner]
            ],
            "rest": rest,
        }
    ).astype(dict.fromkeys(_ACCOUNT, "str"))
    return pd.DataFrame(out[rest | (rows["paid"] == 0).to_numpy()])


def _group_of_orders(tied: Tied, groups: Mapping[str, Ints]) -> Ints:
    out = np.zeros(len(tied.orders.orders), dtype=np.int64)
    row = tied.lines["row_id"].to_numpy(np.int64)
    out[tied.lines["order"].to_numpy(np.int64)] = groups["orders"][row]
    return out


def _invoices_to_pay(tied: Tied, money: Moneys, groups: Mapping[str, Ints]) -> pd.DataFrame:
    """Invoices of several supplier orders, whole."""
    frame = tied.invoices[[*_ACCOUNT, "invoice_no_key", "supplier_order"]].assign(
        amount=money.line_amount,
        group=groups.get("invoices", _NONE),
    )
    grouped = frame.groupby([*_ACCOUNT, "invoice_no_key"], sort=False)
    out = grouped.agg(
        amount=("amount", "sum"), group=("group", "first"), owners=("supplier_order", "nunique")
    ).reset_index()
    out = out.loc[(out["owners"] > 1).to_numpy(), [*_KEY, "group"]].assign(rest=False)
    return out.astype(dict.fromkeys(_ACCOUNT, "str"))
