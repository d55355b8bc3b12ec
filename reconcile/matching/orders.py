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
    as_array,
    combined,
    count,
    days,
    distinct,
    earliest,
    first_rows,
    has,
    in_order,
    known,
    masked,
    number,
    numbered,
    ranked,
    starts,
    text,
    texts_at,
    total,
)
from reconcile.money import digits_of, line_amount
from reconcile.records import ORDERS

NOT_FOUND, AMBIGUOUS = -1, -2
_NO_DAY = np.datetime64("NaT", "s")


@dataclass(frozen=True)
class Orders:
    """``orders``: one row per customer order. ``lines``: one per order line, with ``order``.

    ``collisions``: raw references of one store that clean to one key. ``conflicts``: rows of
    one file that disagree about a value of the whole order. ``key_code``: the number of each
    order's key, as ``read_orders`` was given it.
    """

    orders: pd.DataFrame
    lines: pd.DataFrame
    collisions: pd.DataFrame
    conflicts: pd.DataFrame
    key_code: Ints


def read_orders(records: pd.DataFrame, brought: frozenset[str], key_code: Ints) -> Orders:
    """Group order rows into orders; a cleaned key of two raw references stands for neither.

    ``key_code`` numbers the key of each row, ``sku_code`` of a row its SKU, as SKUs sort.
    """
    lines = records.copy(deep=False)
    lines["row_id"] = np.arange(len(lines))
    store, ref, key = text(lines, "store"), lines["order_ref"], lines["order_ref_key"]
    [store_code], _ = numbered(store)
    by_key, first = distinct(combined(store_code, key_code))
    # Most keys stand for one raw reference alone, and most of their rows are the only one.
    further = np.flatnonzero(first[by_key] != lines["row_id"].to_numpy())
    texts = as_array(ref)
    same = pc.equal(texts.take(further), texts.take(first[by_key[further]]))
    other = further[~same.to_numpy(zero_copy_only=False)]
    crowded = has(by_key[other], len(first))
    collided = crowded[by_key]
    order = by_key
    if len(other):
        [ref_code], _ = numbered(ref)
        order, first = distinct(combined(by_key, np.where(collided, ref_code, -1)))
    lines["order"] = order
    orders = pd.DataFrame(
        {
            "store": texts_at(store, first),
            "order_ref": texts_at(ref, first),
            "key": texts_at(key, first),
            "collided": collided[first],
        }
    )
    conflicts = _whole_order_values(lines, orders)
    lines = _in_line_order(lines)
    _add_facts(lines, orders, brought)
    clash = orders[orders["collided"]][["store", "order_ref", "key"]]
    return Orders(orders, lines, clash, conflicts, key_code[first])


def _in_line_order(lines: pd.DataFrame) -> pd.DataFrame:
    """By order, then line number, then SKU: never by where a row stands in its file."""
    [number_code], numbers = numbered(text(lines, "line_no"))
    [padded], _ = ranked(numbers.str.zfill(12))
    order = lines["order"].to_numpy()
    place = in_order(
        order, padded[number_code], lines["sku_code"].to_numpy(), number(lines, "unit_price_micro")
    )
    if (place[1:] > place[:-1]).all():
        return lines.reset_index(drop=True)
    return lines.take(place).reset_index(drop=True)


def _whole_order_values(lines: pd.DataFrame, orders: pd.DataFrame) -> pd.DataFrame:
    """Values of the whole order, from the newest file that gives any; what disagrees is told."""
    typed = [column.typed for column in ORDERS.columns if column.whole_order]
    typed = [name for name in typed if name in lines]
    given = np.zeros(len(lines), dtype=bool)
    for name in typed:
        given |= known(lines, name)
    order, age = lines["order"].to_numpy(), lines["age"].to_numpy()
    newest = np.full(len(orders), np.iinfo(np.int64).max)
    np.minimum.at(newest, order[given], age[given])
    chosen = np.flatnonzero(given & (age == newest[order]))
    chosen = chosen[in_order(order[chosen], lines["row"].to_numpy()[chosen])]
    odd = np.zeros(len(lines), dtype=bool)
    for name in typed:
        rows = chosen[known(lines, name)[chosen]]
        at, is_date = order[rows], lines[name].dtype.kind == "M"
        values = days(lines, name).astype(np.int64) if is_date else number(lines, name)
        values = values[rows]
        opens = starts(at)
        column = np.zeros(len(orders), dtype=np.int64)
        column[at[opens]] = values[opens]
        blank = ~has(at, len(orders))
        if is_date:
            orders[name] = np.where(blank, _NO_DAY, column.astype("datetime64[s]"))
        else:
            orders[name] = masked(column, blank)
        odd[rows] |= column[at] != values
    names = ["order", "order_ref", "file", "row"]
    return lines.loc[odd, names]


def _add_facts(lines: pd.DataFrame, orders: pd.DataFrame, brought: frozenset[str]) -> None:
    groups, order = len(orders), lines["order"].to_numpy()
    orders["ordered_date"] = earliest(order, days(lines, "ordered_date"), groups)
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

    def __init__(self, orders: pd.DataFrame, coded: tuple[Ints, int] | None = None) -> None:
        """Index the orders by key and by raw reference.

        ``coded``: the number of each order's key, and how many numbers there are, where the keys
        that are asked for are numbered too.
        """
        self._keys = pa.array([], pa.large_string())
        if coded is None:
            [code], names = numbered(orders["key"])
            self._keys, coded = _texts(names), (code, len(names))
        code, size = coded
        several = count(code, size) > 1
        # Of each key its only order, else what says that there are several.
        self._order = np.where(several, AMBIGUOUS, first_rows(code, size))
        at = np.flatnonzero(several[code])
        refs = orders["order_ref"]
        if len(at):
            at = at[~refs.duplicated(keep=False).to_numpy()[at]]
        self._refs, self._of_refs = _texts(refs.iloc[at]), at

    def find(self, keys: pd.Series, refs: pd.Series) -> Ints:
        """The order of each reference, NOT_FOUND, or AMBIGUOUS where several could be meant."""
        return self.find_coded(_looked_up(_texts(keys), self._keys), refs)

    def find_coded(self, place: Ints, refs: pd.Series) -> Ints:
        """The same by the numbers of the keys, -1 where a key has none."""
        found = np.append(self._order, NOT_FOUND)[place]
        crowded = np.flatnonzero(found == AMBIGUOUS)
        if len(crowded) and len(self._refs):
            raw = _looked_up(_texts(refs.iloc[crowded]), self._refs)
            found[crowded] = np.append(self._of_refs, AMBIGUOUS)[raw]
        return np.asarray(found, dtype=np.int64)


def _texts(column: pd.Series) -> pa.Array:
    return pa.array(column, pa.large_string(), from_pandas=True)


def _looked_up(texts: pa.Array, among: pa.Array) -> Ints:
    """Where each text stands among others, -1 where it does not."""
    found = pc.fill_null(pc.index_in(texts, value_set=among), -1)
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype=np.int64)
