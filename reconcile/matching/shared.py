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

from reconcile.matching.columns import Bools, Ints, has
from reconcile.matching.documents import payment_rows
from reconcile.matching.goods import add_goods
from reconcile.matching.kits import add_kit_quotes
from reconcile.matching.moneys import Moneys, money_table
from reconcile.matching.tie import Tied, tie

_ACCOUNT = ["supplier", "currency"]
_KEY = [*_ACCOUNT, "amount"]


@dataclass(frozen=True)
class Scouted:
    """What has to be known of some groups to tell which of them look at others.

    ``payments``: settled payments (``supplier, currency, amount, group``), ``loose`` where some of
    it reached no order, ``bare`` where it bears no reference. ``payables``: what could be paid
    with one amount, a supplier order or an invoice (``supplier, currency, amount, group``), and
    ``rest`` where something is left to pay. ``searched``: groups of payments that are for a part
    of an invoice, which share the steps of one search.
    """

    payments: pd.DataFrame
    payables: pd.DataFrame
    searched: Ints


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
    group = groups.get("payments", np.zeros(0, dtype=np.int64))
    return Scouted(
        payments=_payments(tied, money, group),
        payables=pd.concat(
            [_orders_to_pay(tied, money, groups), _invoices_to_pay(tied, money, groups)],
            ignore_index=True,
        ),
        searched=np.unique(group[money.searched]),
    )


def shared_groups(found: list[Scouted], size: int) -> Bools:
    """Which of ``size`` groups are matched together, of everything that was scouted."""
    payments = pd.concat([one.payments for one in found], ignore_index=True)
    payables = pd.concat([one.payables for one in found], ignore_index=True)
    loose = payments[payments["loose"].to_numpy(dtype=bool)]
    alike = payments.merge(loose[_KEY].drop_duplicates(), on=_KEY)
    exact = payables.merge(loose[_KEY].drop_duplicates(), on=_KEY)
    bare = loose[loose["bare"].to_numpy(dtype=bool)]
    open_ = payables[payables["rest"].to_numpy(dtype=bool)]
    open_ = open_.merge(bare[_ACCOUNT].drop_duplicates(), on=_ACCOUNT)
    pieces = [frame["group"].to_numpy(np.int64) for frame in (alike, exact, open_)]
    group = np.concatenate([*pieces, *(one.searched for one in found)])
    return has(group[group >= 0], size)


def _payments(tied: Tied, money: Moneys, group: Ints) -> pd.DataFrame:
    facts = payment_rows(tied, money)
    named = np.concatenate(
        [frame["row_id"].to_numpy(np.int64) for frame in (tied.paid_orders, tied.paid_invoices)]
    )
    out = facts[_KEY].assign(
        group=group,
        loose=((facts["unallocated"] > 0) | facts["undecided"]).to_numpy(dtype=bool),
        bare=~has(named, len(facts)),
    )
    return pd.DataFrame(out[facts["settled"].to_numpy(dtype=bool)])


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
        group=groups.get("invoices", np.zeros(0, dtype=np.int64)),
    )
    grouped = frame.groupby([*_ACCOUNT, "invoice_no_key"], sort=False)
    out = grouped.agg(
        amount=("amount", "sum"), group=("group", "first"), owners=("supplier_order", "nunique")
    ).reset_index()
    out = out.loc[(out["owners"] > 1).to_numpy(), [*_KEY, "group"]].assign(rest=False)
    return out.astype(dict.fromkeys(_ACCOUNT, "str"))
