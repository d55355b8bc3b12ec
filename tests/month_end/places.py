"""Shops of the builder in which nothing is wrong, and random places where things go wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

from tests.shops.build import Plan, Scenario, imagine, shop_toml
from tests.shops.cash import EUROS, Money, bank_day, cents, money_of
from tests.shops.cash_tables import written
from tests.shops.cash_truth import COLUMNS, month_ends, on_its_way

SCENARIO = Scenario(
    as_of=date(2026, 10, 31),
    zone="Europe/Dublin",
    holidays=((date(2026, 10, 26),), (date(2026, 10, 28),)),
)
# Too rare to occur in a shop of a few hundred orders beyond the one case that is always there
_NEVER = 1e-9
Item = tuple[str, str, str, str, str, int]
Tables = dict[str, pd.DataFrame]


@lru_cache(maxsize=4)
def _built(seed: int, orders: int, faults: float) -> tuple[Tables, Money]:
    exports, _ = imagine(Plan(orders, seed, faults, faults, scenario=SCENARIO))
    tables = {export.record: export.table().to_pandas() for export in exports}
    return tables, money_of(tables)


class Place:
    """One shop, one month of it, and what its check has to say beside the parts of its figures.

    ``said``: every item of another nature than listed, as COLUMNS. ``apart``: the balances
    (check, account) that do not agree. ``silent``: those of which no items can be told.
    """

    def __init__(self, seed: int, month: str, orders: int = 300, faults: float = _NEVER) -> None:
        """A shop in which nothing is wrong."""
        tables, self.money = _built(seed, orders, faults)
        self.tables = dict(tables)
        self.month = month
        self.first, self.last = month_ends(month)
        self.chance = np.random.Generator(np.random.PCG64(seed))
        self.apart: set[tuple[str, str]] = set()
        self.said: list[Item] = []
        self.silent: set[tuple[str, str]] = set()
        self.used: set[str] = set()
        self.later: list[Callable[[Tables], None]] = []

    # What is said

    def tell(self, *said: tuple[str, str, str, str, int], currency: str = "EUR") -> None:
        """Check, account, what, name and cents of items; a star: the balance does not agree."""
        for check, account, what, name, amount in said:
            if check.endswith("*"):
                self.apart.add((check.rstrip("*"), account))
            self.said.append((check.rstrip("*"), account, currency, what, name, amount))

    def items(self) -> list[Item]:
        """Everything that is said: what is on its way, and what went wrong."""
        timing = on_its_way(self.money, self.month)[COLUMNS]
        told = [*timing.itertuples(index=False, name=None), *self.said]
        return sorted(item for item in told if item[:2] not in self.silent)

    # Where

    def _drawn(self, frame: pd.DataFrame, name: str) -> pd.Series:
        """One row at random that no other fault has."""
        free = frame[~frame[name].isin(self.used)]
        row = free.iloc[int(self.chance.integers(len(free)))]
        self.used.add(str(row[name]))
        return row

    def payment(self, currency: str = "EUR") -> pd.Series:
        """A settled payment that bank and supplier have in the month, of an amount of its own."""
        paid, bank = self.money.paid, self.money.bank
        amounts = cents(self.tables["payments"]["amount"])  # failed ones too
        once = (paid["amount"].abs().map(pd.Series(amounts).value_counts()) == 1).to_numpy()
        fits = paid["settled"] & once & (paid["currency"] == currency) & (paid["amount"] < 0)
        fits &= ("SEPA " + paid["payment_ref"]).isin(bank["reference"])
        begin, end = self.first + pd.Timedelta(days=2), self.last - pd.Timedelta(days=14)
        return self._drawn(paid[fits & paid["day"].between(begin, end)], "payment_ref")

    def payout(self) -> pd.Series:
        """A payout of the month's first half, with its amount as the bank sees it."""
        rows = self.money.payouts[self.money.payouts["kind"] == "payout"]
        end = self.first + pd.Timedelta(days=16)
        row = self._drawn(rows[rows["paid_on"].between(self.first, end)], "payout_ref").copy()
        row["amount"] = -row["amount"]
        return row

    def sale(self) -> pd.Series:
        """A sale that is paid, shown, and paid out in the month's first half."""
        rows = self.money.customers
        begin, end = self.first + pd.Timedelta(days=1), self.first + pd.Timedelta(days=12)
        alone = ~rows["order_ref"].duplicated(keep=False)
        mine = (rows["kind"] == "sale") & rows["day"].between(begin, end) & alone
        return self._drawn(rows[mine], "order_ref")

    # What is changed

    def change(self, record: str, chosen: pd.Series, **values: object) -> None:
        """Set columns of the chosen rows of a record of the money."""
        frame: pd.DataFrame = getattr(self.money, record).copy()
        for name, value in values.items():
            frame[name] = frame[name].where(~chosen, value).astype(frame[name].dtype)
        self.money = replace(self.money, **{record: frame})

    def add(self, record: str, **row: object) -> None:
        """One more row of a record of the money."""
        self.money = self.money.with_more(record, [row])

    def drop(self, record: str, chosen: pd.Series) -> None:
        """Take the chosen rows out of a record of the money."""
        frame: pd.DataFrame = getattr(self.money, record)
        self.money = replace(self.money, **{record: frame[~chosen].reset_index(drop=True)})

    def book(self, day: pd.Timestamp, amount: int, text: str, account: str = EUROS) -> None:
        """One more row of the bank."""
        currency = "EUR" if account == EUROS else "USD"
        self.add("bank", account=account, booked_on=bank_day(pd.Series([day]), 0)[0],
                 amount=amount, currency=currency, reference=text, status="booked")  # fmt: skip

    def enter(self, day: pd.Timestamp, amount: int, account: str = EUROS) -> None:
        """One more entry in the merchant's books."""
        self.add("books", account=account, date=day, amount=amount)

    def row(self, reference: str) -> pd.Series:
        """The row of the bank with this text."""
        return self.money.bank["reference"] == reference

    def day(self, number: int) -> pd.Timestamp:
        """A day of the month."""
        return self.first + pd.Timedelta(days=number - 1)

    def pay_out(self, ref: str, more: int) -> None:
        """Pay out so much more: in the payouts, by the bank, and in the books."""
        payouts, bank, books = self.money.payouts, self.money.bank, self.money.books
        sent = (payouts["payout_ref"] == ref) & (payouts["kind"] == "payout")
        amount, day = int(payouts.loc[sent, "amount"].iloc[0]), payouts.loc[sent, "paid_on"].iloc[0]
        entered = (books["amount"] == -amount) & (books["date"] == day)
        self.change("payouts", sent, amount=amount - more)
        booked = self.row(f"SALES {ref}")
        self.change("bank", booked, amount=int(bank.loc[booked, "amount"].iloc[0]) + more)
        self.change("books", entered, amount=-amount + more)
        if (sent.sum(), entered.sum(), bank["reference"].eq(f"SALES {ref}").sum()) != (1, 1, 1):
            raise AssertionError("not one payout")

    def write(self, folder: Path) -> Path:
        """Write the shop."""
        tables = self.tables | written(self.money, SCENARIO.as_of)
        for change in self.later:
            change(tables)
        folder.mkdir(parents=True, exist_ok=True)
        for record, table in tables.items():
            table.to_csv(folder / f"{record}.csv", index=False, lineterminator="\n")
        settings = shop_toml(SCENARIO, list(tables))
        (folder / "shop.toml").write_text(settings, encoding="utf-8")
        return folder
