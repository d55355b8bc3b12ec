"""Dates after the run's date: what they tell is not known yet, nor is what goes with them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from reconcile.empty import without_rows
from reconcile.intake.coded import Bools
from reconcile.records import Column, Record

ORDER = ("order_ref", "store")
Late = Mapping[str, pd.DataFrame]  # by column the orders for which it tells a later date


def none_late(record: Record) -> Late:
    """No order yet, of the columns that hold for whole orders: ``order_ref``, ``store``."""
    none = without_rows(dict.fromkeys(ORDER, "str"))
    return {each.name: none for each in record.columns if each.whole_order and _asked(record, each)}


def late_in(record: Record, frame: pd.DataFrame, as_of: np.datetime64, late: Late) -> Late:
    """The same orders and those of which a row has a date after the run's."""
    found = dict(late)
    for name, orders in late.items():
        column = record.column(name)
        if column.typed in frame:
            later = _later(frame, column, as_of)
            if later.any():
                found[name] = all_late([orders, _orders(frame[later])])
    return found


def all_late(several: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Orders of several files or blocks, each once."""
    return pd.concat(several).drop_duplicates(ignore_index=True)


def not_yet_known(
    record: Record, frame: pd.DataFrame, as_of: np.datetime64, late: Late
) -> pd.DataFrame:
    """Blank the cells of dates after the run's date, and the cells that go with them.

    ``late``: orders with such a date in a column that holds for whole orders, in whatever row.
    """
    for column in record.columns:
        if not _asked(record, column) or column.typed not in frame:
            continue
        later = _later(frame, column, as_of)
        orders = late.get(column.name, ())
        if not later.any() and not len(orders):
            continue
        frame[column.typed] = frame[column.typed].mask(later)
        if column.whole_order:  # given on one row, it holds for all rows of the order
            later = _of_orders(frame, late[column.name])
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
    return pd.DataFrame({name: frame.get(name, blank).fillna("") for name in ORDER})


def _of_orders(frame: pd.DataFrame, orders: pd.DataFrame) -> Bools:
    """Which rows are of some orders."""
    both = pd.concat([_orders(frame), orders], ignore_index=True)
    order = both.groupby(list(ORDER), sort=False).ngroup().to_numpy()
    return np.isin(order[: len(frame)], order[len(frame) :])
