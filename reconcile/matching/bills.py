"""Invoice lines in groups: one SKU of one supplier order, billed in one currency.

What a line bills that is neither billed twice nor credited again, and what the group was ordered
for: the units that quotes are asked for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.billing import (
    excess_units,
    gives_back,
    is_bill,
    is_credit,
    is_replacement,
    same_cost,
)
from reconcile.matching.columns import (
    Bools,
    Ints,
    combined,
    count,
    days,
    distinct,
    has,
    in_order,
    number,
    pairs_of,
    ranked,
    running,
    total,
)
from reconcile.matching.tie import Tied
from reconcile.money import round_half_up

_NO_LIMIT = 2**40


@dataclass(frozen=True)
class Bills:
    """``group`` of each invoice line (-1: its order is not known), and what is left of the line.

    ``real``: an invoice's own line, no credit and no replacement. ``once``: its units without
    those billed twice; ``kept``: those without credited ones too. ``credit``: money per group that
    credits give back beyond units. ``parts``: which order lines a group is for (``group, line,
    units, sole``): so many of the group's units in one of the line, and whether they are all of it.
    ``ordered``: the group's ordered units, ``owner``: its supplier order.
    """

    group: Ints
    real: Bools
    once: Ints
    kept: Ints
    credit: Ints
    parts: pd.DataFrame
    ordered: Ints
    owner: Ints

    @property
    def size(self) -> int:
        """How many groups there are."""
        return len(self.ordered)


def bill_groups(tied: Tied, amount: Ints) -> Bills:
    """Group the invoice lines of known orders; ``amount`` are their signed amounts."""
    invoices = tied.invoices
    parts = _parts(tied)
    codes = (invoices["sku_code"].to_numpy(), parts["sku_code"].to_numpy())
    currency = invoices["currency_code"].to_numpy()
    owner = invoices["supplier_order"].to_numpy()
    group = np.full(len(invoices), -1, dtype=np.int64)
    on_order = np.flatnonzero(owner >= 0)
    pair = combined(owner, codes[0], currency)[on_order]
    group[on_order], first = distinct(pair)
    first = on_order[first]
    size, owners = len(first), owner[first]
    # A part is asked for by every group of its supplier order and SKU, of whatever currency.
    part_owner = tied.lines["supplier_order"].to_numpy()[parts["line"].to_numpy()]
    named = combined(np.append(owners, part_owner), np.append(codes[0][first], codes[1]))
    numbers, distincts = distinct(named)
    at, part = pairs_of(numbers[:size], numbers[size:], len(distincts))
    asked = parts.take(part).reset_index(drop=True)[["line", "units", "sole"]]
    asked.insert(0, "group", at)
    units = tied.lines["ordered"].to_numpy()[asked["line"]] * asked["units"].to_numpy()
    ordered = total(at, units, size)
    limit = np.where(has(at, size), ordered, _NO_LIMIT)
    _, taken = excess_units(invoices, group, amount, limit)
    real = (group >= 0) & is_bill(invoices)
    once = np.where(real, invoices["qty"].to_numpy(np.int64) - taken, 0)
    kept = once - _credited_units(invoices, group, real, once)
    credit = _credited_money(invoices, amount, group, real, owners)
    return Bills(group, real, once, kept, credit, asked, ordered, owners)


def _parts(tied: Tied) -> pd.DataFrame:
    """What an order line may be billed as: the supplier's SKUs, and the shop's own."""
    components, lines = tied.components, tied.lines
    if len(components) == len(lines):
        own_sku = (components["sku_code"].to_numpy() == lines["sku_code"].to_numpy()).all()
        if own_sku and (components["units"] == 1).all():
            return components[["line", "units", "sku_code"]].assign(sole=True)
    line = components["line"].to_numpy()
    mapped = components[["line", "units"]].assign(
        sku_code=components["sku_code"].to_numpy(),
        sole=np.bincount(line, minlength=len(lines))[line] == 1,
    )
    own = pd.DataFrame({"line": np.arange(len(lines)), "units": 1, "sole": True})
    both = pd.concat([mapped, own.assign(sku_code=lines["sku_code"].to_numpy())])
    return both.drop_duplicates(["line", "sku_code"], ignore_index=True)


def _credited_units(invoices: pd.DataFrame, group: Ints, real: Bools, once: Ints) -> Ints:
    """Units of each line that a credit of one unit cost gives back, of the newest lines first."""
    credit = (group >= 0) & is_credit(invoices) & ~is_replacement(invoices)
    out = np.zeros(len(invoices), dtype=np.int64)
    if not credit.any():
        return out
    same = same_cost(invoices, group, credit)
    size = int(same.max(initial=-1)) + 1
    pool = total(same[credit], invoices["qty"].to_numpy(np.int64)[credit], size)
    at = np.flatnonzero(real & (once > 0) & (np.append(pool, 0)[same] > 0))
    at = at[_newest_first(invoices, at, same)]
    before = running(same[at], once[at]) - once[at]
    out[at] = np.clip(pool[same[at]] - before, 0, once[at])
    return out


def _credited_money(
    invoices: pd.DataFrame, amount: Ints, group: Ints, real: Bools, owner: Ints
) -> Ints:
    """Per group what credits give back of the price alone.

    A credit at the unit cost of an invoiced line takes units back; at any other it takes money
    off. One of a SKU that no line of the supplier order bills is taken off its first group.
    """
    size = len(owner)
    credit = (group >= 0) & is_credit(invoices) & ~is_replacement(invoices)
    if not credit.any():
        return np.zeros(size, dtype=np.int64)
    money = credit & ~gives_back(invoices, group)
    tax = np.abs(number(invoices, "tax_minor"))
    given = np.maximum(np.abs(amount) - tax, 0)
    billed = has(group[real], size)
    out = total(group[money], given[money], size)
    stray = np.flatnonzero(~billed & (out > 0))
    if len(stray):
        currency = np.zeros(size, dtype=np.int64)
        currency[group[group >= 0]] = invoices["currency_code"].to_numpy()[group >= 0]
        frame = pd.DataFrame({"group": np.arange(size), "owner": owner, "currency": currency})
        near = has(owner[stray], int(owner.max()) + 1)[owner]
        first = frame[billed & near].drop_duplicates(["owner", "currency"])
        move = frame.iloc[stray].merge(first, on=["owner", "currency"])
        np.add.at(out, move["group_y"].to_numpy(), out[move["group_x"].to_numpy()])
    return out


def _newest_first(invoices: pd.DataFrame, at: Ints, group: Ints) -> Ints:
    return by_age(invoices, at, group)[::-1]


def by_age(invoices: pd.DataFrame, at: Ints, group: Ints) -> Ints:
    """The order of some lines: by group, then oldest first; rows of one day by what they say."""
    names = ("shipping_minor", "unit_cost_micro", "qty")
    keys = [number(invoices, name)[at] for name in names]
    [document], _ = ranked(invoices["invoice_no_key"].iloc[at])
    day = days(invoices, "invoice_date")[at].astype(np.int64)
    return in_order(group[at], day, document, *keys)


def before_by_age(invoices: pd.DataFrame, at: Ints, group: Ints, values: Ints) -> Ints:
    """For each of some lines the sum of the values of the older ones of its group."""
    out = np.zeros(len(at), dtype=np.int64)
    several = np.flatnonzero(count(group[at], int(group.max(initial=-1)) + 1)[group[at]] > 1)
    place = several[by_age(invoices, at[several], group)]  # most lines are alone
    mine = values[at[place]]
    out[place] = running(group[at[place]], mine) - mine
    return out


def part_of(amount: Ints, units: Ints, of: Ints) -> Ints:
    """The part of an amount that is for so many units of all, half up."""
    whole = units == of
    return np.where(whole, amount, round_half_up(amount * units, np.maximum(of, 1)))
