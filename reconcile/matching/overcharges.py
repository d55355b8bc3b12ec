"""What invoice lines bill above what is quoted for them, and whose quote that is."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.joined import joined_texts
from reconcile.matching.billing import is_credit
from reconcile.matching.bills import Bills, before_by_age, part_of
from reconcile.matching.columns import Bools, Ints, known, number, places, texts_at, total
from reconcile.matching.prices import Quoted, shipping_of
from reconcile.matching.tie import Tied
from reconcile.money import MICRO_DIGITS, digits_of, line_amount, round_half_up


def overcharges(tied: Tied, bills: Bills, quoted: pd.DataFrame) -> tuple[Ints, Bools, Ints]:
    """What each line bills above its quote, where that cannot be told, and what the quote gives.

    Goods: the units that are left, at the difference of the unit costs. Shipping: all of the
    group's, less what credits give back, against the quote's; the newest line bears the excess.
    Credits of the price and a lower line_total come off.
    """
    invoices, group = tied.invoices, bills.group
    mine = bills.real & (group >= 0)
    mine &= (quoted["quote"].to_numpy() >= 0)[group]
    unit = number(invoices, "unit_cost_micro")
    per = quoted["per"].to_numpy()[group]
    price = quoted["unit_cost_micro"].to_numpy()[group]
    digits = digits_of(invoices["currency"])
    goods = round_half_up(bills.kept * price, 10 ** (MICRO_DIGITS - digits) * per)
    above = mine & (unit * per > price)
    excess = np.where(above, line_amount(bills.kept, unit, digits) - goods, 0)
    shipping, allowed = _shipping(tied, bills, quoted, mine)
    excess = np.maximum(excess, 0) + shipping
    at = np.flatnonzero(mine & (excess > 0))
    before = before_by_age(invoices, at, group, excess)
    excess[at] -= np.clip(bills.credit[group[at]] - before, 0, excess[at])
    stated = known(invoices, "line_total_minor")
    less = np.where(stated, parts_amount(invoices) - number(invoices, "line_total_minor"), 0)
    excess = np.maximum(excess - np.maximum(less, 0), 0)
    unsure = bills.real & (group >= 0) & quoted["unsure"].to_numpy(dtype=bool)[group]
    cheap = unit <= quoted["least_cost"].to_numpy()[group]
    cheap &= number(invoices, "shipping_minor") <= quoted["least_shipping"].to_numpy()[group]
    unsure &= ~cheap & (bills.kept > 0)
    return np.where(unsure, 0, excess), unsure, np.where(mine, goods + allowed, 0)


def _shipping(tied: Tied, bills: Bills, quoted: pd.DataFrame, mine: Bools) -> tuple[Ints, Ints]:
    """Shipping of each line above the quote, and the part that is not."""
    invoices, group = tied.invoices, bills.group
    quantity = invoices["qty"].to_numpy(np.int64)
    billed = part_of(number(invoices, "shipping_minor"), bills.once, quantity)
    billed = np.where(mine & (bills.once > 0), np.maximum(billed, 0), 0)
    credit = (group >= 0) & is_credit(invoices)
    given = np.abs(number(invoices, "shipping_minor"))
    back = total(group[credit], given[credit], bills.size)
    units = total(group[mine], bills.once[mine], bills.size)
    allowed = shipping_of(quoted, np.minimum(units, bills.ordered)) + back
    told = quoted["shipping_told"].to_numpy(dtype=bool)
    at = np.flatnonzero(mine & (billed > 0) & told[group])
    ends = before_by_age(invoices, at, group, billed) + billed[at]
    over = np.zeros(len(invoices), dtype=np.int64)
    over[at] = np.clip(ends - allowed[group[at]], 0, billed[at])
    return over, billed - over


def parts_amount(invoices: pd.DataFrame) -> Ints:
    """What the parts of each line add up to: goods half up, shipping, tax and other charges."""
    goods = line_amount(
        invoices["qty"].to_numpy(np.int64),
        number(invoices, "unit_cost_micro"),
        digits_of(invoices["currency"]),
    )
    names = ("shipping", "tax", "other_charges")
    return np.asarray(goods + sum(number(invoices, f"{name}_minor") for name in names))


def other_countries(tied: Tied, bills: Bills, quoted: Quoted, excess: Ints) -> pd.Series:
    """The countries whose quote is exactly what each line bills, blank where it is none's."""
    invoices = tied.invoices
    at = np.flatnonzero(excess > 0)
    offers = quoted.offers
    elsewhere = (offers["for_country"] != 0) & (offers["for_country"] != offers["country_code"])
    group = quoted.groups.iloc[bills.group[at]]
    rows = pd.DataFrame({"row": at, "asked": group["asked"].to_numpy(), "lines": 1})
    rows["per"] = group["per"].to_numpy()
    found = rows.merge(offers[elsewhere & ~offers["torn"]], on="asked")
    row = found["row"].to_numpy()
    unit = number(invoices, "unit_cost_micro")[row] * found["per"].to_numpy(np.int64)
    same = unit == found["unit_cost_micro"].to_numpy(np.int64)
    asked = shipping_of(found, invoices["qty"].to_numpy(np.int64)[row])
    untold = ~known(invoices, "shipping_minor")[row] | ~found["shipping_told"].to_numpy(dtype=bool)
    same &= untold | (asked == number(invoices, "shipping_minor")[row])
    found = found[same].drop_duplicates(["row", "for_country"]).sort_values(["row", "for_country"])
    country = texts_at(tied.names.country, found["for_country"].to_numpy(np.int64))
    names = joined_texts(found["row"], country)
    return texts_at(names, places(names.index.to_numpy(), len(invoices)))
