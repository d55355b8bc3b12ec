"""Mistakes of every sort in the files of a shop, at drawn rows: nobody worked out what they give.

The builder's faults are one to an order and each of them clean. These stand wherever they fall,
and there are some that the builder has none of: totals that do not add up, goods that nobody
ordered, bills in another currency, differences small enough to pass.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import numpy as np
import pandas as pd

from tests.shops.edits import Tables

Cells = Callable[[str], str]
Rows = Callable[[pd.DataFrame], pd.Series]
SETTINGS = """
[tolerance]
absolute = "0.10"
percent = "1"
[rules.small-differences-add-up]
limit = 2
"""


def plus(amount: str) -> Cells:
    """So much more."""
    return lambda cell: str(Decimal(cell) + Decimal(amount))


def more(units: int) -> Cells:
    """So many units more."""
    return lambda cell: str(int(cell) + units)


def always(text: str) -> Cells:
    """One text, whatever there was."""
    return lambda _: text


def unlike(one: str, other: str) -> Cells:
    """One text, or the other one where it is that already."""
    return lambda cell: other if cell == one else one


def given(column: str) -> Rows:
    """Rows with something in a column."""
    return lambda table: table[column] != ""


def _without_total(table: pd.DataFrame) -> pd.Series:
    return table["line_total"] == ""


def _of_kestrel(table: pd.DataFrame) -> pd.Series:
    return table["supplier"].str.lower().str.startswith("kestrel")


def _one_reference(table: pd.DataFrame) -> pd.Series:
    return (table["order_ref"] != "") & ~table["order_ref"].str.contains(";")


def _one_line(table: pd.DataFrame) -> pd.Series:
    """What is of the whole order is on each of its rows, and may not differ between them."""
    return ~table["order_ref"].duplicated(keep=False) & (table["customer_paid"] != "")


def _old(table: pd.DataFrame) -> pd.Series:
    return _one_line(table) & (table["ordered_at"] < "2026-09-15")


def _arrived(table: pd.DataFrame) -> pd.Series:
    return (table["delivered_at"] != "") & (table["shipped_at"] < "2026-09-28")


def _any(table: pd.DataFrame) -> pd.Series:
    return pd.Series(data=True, index=table.index)


Mistake = tuple[str, str, Cells, Rows]
MISTAKES: tuple[Mistake, ...] = (
    ("invoices", "line_total", plus("0.37"), given("line_total")),
    ("invoices", "line_total", plus("-0.21"), given("line_total")),
    ("invoices", "line_total", plus("0.09"), given("line_total")),
    ("invoices", "unit_cost", plus("0.02"), _without_total),
    ("invoices", "unit_cost", plus("1.02"), _without_total),
    ("invoices", "unit_cost", plus("-0.50"), _without_total),
    ("invoices", "shipping", plus("1.00"), _without_total),
    ("invoices", "shipping", always(""), _without_total),
    ("invoices", "qty", more(1), _without_total),
    ("invoices", "sku", unlike("LAN-103", "LAN-104"), _of_kestrel),
    ("invoices", "kind", always("credit"), _any),
    ("invoices", "order_ref", always("LL-77777777"), _any),
    ("payments", "amount", plus("1.00"), _any),
    ("payments", "amount", plus("-1.00"), _any),
    ("payments", "status", always("failed"), _any),
    ("payments", "status", always("pending"), _any),
    ("payments", "order_ref", always("LL-77777778"), _one_reference),
    ("shipments", "qty", more(1), given("qty")),
    ("shipments", "sku", unlike("LAN-103", "LAN-104"), _of_kestrel),
    ("shipments", "order_ref", always("LL-77777779"), _any),
    ("shipments", "tracking_no", always(""), _any),
    ("shipments", "tracking_no", always("TBA"), _any),
    ("shipments", "tracking_no", always("KX00000001P"), _any),
    ("shipments", "tracking_no", always("RA473124828GB"), _any),
    ("shipments", "tracking_no", always("(00)123456789012345670"), _any),
    ("shipments", "tracking_no", always("4.5E+11"), _any),
    ("shipments", "delivered_at", always(""), _any),
    ("shipments", "delivered_at", always("2026-09-28"), _arrived),
    ("shipments", "replacement", always("yes"), _any),
    ("orders", "cancelled_at", always("2026-09-15"), _old),
    ("orders", "customer_paid", plus("3.00"), _one_line),
    ("orders", "customer_paid", plus("-3.00"), _one_line),
    ("orders", "order_total", always(""), _one_line),
    ("orders", "ship_to_country", unlike("US", "DE"), _one_line),
    ("orders", "refunded_qty", always("1"), _any),
    ("orders", "promised_by", always("2026-09-01"), _any),
    ("orders", "tracking_no", always("ZZ1"), _any),
    ("orders", "tracking_no", always(""), _any),
    ("orders", "tracking_no", always("pending"), _any),
    ("orders", "sent_at", always("2026-09-20"), _any),
    ("orders", "qty", more(1), _any),
    ("orders", "supplier", always(""), _any),
    ("orders", "unit_price", always("2.00"), _any),
)
# A bill in another currency leaves a supplier order in two of them
CURRENCIES: tuple[Mistake, ...] = (
    ("invoices", "currency", unlike("EUR", "USD"), _any),
    ("payments", "currency", unlike("EUR", "USD"), _one_reference),
)


def with_mistakes(
    shop: Tables, seed: int, times: int, mistakes: tuple[Mistake, ...] = MISTAKES
) -> Tables:
    """Every mistake so many times, no two of them in one row, and a tolerance to pass some."""
    rng = np.random.Generator(np.random.PCG64(seed))
    tables = {record: table.copy() for record, table in shop.records.items()}
    spoilt = {record: np.zeros(len(table), dtype=bool) for record, table in tables.items()}
    for record, column, change, rows in mistakes:
        table = tables[record]
        free = np.flatnonzero(rows(shop.records[record]).to_numpy() & ~spoilt[record])
        chosen = rng.choice(free, size=times, replace=False)
        spoilt[record][chosen] = True
        table.loc[chosen, column] = [change(cell) for cell in table.loc[chosen, column]]
    return Tables(tables, shop.settings + SETTINGS)
