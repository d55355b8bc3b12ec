"""Rows that could not be read: what may be missing for their sake alone is no error.

A difference that a rejected row could explain cannot be told. It stays where it is, with its
amount, and names the rows; what no such row could explain stays an error, and a balance with such
an error differs. A row explains what it names, or its own amount; where neither could be read, it
may explain anything about its time.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
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
# What an item says is missing, and the records of which a row could be it. Two rows that are there
# with two amounts, and an opening balance, are no missing row.
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
    "not-explained": ("bank", "payments", "payouts", "statements", "invoices"),
}
_NUMBERED = "not-in-records"  # its items are named by the numbers of invoices and payments
# By record of a check: the column whose value is the account of its balances, "" where none is;
# BY_ORDER where its items are named by orders.
Owners = Mapping[str, str]
BY_ORDER = "order_ref"


@dataclass(frozen=True)
class Unread:
    """The rejected rows of a shop's files up to the end of a month.

    ``rows``: ``record, source, name`` (file and row), ``near`` (dated about the month, or not
    at all), ``amount_minor`` and ``currency`` where they could be read. ``keys``: what they name,
    ``source, name, column, key``.
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
        could = _Could(self.shop, rows, self.keys, balance.currency, by_order=by_order)
        nature, text, told = items["nature"].tolist(), items["text"].tolist(), set[str]()
        cells = zip(wrong.index, wrong["what"], wrong["name"], wrong["amount_minor"], strict=True)
        for at, what, name, amount in cells:
            records = sorted(set(_COULD_BE.get(what, ())) & set(owners))
            names = could.be(records, what, str(name), abs(int(amount)))
            if names:
                nature[at] = "unknown"
                text[at] += f" It may be a row that could not be read: {_listed(names)}."
                told.update(names)
        if not told:
            return balance
        items = items.assign(nature=nature, text=text)
        proved = (items["nature"] == "error") & (items["side"] == "difference")
        cause = f"{counted(len(told), 'row')} could not be read: {_listed(sorted(told))}."
        causes = [balance.cause, cause if balance.difference and not proved.any() else ""]
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


class _Could:
    """What some rejected rows could be: names of rows by record, and by what they say."""

    def __init__(
        self, shop: Shop, rows: pd.DataFrame, keys: pd.DataFrame, currency: str, *, by_order: bool
    ) -> None:
        self.refs = {source.name: source.refs for source in shop.sources}
        self.by_order = by_order
        wanted = ["order_ref"] if by_order else ["invoice_no", "payment_ref"]
        named = rows.merge(keys[keys["column"].isin(wanted).to_numpy()], on=["source", "name"])
        self.sources = sorted(set(named["source"])) if by_order else [""]
        self.named: dict[tuple[str, str, str], list[str]] = defaultdict(list)
        source = named["source"] if by_order else [""] * len(named)
        for *key, name in zip(named["record"], source, named["key"], named["name"], strict=True):
            self.named[key[0], key[1], key[2]].append(name)
        self.numbered = set(named["name"])
        self.amounts: dict[tuple[str, int], list[str]] = defaultdict(list)
        self.bare: dict[str, list[str]] = defaultdict(list)
        near = rows[rows["near"].to_numpy(dtype=bool)]
        told = near["amount_minor"].notna() & (near["currency"] == currency) & (not by_order)
        for record, name in near.loc[~told, ["record", "name"]].itertuples(index=False):
            self.bare[record].append(name)
        near = near[told.to_numpy(dtype=bool)]
        for record, name, amount in zip(
            near["record"], near["name"], near["amount_minor"], strict=True
        ):
            self.amounts[record, abs(int(amount))].append(name)
        self.totals = near.groupby("record")["amount_minor"].sum().abs().to_dict()
        self.of_total = near.groupby("record")["name"].agg(list).to_dict()

    def be(self, records: Sequence[str], what: str, name: str, amount: int) -> list[str]:
        """Which rows of some records an item could be, by its name and its amount."""
        by_name = self.by_order or what == _NUMBERED
        out = []
        for record in records:
            for source in self.sources if by_name and name else ():
                out += self.named.get((record, source, self._key(name, source)), [])
            bare = self.bare.get(record, [])
            out += [one for one in bare if not by_name or one not in self.numbered]
            out += self.amounts.get((record, amount), [])
            if what in ("not-explained", "does-not-run") and self.totals.get(record) == amount:
                out += self.of_total[record]
        return out

    def _key(self, name: str, source: str) -> str:
        one = self.refs.get(source)
        how = (one.strip_prefix, one.replacement_suffix) if one else ((), ())
        return str(clean(pa.array([name], "str"), *how)[0][0].as_py())


def unread_of(shop: Shop, intake: Intake, month: Month) -> Unread:
    """The rejected rows that are not dated after the month."""
    bad, files = intake.rejected, intake.files
    record = dict(zip(files["source"], files["record"], strict=True))
    since = pd.Timestamp(month.first - timedelta(days=_NEAR))
    rows = pd.DataFrame(
        {"record": bad["source"].map(record).astype("str"), "source": bad["source"]}
        | {"name": bad["file"] + " row " + bad["row"].astype("str")}
        | {"near": (bad["day"] >= since) | bad["day"].isna()}
        | {"amount_minor": bad["amount_minor"], "currency": bad["currency"]}
    )
    known = bad["day"].isna() | (bad["day"] <= pd.Timestamp(month.last))
    names = intake.rejected_names
    file = files["file"].to_numpy()[names["file"].to_numpy(np.int64)]
    place = pd.Series(file, index=names.index, dtype="str") + " row " + names["row"].astype("str")
    keys = names[["source", "column", "key"]].assign(name=place)
    return Unread(shop, intake, rows[known.to_numpy(dtype=bool)].reset_index(drop=True), keys)


def _listed(names: Iterable[str]) -> str:
    """The first of some names, and how many more there are."""
    several = list(dict.fromkeys(names))
    more = f" and {len(several) - _SHOWN} more" if len(several) > _SHOWN else ""
    return ", ".join(several[:_SHOWN]) + more
