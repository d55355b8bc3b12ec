"""Customer orders: one row per order, its lines in line order, and finding an order again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.matching.columns import (
    Bools,
    Ints,
    combined,
    days,
    known,
    number,
    numbered,
    text,
    total,
)
from reconcile.matching.columns import count as count_of
from reconcile.money import digits_of, line_amount
from reconcile.records import ORDERS

NOT_FOUND, AMBIGUOUS = -1, -2


@dataclass(frozen=True)
class Orders:
    """``orders``: one row per customer order. ``lines``: one per order line, with ``order``.

    ``collisions``: raw references of one store that clean to one key. ``conflicts``: rows of
    one file that disagree about a value of the whole order.
    """

    orders: pd.DataFrame
    lines: pd.DataFrame
    collisions: pd.DataFrame
    conflicts: pd.DataFrame


def read_orders(records: pd.DataFrame, brought: frozenset[str]) -> Orders:
    """Group order rows into orders; a cleaned key of two raw references stands for neither."""
    lines = records.copy(deep=False)
    lines["row_id"] = np.arange(len(lines))
    store, ref, key = text(lines, "store"), lines["order_ref"], lines["order_ref_key"]
    [store_code], _ = numbered(store)
    [key_code], _ = numbered(key)
    [ref_code], _ = numbered(ref)
    by_key = pd.factorize(combined(store_code, key_code))[0]
    by_ref = pd.factorize(combined(store_code, ref_code))[0]
    pairs = pd.DataFrame({"key": by_key, "ref": by_ref}).drop_duplicates()
    crowded = count_of(pairs["key"].to_numpy(), int(by_key.max(initial=-1)) + 1) > 1
    collided = crowded[by_key] if len(by_key) else np.zeros(0, dtype=bool)
    order = pd.factorize(combined(by_key, np.where(collided, by_ref, -1)))[0]
    lines["order"] = order
    first = pd.DataFrame({"order": order}).drop_duplicates("order").index
    orders = pd.DataFrame(
        {
            "store": store.iloc[first].to_numpy(),
            "order_ref": ref.iloc[first].to_numpy(),
            "key": key.iloc[first].to_numpy(),
            "collided": collided[first],
        }
    ).astype({"store": "str", "order_ref": "str", "key": "str"})
    conflicts = _whole_order_values(lines, orders)
    lines = _in_line_order(lines)
    _add_facts(lines, orders, brought)
    clash = orders[orders["collided"]][["store", "order_ref", "key"]]
    return Orders(orders, lines, clash, conflicts)


def _in_line_order(lines: pd.DataFrame) -> pd.DataFrame:
    """By order, then line number, then SKU: never by where a row stands in its file."""
    number_text = text(lines, "line_no").str.zfill(12)
    [number_code], numbers = numbered(number_text)
    [sku_code], skus = numbered(lines["sku_key"])
    ranked = [
        names.rank(method="first").to_numpy().astype(np.int64)[code]
        for names, code in ((numbers, number_code), (skus, sku_code))
    ]
    place = np.lexsort((number(lines, "unit_price_micro"), ranked[1], ranked[0], lines["order"]))
    return lines.take(place).reset_index(drop=True)


def _whole_order_values(lines: pd.DataFrame, orders: pd.DataFrame) -> pd.DataFrame:
    """Values of the whole order, from the newest file that gives any; what disagrees is told."""
    typed = [column.typed for column in ORDERS.columns if column.whole_order]
    typed = [name for name in typed if name in lines]
    given = lines[typed].notna().to_numpy().any(axis=1) if typed else np.zeros(len(lines), bool)
    order, age = lines["order"].to_numpy(), lines["age"].to_numpy()
    newest = np.full(len(orders), np.iinfo(np.int64).max)
    np.minimum.at(newest, order[given], age[given])
    row = lines["row"].to_numpy()
    chosen = np.flatnonzero(given & (age == newest[order]))
    chosen = chosen[np.lexsort((row[chosen], order[chosen]))]
    odd = np.zeros(len(lines), dtype=bool)
    for name in typed:
        values = lines[name].iloc[chosen]
        filled = values.notna().to_numpy()
        rows, values = chosen[filled], values[filled]
        firsts = ~pd.Series(order[rows]).duplicated().to_numpy()
        column = values[firsts].set_axis(order[rows][firsts])
        orders[name] = column.reindex(np.arange(len(orders))).to_numpy()
        if str(lines[name].dtype) == "Int64":
            orders[name] = orders[name].astype("Int64")
        same = orders[name].to_numpy()[order[rows]] == values.to_numpy()
        odd[rows] |= ~np.asarray(same, dtype=bool)
    names = ["order", "order_ref", "file", "row"]
    return lines.loc[odd, names]


def _add_facts(lines: pd.DataFrame, orders: pd.DataFrame, brought: frozenset[str]) -> None:
    groups, order = len(orders), lines["order"].to_numpy()
    orders["ordered_date"] = lines.groupby("order")["ordered_date"].min().to_numpy()
    paid, due = number(orders, "customer_paid_minor"), number(orders, "order_total_minor")
    both = known(orders, "customer_paid_minor") & known(orders, "order_total_minor")
    funded = ~np.isnat(days(orders, "customer_paid_date")) & (~both | (paid >= due))
    told = "customer_paid_at" in brought
    orders["funded"] = pd.arrays.BooleanArray(funded, np.full(groups, not told))
    orders["cancelled"] = ~np.isnat(days(orders, "cancelled_date"))
    ordered = number(lines, "qty")
    taken_back = np.minimum(number(lines, "refunded_qty"), ordered)
    any_qty = total(order, taken_back, groups) > 0
    orders["refunded_in_full"] = _refunded_in_full(lines, orders, any_qty)
    stopped = (orders["cancelled"] | orders["refunded_in_full"]).to_numpy()[order]
    lines["ordered"] = ordered
    lines["live"] = np.where(stopped, 0, ordered - taken_back)
    orders["nothing_live"] = (total(order, lines["live"].to_numpy(), groups) == 0) & (
        total(order, ordered, groups) > 0
    )


def _refunded_in_full(lines: pd.DataFrame, orders: pd.DataFrame, any_qty: Bools) -> Bools:
    """A refund that covers what was asked or paid, the lesser; a bare date is a whole refund."""
    amount = number(orders, "refunded_minor")
    whole = np.full(len(orders), np.iinfo(np.int64).max)
    for name in ("order_total_minor", "customer_paid_minor"):
        whole = np.where(known(orders, name), np.minimum(whole, number(orders, name)), whole)
    codes = digits_of(lines["currency"])
    worth = line_amount(lines["qty"].to_numpy(np.int64), number(lines, "unit_price_micro"), codes)
    goods = total(lines["order"].to_numpy(), worth - number(lines, "discount_minor"), len(orders))
    goods -= number(orders, "order_discount_minor")
    whole = np.where(whole == np.iinfo(np.int64).max, goods, whole)
    told = known(orders, "refunded_minor")
    bare = ~np.isnat(days(orders, "refunded_date")) & ~told & ~any_qty
    return np.asarray((told & (amount > 0) & (amount >= whole)) | bare)


class OrderFinder:
    """Finds orders by the references of other records: by key, or by the raw text alone."""

    def __init__(self, orders: pd.DataFrame) -> None:
        """Index the orders by key and by raw reference."""
        keys, refs = orders["key"], orders["order_ref"]
        self._lone = self._index(keys, ~keys.duplicated(keep=False).to_numpy())
        self._crowded = pa.array(keys[keys.duplicated()].unique(), pa.string())
        several = keys.duplicated(keep=False).to_numpy()
        self._raw = self._index(refs, several & ~refs.duplicated(keep=False).to_numpy())

    @staticmethod
    def _index(names: pd.Series, chosen: Bools) -> tuple[pa.Array, Ints]:
        at = np.flatnonzero(chosen)
        return pa.array(names.iloc[at], pa.string(), from_pandas=True), at

    @staticmethod
    def _look(names: pa.Array, index: tuple[pa.Array, Ints]) -> Ints:
        found = pc.fill_null(pc.index_in(names, value_set=index[0]), -1)
        place = found.to_numpy(zero_copy_only=False).astype(np.int64)
        return np.where(place >= 0, np.append(index[1], NOT_FOUND)[place], NOT_FOUND)

    def find(self, keys: pd.Series, refs: pd.Series) -> Ints:
        """The order of each reference, NOT_FOUND, or AMBIGUOUS where several could be meant."""
        key = pa.array(keys, pa.string(), from_pandas=True)
        found = self._look(key, self._lone)
        if len(self._crowded):
            crowded = pc.is_in(key, value_set=self._crowded).to_numpy(zero_copy_only=False)
            raw = self._look(pa.array(refs, pa.string(), from_pandas=True), self._raw)
            found = np.where(crowded, np.where(raw >= 0, raw, AMBIGUOUS), found)
        return found
