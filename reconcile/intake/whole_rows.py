"""What is wrong with a row though each of its cells reads well."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from reconcile.intake.coded import Bools

_MOST_LINE_MICRO = 4e18  # quantity times unit price has to stay inside 64 bits


def faults_of_rows(record: str, frame: pd.DataFrame) -> Iterator[tuple[str, Bools, str]]:
    """A column to name, the rows, and what is expected: of typed rows of a record type."""
    if record == "decisions":
        blank = pd.Series("", index=frame.index)
        id_, rule, order = (frame.get(name, blank) for name in ("id", "rule", "order_ref"))
        lacking = (id_ == "") & ((rule == "") | (order == ""))
        yield "id", lacking.to_numpy(dtype=bool), "an id, or a rule and an order_ref"
    price = {"orders": "unit_price", "invoices": "unit_cost"}.get(record)
    if price is not None and f"{price}_micro" in frame and "qty" in frame:
        micro, qty = frame[f"{price}_micro"], frame["qty"]
        if _most(micro) * _most(qty) > _MOST_LINE_MICRO:  # else no line is too large
            values = [each.to_numpy(dtype=np.float64, na_value=0) for each in (micro, qty)]
            big = np.asarray(np.abs(values[0] * values[1]) > _MOST_LINE_MICRO)
            yield price, big, "a line of less than 4 000 000 000 000"


def _most(numbers: pd.Series) -> int:
    """The largest amount of a column, whatever its sign."""
    known = [abs(int(each)) for each in (numbers.min(), numbers.max()) if pd.notna(each)]
    return max(known, default=0)
