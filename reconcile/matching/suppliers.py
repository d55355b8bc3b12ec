"""Who supplies a line: its own column, else the only supplier that could, else who did."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, combined, numbered, text


def supplier_of_lines(
    lines: pd.DataFrame, offers: Iterable[pd.DataFrame], events: Iterable[pd.DataFrame]
) -> pd.Series:
    """The supplier of each order line, blank where nobody can say.

    ``offers``: frames with ``sku_key`` and ``supplier`` (quotes and SKU map). ``events``:
    frames with ``order``, ``supplier`` and, where they know it, ``sku_key``.
    """
    named = text(lines, "supplier").reset_index(drop=True)
    if (named != "").all():
        return named
    offered = pd.concat([frame[["sku_key", "supplier"]] for frame in offers] or [_nothing()])
    named = _fill(named, _only(lines, offered, ["sku_key"]))
    if (named != "").all():
        return named
    happened = pd.concat([*events], ignore_index=True)
    by_sku = happened[happened["sku_key"] != ""] if "sku_key" in happened else happened.iloc[:0]
    if len(by_sku):
        named = _fill(named, _only(lines, by_sku, ["order", "sku_key"]))
    return _fill(named, _only(lines, happened, ["order"]))


def _nothing() -> pd.DataFrame:
    return pd.DataFrame({"sku_key": [], "supplier": []}, dtype="str")


def _fill(named: pd.Series, found: pd.Series) -> pd.Series:
    return named.where(named != "", found)


def _only(lines: pd.DataFrame, known: pd.DataFrame, keys: list[str]) -> pd.Series:
    """The supplier of each line where exactly one is known for its keys, else blank."""
    pairs = known[[*keys, "supplier"]]
    pairs = pairs[pairs["supplier"] != ""].drop_duplicates()
    alone = pairs[~pairs.duplicated(keys, keep=False)]
    if alone.empty:
        return pd.Series("", index=lines.index, dtype="str").reset_index(drop=True)
    found = lines[keys].merge(alone, on=keys, how="left")["supplier"]
    return found.fillna("").astype("str").reset_index(drop=True)


class SupplierOrders:
    """Numbers the supplier orders: one customer order at one supplier.

    ``frame`` has one row each: ``order``, ``supplier``.
    """

    def __init__(self, orders: list[Ints], suppliers: list[pd.Series]) -> None:
        """Number every pair of a known order and a supplier that any record brings."""
        codes, self._names = numbered(*suppliers)
        order, code = np.concatenate(orders), np.concatenate(codes)
        keep = order >= 0
        pair = combined(order, code)
        pair[~keep] = -1
        codes_of_pairs, _ = pd.factorize(pair[keep])
        first = np.flatnonzero(~pd.Series(codes_of_pairs).duplicated().to_numpy())
        names = self._names.iloc[code[keep][first]].reset_index(drop=True)
        self.frame = pd.DataFrame({"order": order[keep][first], "supplier": names})
        ends = np.cumsum([len(part) for part in orders])
        place = np.full(len(pair), -1, dtype=np.int64)
        place[keep] = codes_of_pairs
        self.numbers: list[Ints] = np.split(place, ends[:-1])
