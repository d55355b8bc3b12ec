"""Small shops as CSV files, read and matched: only what a test is about has to be said."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd

from reconcile.checks.catalogue import configured, load_catalogue
from reconcile.checks.patterns import patterns_of
from reconcile.intake.load import Intake, load
from reconcile.matching.match import Matched, match
from reconcile.shop_file import load_shop

AS_OF = date(2026, 3, 20)
RULES = load_catalogue()  # they take a while to read
Row = dict[str, object]
SETTINGS = """
[shop]
name = "Lantern Lane"
home_currency = "EUR"
time_zone = "Europe/Dublin"
[suppliers.kestrel]
names = ["Kestrel Goods Co"]
[suppliers.alder]
terms = "invoice"
dispatch_days = 5
"""
SOURCE = """
[[source]]
name = "{record}"
record = "{record}"
files = ["{record}*.csv"]
covered_to = "as-of"
"""
REFS = """[source.refs]
strip_prefix = ["LL-"]
replacement_suffix = ["-R"]
separators = ";"
"""


@dataclass(frozen=True)
class Result:
    """A shop that was read and matched."""

    intake: Intake
    matched: Matched

    @property
    def supplier_orders(self) -> dict[tuple[str, str, str], dict[str, Any]]:
        """Facts by order reference, supplier and currency; money in major units."""
        rows = self._named("supplier_orders")
        return {(row["order_ref"], row["supplier"], row["currency"]): row for row in rows}

    def fact(self, name: str, order_ref: str, supplier: str = "kestrel", code: str = "EUR") -> Any:
        """One fact of one supplier order."""
        return self.supplier_orders[order_ref, supplier, code][name]

    def money(self, name: str, order_ref: str, supplier: str = "kestrel", code: str = "EUR") -> str:
        """One amount of one supplier order in major units, blank where it is not known."""
        minor = self.fact(name, order_ref, supplier, code)
        return "" if pd.isna(minor) else str(Decimal(int(minor)).scaleb(-2))

    @property
    def lines(self) -> dict[tuple[str, str], dict[str, Any]]:
        """Facts of order lines by order reference and SKU."""
        return {(row["order_ref"], row["sku"]): row for row in self._named("order_lines")}

    @property
    def payments(self) -> dict[str, dict[str, Any]]:
        """Facts of payments by their reference."""
        return {str(row["document"]): row for row in _rows(self.matched.tables["payments"])}

    @property
    def strays(self) -> list[tuple[str, str]]:
        """Documents without an order: record and reference."""
        table = self.matched.tables["documents"]
        return sorted(zip(table["record"], table["order_ref"], strict=True))

    @property
    def states(self) -> dict[tuple[str, str], str]:
        """The state of each order line by order reference and SKU."""
        [table] = self.matched.lines.pieces()
        keys = zip(table["order_ref"], table["sku"], strict=True)
        return dict(zip(keys, table["state"], strict=True))

    def _named(self, table: str) -> list[dict[str, Any]]:
        frame = self.matched.tables[table]
        refs = self.matched.orders["order_ref"].to_numpy()[frame["order"].to_numpy()]
        return _rows(frame.assign(order_ref=refs))


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(key): cell for key, cell in row.items()} for row in frame.to_dict(orient="records")
    ]


def matched(
    folder: Path, records: Mapping[str, Sequence[Row]], extra: str = "", *, rejects: int = 0
) -> Result:
    """Write a shop with a file for each record, read it as of AS_OF, and match it.

    ``rejects``: how many of its rows cannot be read.
    """
    shop = load_shop(written(folder, records, extra))
    rules, problems = configured(RULES, shop.rules)
    assert problems == []
    intake = load(shop, AS_OF)
    assert len(intake.rejected) == rejects, intake.rejected.to_string()
    result = match(
        intake.records,
        intake.parts,
        intake.rejected_keys,
        intake.brought,
        shop.suppliers,
        shop.tolerance,
        shop.home_currency,
        patterns_of(rules, "tracking-invalid"),
    )
    proofs = result.proofs
    assert (proofs["left"] == proofs["right"]).all(), proofs.to_string()
    return Result(intake, result)


def written(folder: Path, records: Mapping[str, Sequence[Row]], extra: str = "") -> Path:
    """A shop with a file for each record; ``payments-2`` is a further file of the payments."""
    folder.mkdir(parents=True, exist_ok=True)
    settings = [SETTINGS]
    for name, rows in records.items():
        record, _, further = name.partition("-")
        headers = list(dict.fromkeys(key for row in rows for key in row)) or HEADERS[record]
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, headers, restval="")
            writer.writeheader()
            writer.writerows(rows)
        if not further:
            settings.append(SOURCE.format(record=record))
            settings.append(REFS if "order_ref" in headers else "")
    (folder / "shop.toml").write_text("\n".join([*settings, extra]), encoding="utf-8")
    return folder


def order(ref: str, sku: str = "A", qty: int = 1, **more: object) -> Row:
    """An order line at Kestrel that the customer paid on 1 March."""
    row: Row = {"order_ref": ref, "ordered_at": "2026-03-01", "sku": sku, "qty": qty}
    row |= {"unit_price": "90.00", "currency": "EUR", "supplier": "kestrel"}
    return row | {"customer_paid_at": "2026-03-01"} | more


def bill(invoice: str, ref: str, cost: str, sku: str = "A", qty: int = 1, **more: object) -> Row:
    """An invoice line of Kestrel; ``cost`` is that of a unit."""
    row: Row = {"supplier": "kestrel", "invoice_no": invoice, "invoice_date": "2026-03-02"}
    row |= {"order_ref": ref, "sku": sku, "qty": qty, "unit_cost": cost, "currency": "EUR"}
    return row | more


def payment(ref: str, amount: str, orders: str = "", invoices: str = "", **more: object) -> Row:
    """A settled payment to Kestrel on 3 March."""
    row: Row = {"supplier": "kestrel", "payment_ref": ref, "paid_at": "2026-03-03"}
    row |= {"amount": amount, "currency": "EUR", "order_ref": orders, "invoice_no": invoices}
    return row | more


def parcel(ref: str, sku: str = "A", qty: object = 1, **more: object) -> Row:
    """A parcel line of Kestrel of 4 March."""
    row: Row = {"supplier": "kestrel", "order_ref": ref, "shipped_at": "2026-03-04"}
    return row | {"sku": sku, "qty": qty, "tracking_no": "T1", "carrier": "Post"} | more


def quote(sku: str = "A", cost: str = "10.00", **more: object) -> Row:
    """What Kestrel asks for a unit, anywhere, at any time."""
    row: Row = {"supplier": "kestrel", "sku": sku, "unit_cost": cost, "currency": "EUR"}
    return row | more


HEADERS = {
    "orders": list(order("1")),
    "invoices": list(bill("1", "1", "1")),
    "payments": list(payment("1", "1")),
    "shipments": list(parcel("1")),
    "quotes": list(quote()),
}
