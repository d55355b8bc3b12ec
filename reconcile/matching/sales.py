"""The fact table of sales: what supplier orders brought in and cost, in the home currency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.columns import (
    Bools,
    Days,
    Ints,
    combined,
    count,
    distinct,
    has,
    known,
    masked,
    number,
    numbered,
    texts_at,
    total,
)
from reconcile.matching.tie import Tied
from reconcile.money import digits_of, line_amount, round_half_up, split_in_proportion
from reconcile.rates import home_factors

_OF_ORDERS = ("order", "supplier_order", "supplier", "currency", "payable", "unread_bill")


def sales(
    tied: Tied, supplier_orders: pd.DataFrame, rates: pd.DataFrame | None, home: str
) -> pd.DataFrame:
    """Every fact of ``facts.SALES``: one row for each supplier order that has lines.

    What counts as sold is what is agreed with the supplier: what is live, or was sent. Amounts of
    other currencies are taken at the last rate up to the day of the order, and the difference is
    rounded once.
    """
    lines = tied.lines
    groups = len(tied.supplier_orders)
    owner = lines["supplier_order"].to_numpy()
    main = supplier_orders["main"].to_numpy(dtype=bool)
    sold = main & has(owner, groups)[supplier_orders["supplier_order"]]
    rows = supplier_orders.loc[sold, [*_OF_ORDERS]]
    mine = rows["supplier_order"].to_numpy()
    out = rows[["order", "supplier_order", "supplier", "unread_bill"]].reset_index(drop=True)
    out["currency"] = pd.Series(home, index=out.index, dtype="str")
    out["sold"] = total(owner, lines["due_qty"].to_numpy(np.int64), groups)[mine]
    day = tied.orders.orders["ordered_date"].to_numpy()[rows["order"].to_numpy()]
    names = tied.names.currency
    digits = digits_of(names)[lines["currency_code"].to_numpy()]
    revenue = total(owner, line_revenues(lines, tied.orders.orders, digits), groups)[mine]
    asked, one = _currency_of(lines, groups)
    _, priced_in = numbered(names, rows["currency"])[0]
    first = _factors(asked[mine], names, day, home, rates)
    second = _factors(priced_in, names, day, home, rates)
    first = first.without(~one[mine])
    cost = number(rows, "payable")
    out["cost_known"] = known(rows, "payable")
    mixed = _in_several_currencies(supplier_orders, groups)[mine]
    second = second.without(mixed)
    out["revenue"] = _in_home(revenue, first)
    out["cost"] = _in_home(cost, second)
    out["cost"] = out["cost"].mask(~out["cost_known"])
    out["margin"] = _margin(revenue, first, cost, second)
    same = asked[mine] == priced_in
    covered = same & one[mine] & ~mixed & (revenue >= cost)
    out["may_lose"] = ~(out["margin"].isna().to_numpy() & covered)
    out["loss"] = (-out["margin"]).clip(lower=0)
    out["ordered_date"] = day
    return out


@dataclass(frozen=True)
class _Factors:
    """Factors of rows: ``place`` is each row's in ``times`` and ``over``, Python's whole numbers.

    ``over`` is 0, as the last one is, where there is no factor.
    """

    place: Ints
    times: np.ndarray
    over: np.ndarray

    def without(self, rows: Bools) -> _Factors:
        """The same, and none for some rows."""
        return _Factors(np.where(rows, len(self.over) - 1, self.place), self.times, self.over)


def _factors(
    currency: Ints, names: pd.Series, day: Days, home: str, rates: pd.DataFrame | None
) -> _Factors:
    """The factors of rows, looked up once for each currency and day."""
    number_of_day = np.unique(day, return_inverse=True)[1]
    at, first = distinct(combined(currency, number_of_day))
    table = home_factors(texts_at(names, currency[first]), day[first], home, rates)
    times, over = (np.append(table[name].to_numpy(), 0) for name in ("times", "over"))
    return _Factors(at, times, over)


def line_revenues(lines: pd.DataFrame, orders: pd.DataFrame, digits: Ints) -> Ints:
    """What each line brings in for the units that count as sold, in minor units of its currency.

    Units at their price less the line's discount. The order's discount is taken off, and the
    shipping that the customer paid is added, in proportion to that, in whole minor units, largest
    remainder first. Of a line that counts in part, its part, half up. Tax is left out. ``digits``:
    the decimals of each line's currency.
    """
    order = lines["order"].to_numpy()
    ordered = lines["ordered"].to_numpy(np.int64)
    goods = line_amount(ordered, number(lines, "unit_price_micro"), digits)
    goods = goods - number(lines, "discount_minor")
    whole = goods.copy()
    for name, sign in (("order_discount_minor", -1), ("shipping_charged_minor", 1)):
        amount = number(orders, name)
        at = np.flatnonzero(amount[order])
        part = split_in_proportion(np.abs(amount), order[at], goods[at])
        whole[at] += sign * np.sign(amount)[order[at]] * part
    sold = lines["due_qty"].to_numpy(np.int64)
    return round_half_up(whole * sold, np.maximum(ordered, 1))


def _currency_of(lines: pd.DataFrame, groups: int) -> tuple[Ints, Bools]:
    """The currency of each supplier order's lines, and whether it is one."""
    codes, owner = lines["currency_code"].to_numpy(), lines["supplier_order"].to_numpy()
    of = np.zeros(groups, dtype=np.int64)
    of[owner] = codes
    one = has(owner, groups)
    one[owner[codes != of[owner]]] = False
    return of, one


def _in_several_currencies(supplier_orders: pd.DataFrame, groups: int) -> np.ndarray:
    """Supplier orders whose payable is known in more than one currency."""
    priced = known(supplier_orders, "payable")
    return np.asarray(count(supplier_orders["supplier_order"].to_numpy()[priced], groups) > 1)


def _in_home(amount: Ints, factors: _Factors) -> pd.arrays.IntegerArray:
    nothing = np.zeros(len(amount), dtype=np.int64)
    one = np.ones(1, dtype=object)
    return _margin(amount, factors, nothing, _Factors(nothing, one, one))


def _margin(revenue: Ints, first: _Factors, cost: Ints, second: _Factors) -> pd.arrays.IntegerArray:
    """Revenue less cost, each at its factor, half up once; missing where a factor is not known."""
    unknown = np.zeros(len(revenue), dtype=bool)
    plain = np.ones(len(revenue), dtype=bool)
    for factors in (first, second):
        unknown |= (factors.over == 0).astype(bool)[factors.place]
        plain &= (factors.times == factors.over).astype(bool)[factors.place]
    out = np.where(plain, revenue - cost, 0)
    hard = np.flatnonzero(~plain & ~unknown)
    # Python's whole numbers: the products of amounts and rates need not fit into 64 bits.
    up, down = (part[first.place[hard]] for part in (first.times, first.over))
    by, per = (part[second.place[hard]] for part in (second.times, second.over))
    gain, spent = (amount[hard].astype(object) for amount in (revenue, cost))
    parts = (gain, up, per, spent, by, down)
    if _fits(gain, up, per) and _fits(spent, by, down):
        gain, up, per, spent, by, down = (part.astype(np.int64) for part in parts)
    out[hard] = round_half_up(gain * up * per - spent * by * down, down * per)
    return masked(out, unknown)


def _fits(*factors: np.ndarray) -> bool:
    """Whether products of such whole numbers, two of them added and doubled, fit into 64 bits."""
    most = 8
    for factor in factors:
        most *= max(abs(int(factor.max(initial=1))), abs(int(factor.min(initial=1))))
    return most < np.iinfo(np.int64).max
