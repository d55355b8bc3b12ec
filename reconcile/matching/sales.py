"""The fact table of sales: what supplier orders brought in and cost, in the home currency."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, combined, count, has, known, masked, number, total
from reconcile.matching.tie import Tied
from reconcile.money import digits_of, line_amount, round_half_up, split_in_proportion
from reconcile.rates import home_factors


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
    rows = supplier_orders[main & has(owner, groups)[supplier_orders["supplier_order"]]]
    mine = rows["supplier_order"].to_numpy()
    out = rows[["order", "supplier_order", "supplier"]].reset_index(drop=True)
    out["currency"] = pd.Series(home, index=out.index, dtype="str")
    out["sold"] = total(owner, lines["due_qty"].to_numpy(np.int64), groups)[mine]
    day = tied.orders.orders["ordered_date"].to_numpy()[rows["order"].to_numpy()]
    revenue = total(owner, line_revenues(lines, tied.orders.orders), groups)[mine]
    asked, one = _currency_of(lines, groups)
    first = home_factors(asked.iloc[mine].reset_index(drop=True), day, home, rates)
    second = home_factors(rows["currency"].reset_index(drop=True), day, home, rates)
    first.loc[~one[mine], "over"] = 0
    cost = rows["payable"].fillna(0).to_numpy(np.int64)
    out["cost_known"] = rows["payable"].notna().to_numpy()
    mixed = _in_several_currencies(supplier_orders, groups)[mine]
    second.loc[mixed, "over"] = 0
    out["revenue"] = _in_home(revenue, first)
    out["cost"] = _in_home(cost, second)
    out["cost"] = out["cost"].mask(~out["cost_known"])
    out["margin"] = _margin(revenue, first, cost, second)
    same = asked.iloc[mine].to_numpy() == rows["currency"].to_numpy()
    covered = same & one[mine] & ~mixed & (revenue >= cost)
    out["may_lose"] = ~(out["margin"].isna().to_numpy() & covered)
    out["loss"] = (-out["margin"]).clip(lower=0)
    out["ordered_date"] = day
    return out


def line_revenues(lines: pd.DataFrame, orders: pd.DataFrame) -> Ints:
    """What each line brings in for the units that count as sold, in minor units of its currency.

    Units at their price less the line's discount. The order's discount is taken off, and the
    shipping that the customer paid is added, in proportion to that, in whole minor units, largest
    remainder first. Of a line that counts in part, its part, half up. Tax is left out.
    """
    order = lines["order"].to_numpy()
    digits = digits_of(lines["currency"])
    ordered = lines["ordered"].to_numpy(np.int64)
    goods = line_amount(ordered, number(lines, "unit_price_micro"), digits)
    goods = goods - number(lines, "discount_minor")
    whole = goods.copy()
    for name, sign in (("order_discount_minor", -1), ("shipping_charged_minor", 1)):
        amount = number(orders, name)
        part = split_in_proportion(np.abs(amount), order, goods)
        whole += sign * np.sign(amount)[order] * part
    sold = lines["due_qty"].to_numpy(np.int64)
    return round_half_up(whole * sold, np.maximum(ordered, 1))


def _currency_of(lines: pd.DataFrame, groups: int) -> tuple[pd.Series, np.ndarray]:
    """The currency of each supplier order's lines, and whether it is one."""
    codes, names = pd.factorize(lines["currency"])
    owner = lines["supplier_order"].to_numpy()
    pairs = np.unique(combined(owner, codes))
    width = int(codes.max(initial=0)) + 2
    of = np.zeros(groups, dtype=np.int64)
    of[owner] = codes
    several = count(pairs // width - 1, groups) == 1
    return pd.Series(np.asarray(names, dtype=object)[of], dtype="str"), several


def _in_several_currencies(supplier_orders: pd.DataFrame, groups: int) -> np.ndarray:
    """Supplier orders whose payable is known in more than one currency."""
    priced = known(supplier_orders, "payable")
    return np.asarray(count(supplier_orders["supplier_order"].to_numpy()[priced], groups) > 1)


def _in_home(amount: Ints, factors: pd.DataFrame) -> pd.arrays.IntegerArray:
    nothing = np.zeros(len(amount), dtype=np.int64)
    same = pd.DataFrame({"times": np.ones_like(nothing), "over": np.ones_like(nothing)})
    return _margin(amount, factors, nothing, same)


def _margin(
    revenue: Ints, first: pd.DataFrame, cost: Ints, second: pd.DataFrame
) -> pd.arrays.IntegerArray:
    """Revenue less cost, each at its factor, half up once; missing where a factor is not known."""
    above, below = first["times"].to_numpy(), first["over"].to_numpy()
    times, over = second["times"].to_numpy(), second["over"].to_numpy()
    unknown = np.asarray((below == 0) | (over == 0), dtype=bool)
    plain = np.asarray((above == below) & (times == over), dtype=bool)
    out = np.where(plain, revenue - cost, 0)
    hard = np.flatnonzero(~plain & ~unknown)
    # Python's whole numbers: the products of amounts and rates need not fit into 64 bits.
    amounts = [array[hard].astype(object) for array in (revenue, above, below, cost, times, over)]
    gain, up, down, spent, by, per = amounts
    exact = gain * up * per - spent * by * down
    out[hard] = round_half_up(exact, down * per)
    return masked(out, unknown)
