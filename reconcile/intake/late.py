"""Dates after the run's date: what they tell is not known yet, nor is what goes with them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from reconcile.intake.coded import Bools
from reconcile.intake.read import Texts
from reconcile.intake.typed import Reader
from reconcile.records import RECORDS, Column, Record

_ORDER = ("order_ref", "store")
Late = Mapping[str, pd.DataFrame]  # by column the orders for which it tells a later date


def late_orders(reader: Reader, table: Texts, as_of: np.datetime64, rows: int) -> Late:
    """Of columns that hold for whole orders, the orders with a date after the run's.

    ``order_ref`` and ``store`` of each, which may stand in several of the blocks of ``rows`` that
    the table is read in.
    """
    record = RECORDS[reader.source.record]
    columns = [each for each in record.columns if each.whole_order and _asked(record, each)]
    late: dict[str, list[pd.DataFrame]] = {each.name: [] for each in columns}
    for block in table.blocks(rows):
        frame = block.read(reader, late).typed.frame
        later = {each.name: _later(frame, each, as_of) for each in columns if each.typed in frame}
        if any(mask.any() for mask in later.values()):
            orders = block.read(reader, _ORDER).typed.frame
            for name, mask in later.items():
                late[name].append(_orders(orders[mask]).drop_duplicates())
    none = _orders(pd.DataFrame({"order_ref": pd.Series([], dtype="str")}))
    return {name: pd.concat([none, *found], ignore_index=True) for name, found in late.items()}


def not_yet_known(
    record: Record, frame: pd.DataFrame, as_of: np.datetime64, late: Late | None = None
) -> pd.DataFrame:
    """Blank the cells of dates after the run's date, and the cells that go with them.

    ``late``: orders of which a row may stand outside the frame.
    """
    for column in record.columns:
        if not _asked(record, column) or column.typed not in frame:
            continue
        later = _later(frame, column, as_of)
        orders = late[column.name] if late and column.whole_order else _orders(frame[later])
        if not later.any() and not len(orders):
            continue
        frame[column.typed] = frame[column.typed].mask(later)
        if column.whole_order:  # given on one row, it holds for all rows of the order
            later = _of_orders(frame, orders)
        for other in record.columns:
            if other.goes_with == column.name and other.typed in frame:
                nothing = "" if other.kind == "text" else pd.NA
                frame[other.typed] = frame[other.typed].mask(later, nothing)
    return frame


def _asked(record: Record, column: Column) -> bool:
    return column.kind == "date" and not column.ahead and column.name != record.date


def _later(frame: pd.DataFrame, column: Column, as_of: np.datetime64) -> Bools:
    return np.asarray(frame[column.typed].to_numpy() > as_of)


def _orders(frame: pd.DataFrame) -> pd.DataFrame:
    """The orders of rows; a file that lacks the store names none."""
    blank = pd.Series("", index=frame.index, dtype="str")
    return pd.DataFrame({name: frame.get(name, blank).fillna("") for name in _ORDER})


def _of_orders(frame: pd.DataFrame, orders: pd.DataFrame) -> Bools:
    """Which rows are of some orders."""
    both = pd.concat([_orders(frame), orders], ignore_index=True)
    order = both.groupby(list(_ORDER), sort=False).ngroup().to_numpy()
    return np.isin(order[: len(frame)], order[len(frame) :])
