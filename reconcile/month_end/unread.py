"""Rows that could not be read: what may be missing for their sake alone is no error.

A difference that a rejected row could explain cannot be told. It stays where it is, with its
amount, and names the rows; what no such row could explain stays an error.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pyarrow as pa

from reconcile.counted import counted
from reconcile.intake.load import Intake
from reconcile.matching.columns import Bools
from reconcile.month_end.balance import Balance
from reconcile.month_end.period import Month
from reconcile.references import clean
from reconcile.shop import Shop

# Days before the month in which a row may be dated that has to do with it. Common practice, no
# source: one event has rarely dates that lie further apart.
_NEAR = 10
_SHOWN = 3  # rows that one text names
# What an item says is missing, and the records of which a row could be it; of all other errors,
# such as another amount, it could be any of the check.
_COULD_BE: Mapping[str, tuple[str, ...]] = {
    "does-not-run": ("bank", "statements"),
    "not-in-bank": ("bank",),
    "not-recorded": ("payments", "payouts"),
    "payment-not-booked": ("payments", "payouts"),
    "receipt-not-booked": ("payments", "payouts"),
    "booked-twice": ("payments", "payouts"),
    "returned": ("payments",),
    "return-not-booked": ("payments",),
    "no-payout": ("payouts",),
    "sale-in-no-payout": ("payouts",),
    "refund-in-no-payout": ("payouts",),
    "sale-of-no-order": ("orders",),
    "refund-of-no-order": ("orders",),
    "chargeback-not-in-orders": ("orders",),
    "not-in-records": ("invoices", "payments"),
    "not-stated": ("statements",),
}
# By record of a check: the column whose value is the account of its balances, "" where none is;
# BY_ORDER where its items are named by orders.
Owners = Mapping[str, str]
BY_ORDER = "order_ref"


@dataclass(frozen=True)
class Unread:
    """The rejected rows of a shop's files up to the end of a month.

    ``rows``: ``record, source, name`` (file and row), ``near`` (dated about the month, or not
    at all). ``keys``: the orders that they name, ``source, name, key``.
    """

    shop: Shop
    intake: Intake
    rows: pd.DataFrame
    keys: pd.DataFrame

    def doubted(self, balances: Iterable[Balance], owners: Owners) -> list[Balance]:
        """The balances of a check that reads these records, with what cannot be told of them."""
        rows = self.rows[self.rows["record"].isin(list(owners)).to_numpy()]
        return [self._one(each, rows, owners) if len(rows) else each for each in balances]

    def _one(self, balance: Balance, rows: pd.DataFrame, owners: Owners) -> Balance:
        items = balance.items
        wrong = items[(items["nature"] == "error").to_numpy()]
        if wrong.empty:
            return balance
        owner = balance.account.removesuffix(" (statement)")
        rows = rows[self._may_be_of(rows, owner, owners)]
        by_order = BY_ORDER in owners.values()
        could = self._by_order(rows, wrong["name"]) if by_order else _near(rows, wrong["name"])
        of_record = dict(list(could.groupby(["item", "record"], sort=True)["name"]))
        nature, text, told = items["nature"].tolist(), items["text"].tolist(), set[str]()
        for at, what in zip(wrong.index, wrong["what"], strict=True):
            records = sorted(_COULD_BE.get(what, tuple(owners)))
            names = [name for one in records for name in of_record.get((at, one), ())]
            if names:
                nature[at] = "unknown"
                text[at] += f" It may be a row that could not be read: {_listed(names)}."
                told.update(names)
        if not told:
            return balance
        cause = f"{counted(len(told), 'row')} could not be read: {_listed(sorted(told))}."
        causes = [balance.cause, cause] if balance.difference else [balance.cause]
        items = items.assign(nature=nature, text=text)
        return replace(balance, items=items, cause=" ".join(filter(None, causes)))

    def _may_be_of(self, rows: pd.DataFrame, owner: str, owners: Owners) -> Bools:
        """Rows of sources that bring rows of the balance's account, or that bring none at all."""
        out = np.ones(len(rows), dtype=bool)
        for record, column in owners.items():
            frame = self.intake.records.get(record)
            if column in ("", BY_ORDER) or frame is None:
                continue
            mine = set(frame.loc[(frame[column] == owner).to_numpy(), "source"])
            others = set(frame["source"]) - mine
            out &= ~((rows["record"] == record) & rows["source"].isin(others)).to_numpy()
        return out

    def _by_order(self, rows: pd.DataFrame, names: pd.Series) -> pd.DataFrame:
        """Rows that name the order of an item, and for all items those near that name none."""
        refs = {source.name: source.refs for source in self.shop.sources}
        rows = rows.assign(row=np.arange(len(rows)))
        named = rows.merge(self.keys, on=["source", "name"])
        pieces = [_near(rows[~rows["row"].isin(named["row"]).to_numpy()], names)]
        for source, mine in named.groupby("source", sort=True):
            one = refs[str(source)]
            key, _ = clean(pa.array(names, "str"), one.strip_prefix, one.replacement_suffix)
            asked = pd.DataFrame({"item": names.index, "key": key.to_pylist()})
            pieces.append(asked.merge(mine, on="key")[["item", "name", "record"]])
        return pd.concat(pieces, ignore_index=True).drop_duplicates()


def _near(rows: pd.DataFrame, items: pd.Series) -> pd.DataFrame:
    """Every row about the month with every item: ``item`` (its index), ``name, record``."""
    near = rows.loc[rows["near"].to_numpy(dtype=bool), ["name", "record"]]
    return pd.DataFrame({"item": items.index}).merge(near, how="cross")


def unread_of(shop: Shop, intake: Intake, month: Month) -> Unread:
    """The rejected rows that are not dated after the month."""
    bad, files = intake.rejected, intake.files
    record = dict(zip(files["source"], files["record"], strict=True))
    since = pd.Timestamp(month.first - timedelta(days=_NEAR))
    rows = pd.DataFrame(
        {"record": bad["source"].map(record).astype("str"), "source": bad["source"]}
        | {"name": bad["file"] + " row " + bad["row"].astype("str")}
        | {"near": (bad["day"] >= since) | bad["day"].isna()}
    )
    known = bad["day"].isna() | (bad["day"] <= pd.Timestamp(month.last))
    orders = intake.rejected_names
    orders = orders[(orders["column"] == "order_ref").to_numpy()]
    file = files["file"].to_numpy()[orders["file"].to_numpy(np.int64)]
    name = pd.Series(file, index=orders.index, dtype="str") + " row " + orders["row"].astype("str")
    keys = pd.DataFrame({"source": orders["source"], "name": name, "key": orders["key"]})
    return Unread(shop, intake, rows[known.to_numpy(dtype=bool)].reset_index(drop=True), keys)


def _listed(names: Iterable[str]) -> str:
    """The first of some names, and how many more there are."""
    several = list(dict.fromkeys(names))
    more = f" and {len(several) - _SHOWN} more" if len(several) > _SHOWN else ""
    return ", ".join(several[:_SHOWN]) + more
