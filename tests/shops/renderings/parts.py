"""The files of one source: which rows of the clean export stand in which of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from tests.shops.renderings.way import Way
from tests.shops.sample_layout import WHOLE_ORDER

ROW_DATES = {
    "orders": "ordered_at",
    "invoices": "invoice_date",
    "payments": "paid_at",
    "shipments": "shipped_at",
    "rates": "date",
}


@dataclass(frozen=True)
class Part:
    """One file: its name without the ending, and its rows as the clean export has them."""

    stem: str
    rows: pa.Table


def parts_of(way: Way, record: str, rows: pa.Table) -> list[Part]:
    """The files of one source, in the order of their names."""
    parts = [Part(record, rows)]
    if way.split == "month" and record in ROW_DATES:
        parts = _by_month(way, record, rows)
    elif way.split == "currency" and "currency" in rows.column_names:
        codes = sorted(rows.column("currency").unique().to_pylist())
        parts = [
            Part(f"{record}-{code.lower()}", rows.filter(pc.equal(rows["currency"], code)))
            for code in codes
        ]
    elif record == "orders" and way.whole_order == "first":
        if way.split != "half":
            return [Part(record, first_rows_only(rows))]
        starts = np.flatnonzero(pc.equal(rows["line_no"], "1").to_numpy())
        cut = int(starts[len(starts) // 2])
        first = first_rows_only(rows.slice(0, cut))
        parts = [Part(f"{record}-1", first), Part(f"{record}-2", rows.slice(cut))]
    if way.twin:
        parts.append(Part(f"{parts[-1].stem} (copy)", parts[-1].rows))
    return parts


def first_rows_only(orders: pa.Table) -> pa.Table:
    """The values of the whole order on its first line alone."""
    first = pc.equal(orders["line_no"], "1")
    for name in WHOLE_ORDER:
        place = orders.column_names.index(name)
        orders = orders.set_column(place, name, pc.if_else(first, orders[name], ""))
    return orders


def _by_month(way: Way, record: str, rows: pa.Table) -> list[Part]:
    """A file for each month; it begins some days before the month where they overlap."""
    days = pc.utf8_slice_codeunits(rows[ROW_DATES[record]], start=0, stop=10)
    parts = []
    for month in sorted(pc.unique(pc.utf8_slice_codeunits(days, start=0, stop=7)).to_pylist()):
        begin = date.fromisoformat(f"{month}-01") - timedelta(days=way.overlap_days)
        mine = pc.and_(pc.greater_equal(days, str(begin)), pc.less_equal(days, f"{month}-31"))
        parts.append(Part(f"{record}-{month}", rows.filter(mine)))
    return parts
