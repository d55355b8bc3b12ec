"""What suppliers billed: line amounts, credits, and what was billed beyond the order."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import (
    Bools,
    Ints,
    combined,
    distinct,
    has,
    in_order,
    known,
    latest,
    number,
    ranked,
    running,
    text,
    total,
)
from reconcile.money import digits_of, line_amount, round_half_up


def invoice_amounts(invoices: pd.DataFrame) -> Ints:
    """Signed minor units of each line: credits are negative, however they are written."""
    amount = _as_written(invoices)
    return np.where(is_credit(invoices), -np.abs(amount), amount)


def _as_written(invoices: pd.DataFrame) -> Ints:
    """What each line comes to by its own signs.

    That is its line_total, else quantity times unit cost, half up to the minor unit, plus
    shipping, tax and other charges.
    """
    digits = digits_of(invoices["currency"])
    goods = line_amount(
        invoices["qty"].to_numpy(np.int64), number(invoices, "unit_cost_micro"), digits
    )
    parts = goods + sum(number(invoices, name) for name in _PARTS)
    stated = known(invoices, "line_total_minor")
    return np.where(stated, number(invoices, "line_total_minor"), parts)


def is_credit(invoices: pd.DataFrame) -> Bools:
    """Which lines are credits: those that say so, and all that come to less than nothing.

    Many a supplier writes no kind, and an invoice may bear a line that gives something back
    (EN 16931 has lines below zero in invoices): the sign tells what a line does.
    """
    credit = (text(invoices, "kind") == "credit").to_numpy(dtype=bool, copy=True)
    signed = np.zeros(len(invoices), dtype=bool)
    for name in _SIGNED:
        signed |= number(invoices, name) < 0
    at = np.flatnonzero(signed & ~credit)
    if len(at):  # few lines have a sign
        credit[at] = _as_written(invoices.iloc[at]) < 0
    return credit


_PARTS = ("shipping_minor", "tax_minor", "other_charges_minor")
_SIGNED = ("unit_cost_micro", "line_total_minor", *_PARTS)


def is_replacement(frame: pd.DataFrame) -> Bools:
    """Which rows belong to a replacement, by their column or by their reference's suffix."""
    out = np.zeros(len(frame), dtype=bool)
    for name in ("replacement", "by_suffix"):
        if name in frame:
            out |= frame[name].to_numpy(dtype=bool)
    return out


def is_bill(invoices: pd.DataFrame) -> Bools:
    """Which lines bill goods of the order: neither credits nor replacements."""
    return ~is_credit(invoices) & ~is_replacement(invoices)


def same_cost(invoices: pd.DataFrame, group: Ints, credit: Bools) -> Ints:
    """Numbers of groups and unit costs of the lines of groups with a credit; -1 of the others."""
    near = np.flatnonzero(has(group[credit], int(group.max(initial=-1)) + 1)[group] & (group >= 0))
    out = np.full(len(group), -1, dtype=np.int64)
    cost, _ = distinct(np.abs(number(invoices, "unit_cost_micro")[near]))
    out[near], _ = distinct(combined(group[near], cost))
    return out


def gives_back(invoices: pd.DataFrame, group: Ints) -> Bools:
    """Which credits are at the unit cost of a billed line of their group, replacements apart."""
    credit, used = is_credit(invoices), (group >= 0) & ~is_replacement(invoices)
    mine = credit & used
    if not mine.any():
        return mine
    same = same_cost(invoices, group, mine)
    billed = has(same[used & ~credit & (same >= 0)], int(same.max(initial=-1)) + 1)
    mine[mine] = billed[same[mine]]
    return mine


def duplicate_lines(
    invoices: pd.DataFrame, item: Ints, amount: Ints, ordered: Ints
) -> tuple[Ints, Ints, Ints, np.ndarray]:
    """Billing beyond the ordered quantity, per item: billed, excess units, amount, last date.

    ``item`` numbers each line's SKU within its supplier order (-1: none), ``ordered`` holds
    the ordered units of each item in the same units as the invoice. Replacements stand apart.
    The excess is taken from the lines billed last: a whole line at its amount, part of a line
    at its part of it, half up.
    """
    items = len(ordered)
    used = (item >= 0) & ~is_replacement(invoices)
    billed, taken = excess_units(invoices, item, amount, ordered)
    last = latest(item[used], invoices["invoice_date"].to_numpy()[used], items)
    at = np.flatnonzero(taken)
    quantity = invoices["qty"].to_numpy(np.int64)[at]
    part = np.where(
        taken[at] == quantity, amount[at], round_half_up(amount[at] * taken[at], quantity)
    )
    return billed, np.maximum(billed - ordered, 0), total(item[at], part, items), last


def excess_units(
    invoices: pd.DataFrame, item: Ints, amount: Ints, ordered: Ints
) -> tuple[Ints, Ints]:
    """Units billed per item, less those given back; and each line's beyond the ordered ones.

    A credit at the unit cost of a billed line gives its units back; at another it takes money off
    the price, and what is billed once more is still billed twice.
    """
    credit, days = is_credit(invoices), invoices["invoice_date"].to_numpy()
    used = (item >= 0) & ~is_replacement(invoices)
    quantity = invoices["qty"].to_numpy(np.int64)
    signed = np.where(credit, -quantity * gives_back(invoices, item), quantity)
    billed = total(item[used], signed[used], len(ordered))
    excess = np.maximum(billed - ordered, 0)
    over = used & ~credit & (quantity > 0)
    over[over] &= excess[item[over]] > 0
    at = np.flatnonzero(over)
    # Newest first: what was billed last is what was billed twice; of one invoice the dearest line,
    # since the order of rows says nothing.
    [document], _ = ranked(invoices["invoice_no_key"].iloc[at])
    at = at[in_order(item[at], days[at].astype(np.int64), document, amount[at], quantity[at])][::-1]
    before = running(item[at], quantity[at]) - quantity[at]
    taken = np.zeros(len(invoices), dtype=np.int64)
    taken[at] = np.clip(excess[item[at]] - before, 0, quantity[at])
    return billed, taken
