"""Edits of a built shop with a known effect: orders, payments, amounts, and days.

A shop here is its CSV files as tables of text; nothing of the project reads or writes them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import pandas as pd

MONEY = {
    "orders": (
        "unit_price",
        "discount",
        "order_discount",
        "shipping_charged",
        "tax",
        "order_total",
        "customer_paid",
        "refunded",
    ),
    "invoices": ("unit_cost", "shipping", "line_total"),
    "payments": ("amount",),
    "quotes": ("unit_cost", "shipping", "shipping_next"),
}
CLONE = "9"  # before the number of an order that is there twice
_DAY = re.compile(r"\b\d{4}-\d{2}-\d{2}")
_REFERENCE = re.compile(r"(?:LL-|ll-|#)?0*(\d+)(?:-R)?", re.ASCII)


def number_of(reference: str) -> str:
    """The bare number of an order, however a document writes it."""
    found = _REFERENCE.fullmatch(reference.strip())
    assert found is not None, reference
    return found[1]


def moved(text: str, days: int) -> str:
    """A text with every date in it so many days later.

    >>> moved("2026-12-28T23:30:00-05:00 and 2026-01-01", 7)
    '2027-01-04T23:30:00-05:00 and 2026-01-08'
    """
    later = timedelta(days=days)
    return _DAY.sub(lambda day: str(date.fromisoformat(day[0]) + later), text)


@dataclass(frozen=True)
class Tables:
    """The exports of a shop by record, every cell as text, and its settings."""

    records: dict[str, pd.DataFrame]
    settings: str

    @classmethod
    def read(cls, shop: Path) -> Tables:
        """The tables of a shop folder with one file for each record."""
        records = {
            path.stem: pd.read_csv(path, dtype=str, keep_default_na=False)
            for path in sorted(shop.glob("*.csv"))
        }
        return cls(records, (shop / "shop.toml").read_text(encoding="utf-8"))

    def write(self, shop: Path) -> Path:
        """Write them into a new folder."""
        shop.mkdir(parents=True)
        for record, table in self.records.items():
            table.to_csv(shop / f"{record}.csv", index=False, lineterminator="\n")
        (shop / "shop.toml").write_text(self.settings, encoding="utf-8")
        return shop

    def replaced(self, **records: pd.DataFrame) -> Tables:
        """The same shop with some other tables."""
        return Tables({**self.records, **records}, self.settings)

    def shuffled(self, seed: int) -> Tables:
        """Rows and columns in another order."""
        return self.replaced(
            **{
                record: table.sample(frac=1, random_state=seed).sample(
                    frac=1, axis="columns", random_state=seed
                )
                for record, table in self.records.items()
            }
        )

    def multiplied(self, factor: int) -> Tables:
        """Every amount and price so many times as high."""

        def times(text: str) -> str:
            return str(Decimal(text) * factor) if text else ""

        return self.replaced(
            **{
                record: self.records[record].assign(
                    **{name: self.records[record][name].map(times) for name in names}
                )
                for record, names in MONEY.items()
            }
        )

    def moved(self, days: int) -> Tables:
        """Every date so many days later, the holidays of the suppliers too."""
        records = {
            record: table.apply(lambda column: column.map(lambda cell: moved(cell, days)))
            for record, table in self.records.items()
        }
        return Tables(records, moved(self.settings, days))

    def without_payment(self, ref: str) -> Tables:
        """One payment is in no file."""
        payments = self.records["payments"]
        return self.replaced(payments=payments[payments["payment_ref"] != ref])

    def paid_again(self, ref: str) -> Tables:
        """One payment is there a second time, under a reference of its own."""
        payments = self.records["payments"]
        again = payments[payments["payment_ref"] == ref].assign(payment_ref=f"{ref}-AGAIN")
        return self.replaced(payments=pd.concat([payments, again]))

    def with_clones(self, paid: dict[tuple[str, str], Decimal]) -> Tables:
        """Some orders once more, each with documents of its own, at the end of the files.

        ``paid`` is what is paid by order number and supplier as the files spell it; the clones
        are paid one at a time, on the day of the order.
        """
        numbers = {number for number, _ in paid}
        mine = {
            record: table[table["order_ref"].map(_only_number).isin(numbers)]
            for record, table in self.records.items()
            if "order_ref" in table and record != "payments"
        }
        clones = {record: _cloned(table) for record, table in mine.items()}
        clones["invoices"] = clones["invoices"].assign(
            invoice_no=mine["invoices"]["invoice_no"]
            + "-"
            + mine["invoices"]["order_ref"].map(number_of)
        )
        ordered = mine["orders"].set_index(mine["orders"]["order_ref"].map(number_of))
        days = ordered["ordered_at"].groupby(level=0).first()
        clones["payments"] = pd.DataFrame(
            [
                {
                    "supplier": supplier,
                    "payment_ref": f"CLONE-{number}-{supplier}",
                    "paid_at": days[number],
                    "amount": str(amount),
                    "currency": {"kestrel": "EUR", "alder": "USD"}[supplier],
                    "order_ref": f"LL-{CLONE}{number}",
                }
                for (number, supplier), amount in paid.items()
            ]
        )
        return self.replaced(
            **{
                record: pd.concat([self.records[record], table]).fillna("")
                for record, table in clones.items()
            }
        )


def _only_number(cell: str) -> str:
    """The order number of a cell with one reference, else nothing."""
    return number_of(cell) if _REFERENCE.fullmatch(cell.strip()) else ""


def _cloned(table: pd.DataFrame) -> pd.DataFrame:
    """The rows under other order references and other tracking numbers."""
    refs = table["order_ref"].map(
        lambda ref: f"LL-{CLONE}{number_of(ref)}" + ("-R" if ref.endswith("-R") else "")
    )
    out = table.assign(order_ref=refs)
    if "tracking_no" in table:
        new = table["tracking_no"].where(table["tracking_no"] == "", "KX9" + table["tracking_no"])
        out = out.assign(tracking_no=new)
    return out
