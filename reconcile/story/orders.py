"""Events of the storefront: ordered, paid by the customer, posted, cancelled, refunded."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from reconcile.matching.ledger import Ledger
from reconcile.night import Night
from reconcile.story.event import Event, Place
from reconcile.story.scope import Scope


def day_of(value: Any) -> date | None:
    """A cell of dates as a date."""
    return None if pd.isna(value) else value.date()


def minor_of(value: Any) -> int | None:
    """A cell of money as a whole number."""
    return None if pd.isna(value) else int(value)


def places_of(night: Night, rows: pd.DataFrame) -> tuple[Place, ...]:
    """Where rows of a record stand, in order, each once."""
    files = night.intake.files
    names, sheets = files["file"].to_numpy(), files["sheet"].to_numpy()
    pairs = zip(rows["file"].to_numpy(np.int64), rows["row"].to_numpy(np.int64), strict=True)
    return tuple(sorted({Place(str(names[f]), str(sheets[f]), int(row)) for f, row in pairs}))


def rows_of(night: Night, scope: Scope, record: str) -> pd.DataFrame:
    """The rows of a record that are told, with their row numbers as index."""
    frame = night.intake.records.get(record)
    if frame is None:
        return pd.DataFrame({"file": [], "row": []}, dtype="int64")
    return frame.reset_index(drop=True).iloc[list(scope.rows[record])]


def goods(rows: pd.DataFrame, count: str = "qty") -> str:
    """What rows are about: units and SKUs, as the files write them."""
    words = []
    for sku, quantity in zip(rows["sku"], rows[count], strict=True):
        units = "" if pd.isna(quantity) else f"{int(quantity)} x "
        words.append(f"{units}{sku or 'all of the order'}")
    return ", ".join(words)


def by_day(rows: pd.DataFrame, name: str) -> Iterable[tuple[date | None, pd.DataFrame]]:
    """Rows by the day in a column, those without one last; nothing where the column is not read."""
    if name not in rows or rows.empty:
        return
    for day, mine in rows.groupby(rows[name].to_numpy().astype("datetime64[D]"), dropna=False):
        yield day_of(day), mine


def order_events(night: Night, ledger: Ledger, scope: Scope) -> list[Event]:
    """What happened to the order in the storefront; of several orders only what was posted."""
    rows = rows_of(night, scope, "orders")
    out = _posted(night, rows)
    if not scope.whole or rows.empty:
        return out
    order = ledger.orders.iloc[scope.named.orders[0]]
    currency = str(rows["currency"].iloc[0])
    total = minor_of(order.get("order_total_minor", pd.NA))
    for nth, (day, mine) in enumerate(by_day(rows, "ordered_date")):
        amount = total if nth == 0 else None
        out.append(
            Event(day, "ordered", goods(mine), "", amount, currency if amount is not None else "",
                  places_of(night, mine))
        )  # fmt: skip
    for kind, dated, money in (
        ("customer-paid", "customer_paid_date", "customer_paid_minor"),
        ("customer-refunded", "refunded_date", "refunded_minor"),
        ("cancelled", "cancelled_date", ""),
    ):
        told = _telling(rows, (dated, money, "refunded_qty" if kind == "customer-refunded" else ""))
        if told.empty:
            continue
        amount = minor_of(order.get(money, pd.NA)) if money else None
        about = _given_back(told) if kind == "customer-refunded" else ""
        shown = currency if amount is not None else ""
        day = day_of(order.get(dated, pd.NaT))
        if kind == "customer-paid" and day is None:
            about = "no day is told"
        out.append(Event(day, kind, about, "", amount, shown, places_of(night, told)))
    return out


def _telling(rows: pd.DataFrame, names: tuple[str, ...]) -> pd.DataFrame:
    """The rows that give one of the columns."""
    told = np.zeros(len(rows), dtype=bool)
    for name in names:
        if name and name in rows:
            cells = rows[name]
            told |= cells.notna() & (cells != 0) if name == "refunded_qty" else cells.notna()
    return rows[told]


def _given_back(rows: pd.DataFrame) -> str:
    if "refunded_qty" not in rows:
        return ""
    return goods(rows[rows["refunded_qty"].fillna(0) > 0], "refunded_qty")


def _posted(night: Night, rows: pd.DataFrame) -> list[Event]:
    out = []
    for day, mine in by_day(rows, "sent_date"):
        if day is not None:
            out.append(Event(day, "marked-sent", goods(mine), places=places_of(night, mine)))
    if "tracking_no" not in rows:
        return out
    shown = rows[rows["tracking_no"] != ""]
    if "tracking_posted_date" not in shown:
        shown = shown.assign(tracking_posted_date=np.datetime64("NaT", "s"))
    for number, same in shown.groupby("tracking_no", sort=True):
        for day, mine in by_day(same, "tracking_posted_date"):
            about = f"{number}: {goods(mine)}"
            out.append(Event(day, "posted", about, places=places_of(night, mine)))
    return out
