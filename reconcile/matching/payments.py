"""Payments to supplier orders: every minor unit is allocated, on an invoice, or unallocated.

By order reference; by several references where the payables add up exactly; by invoice, whole
or the only subset of its orders. What could be read in two ways is allocated in none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.columns import Bools, Ints, count, has, pairs_of, starts, total
from reconcile.matching.subsets import MOST_STEPS, only_subset

# Shared out evenly, so that no payment's search depends on the one before it; a few seconds.
_ALL_STEPS = 1_000_000_000
_NO_SHARES = pd.DataFrame({"payment": [], "money": [], "amount": []}, dtype="int64")


@dataclass(frozen=True)
class Allocation:
    """``shares``: ``payment`` (position), ``money`` (row of the money table), ``amount``.

    ``undecided`` marks payments that have references and could not be allocated in full;
    ``touched`` holds the money rows that each of those could belong to (``payment, money``).
    ``searched`` marks payments of a part of an invoice: they share the steps of the search.
    """

    shares: pd.DataFrame
    undecided: Bools
    touched: pd.DataFrame
    searched: Bools


@dataclass(frozen=True)
class Invoiced:
    """Invoices as payments see them.

    ``orders``: per invoice and money row the amount billed on it (``invoice``, ``money``,
    ``amount``). ``totals``: the whole of each invoice, with lines of unknown orders.
    """

    orders: pd.DataFrame
    totals: Ints


def allocate(
    amounts: Ints,
    by_order: pd.DataFrame,
    by_invoice: pd.DataFrame,
    payable: tuple[Ints, Bools],
    invoiced: Invoiced,
    *,
    back: bool = False,
) -> Allocation:
    """Allocate payments, or refunds received (``back``); the amounts of both are positive.

    A credit that is set off in a payment is a negative share: the shares of a payment add up
    to what it pays. A credit note is given back as an invoice is paid.

    ``by_order``: ``payment``, ``money`` (-1 where the order is not found). ``by_invoice``:
    ``payment``, ``invoice`` (-1 where it is not known); of payments without order references.
    ``payable``: minor units of each money row, and where they are known.
    """
    payments = len(amounts)
    if by_order.empty and by_invoice.empty:
        none = np.zeros(payments, dtype=bool)
        return Allocation(_NO_SHARES, none, _NO_SHARES[["payment", "money"]], none)
    parts = [_by_one_order(amounts, by_order), _by_orders(amounts, by_order, payable)]
    invoices = count(by_invoice["payment"].to_numpy(), payments)
    one = by_invoice[invoices[by_invoice["payment"]] == 1]
    several = by_invoice[invoices[by_invoice["payment"]] > 1]
    sign = _signs(by_invoice, invoiced, payments) if back else np.ones(payments, np.int64)
    parts.append(_by_invoices(amounts, several, invoiced, sign))
    alone, searched = _by_one_invoice(amounts, one[one["invoice"] >= 0], invoiced, sign)
    parts += alone
    shares = pd.concat([part for part in parts if len(part)] or [_NO_SHARES], ignore_index=True)
    placed = total(shares["payment"].to_numpy(), shares["amount"].to_numpy(), payments)
    # An invoice whose other lines name no known order can give more than the payment, or less
    # than nothing: then it is not said what was paid.
    beyond = (placed < 0) | (placed > amounts)
    shares = shares[~beyond[shares["payment"].to_numpy(np.int64)]].reset_index(drop=True)
    placed = np.where(beyond, 0, placed)
    named = pd.concat([by_order["payment"], by_invoice["payment"]]).unique()
    undecided = np.zeros(payments, dtype=bool)
    undecided[named] = True
    undecided &= placed != amounts
    touched = _touched(by_order, by_invoice, invoiced, undecided)
    return Allocation(shares, undecided, touched, has(searched, payments))


def _by_one_order(amounts: Ints, by_order: pd.DataFrame) -> pd.DataFrame:
    references = count(by_order["payment"].to_numpy(), len(amounts))
    lone = by_order[(references[by_order["payment"]] == 1) & (by_order["money"] >= 0)]
    return pd.DataFrame(lone.assign(amount=amounts[lone["payment"]]))


def _by_orders(amounts: Ints, by_order: pd.DataFrame, payable: tuple[Ints, Bools]) -> pd.DataFrame:
    """Several references: each gets its payable where they add up to the payment exactly."""
    references = count(by_order["payment"].to_numpy(), len(amounts))
    rows = by_order[references[by_order["payment"]] > 1]
    if rows.empty:
        return _NO_SHARES
    payment, money = rows["payment"].to_numpy(), rows["money"].to_numpy()
    due = np.where(money >= 0, np.append(payable[0], 0)[money], 0)
    unsure = (money < 0) | ~np.append(payable[1], False)[money]
    blocked = total(payment, unsure.astype(np.int64), len(amounts)) > 0
    exact = ~blocked & (total(payment, due, len(amounts)) == amounts)
    fits = exact[payment]
    return pd.DataFrame(rows[fits].assign(amount=due[fits]))


def _signs(rows: pd.DataFrame, invoiced: Invoiced, payments: int) -> Ints:
    """Per refund -1 where what it names adds up to a credit, else 1."""
    invoice = rows["invoice"].to_numpy()
    named = np.where(invoice >= 0, np.append(invoiced.totals, 0)[invoice], 0)
    return np.where(total(rows["payment"].to_numpy(), named, payments) < 0, -1, 1)


def _by_invoices(amounts: Ints, rows: pd.DataFrame, invoiced: Invoiced, sign: Ints) -> pd.DataFrame:
    """Several invoices: all are paid where their totals add up to the payment exactly."""
    if rows.empty:
        return _NO_SHARES
    payment, invoice = rows["payment"].to_numpy(), rows["invoice"].to_numpy()
    due = np.where(invoice >= 0, np.append(invoiced.totals, 0)[invoice], 0)
    blocked = total(payment, (invoice < 0).astype(np.int64), len(amounts)) > 0
    exact = ~blocked & (total(payment, due, len(amounts)) * sign == amounts)
    found = _whole(rows[exact[payment]], invoiced, sign)
    # An order on an invoice and on its credit note gets the balance of both.
    return found.groupby(["payment", "money"], as_index=False).agg({"amount": "sum"})


def _whole(rows: pd.DataFrame, invoiced: Invoiced, sign: Ints) -> pd.DataFrame:
    """Each payment pays every order of its invoice what the invoice bills for it."""
    orders = invoiced.orders
    billed = orders["invoice"].to_numpy()
    at, order = pairs_of(rows["invoice"].to_numpy(), billed, len(invoiced.totals))
    payment, amount = rows["payment"].to_numpy()[at], orders["amount"].to_numpy()[order]
    return _shares(payment, orders["money"].to_numpy()[order], amount * sign[payment])


def _by_one_invoice(
    amounts: Ints, rows: pd.DataFrame, invoiced: Invoiced, sign: Ints
) -> tuple[list[pd.DataFrame], Ints]:
    """One invoice: the whole of it, its only order, or the only subset that adds up.

    Also gives back the payments for which a subset was looked for.
    """
    if rows.empty:
        return [], np.zeros(0, dtype=np.int64)
    payment, invoice = rows["payment"].to_numpy(), rows["invoice"].to_numpy()
    paid, whole = amounts[payment], invoiced.totals[invoice] * sign[payment]
    orders = invoiced.orders
    size = count(orders["invoice"].to_numpy(), len(invoiced.totals))
    billed = total(orders["invoice"].to_numpy(), orders["amount"].to_numpy(), len(size))
    single = (size[invoice] == 1) & (billed == invoiced.totals)[invoice]
    full = ~single & (paid >= whole) & (whole > 0)
    at, order = pairs_of(
        np.where(single, invoice, -1), orders["invoice"].to_numpy(), len(invoiced.totals)
    )
    alone = _shares(payment[at], orders["money"].to_numpy()[order], paid[at])
    smaller = rows[~single & ~full & (whole > 0)].sort_values(["invoice", "payment"])
    found = [alone, _whole(rows[full], invoiced, sign), *_parts(smaller, amounts, invoiced, sign)]
    return found, smaller["payment"].to_numpy(np.int64)


def _parts(
    smaller: pd.DataFrame, amounts: Ints, invoiced: Invoiced, sign: Ints
) -> list[pd.DataFrame]:
    """What payments of parts of invoices pay; ``smaller`` stands by invoice and payment."""
    orders, number = invoiced.orders, smaller["invoice"].to_numpy(np.int64)
    asked = has(number, len(invoiced.totals))[orders["invoice"].to_numpy()]
    mine = orders[asked].sort_values(["invoice", "amount", "money"])
    first = np.flatnonzero(starts(number))
    stop, numbers = np.append(first[1:], len(number)), number[first]
    begin, end = (np.searchsorted(mine["invoice"], numbers, side) for side in ("left", "right"))
    money, due = mine["money"].to_numpy(), mine["amount"].to_numpy()
    payment = smaller["payment"].to_numpy()
    most_steps = min(MOST_STEPS, _ALL_STEPS // max(len(smaller), 1))
    found: list[tuple[Ints, Ints, Ints]] = []
    # Invoices that are paid in parts are few, and each needs a search of its own.
    for nth, one in enumerate(numbers):
        here, group = slice(begin[nth], end[nth]), payment[first[nth] : stop[nth]]
        complete = due[here].sum() == invoiced.totals[one]
        parts = due[here] * sign[group[0]]
        if (parts >= 0).all():  # which orders a credit among them is set off against is not said
            orders_here = (money[here], parts)
            found += _in_parts(group, amounts, orders_here, most_steps, complete=complete)
    if not found:
        return []
    return [_shares(*(np.concatenate(pieces) for pieces in zip(*found, strict=True)))]


def _in_parts(
    paid: Ints, amounts: Ints, orders: tuple[Ints, Ints], most_steps: int, *, complete: bool
) -> list[tuple[Ints, Ints, Ints]]:
    """Smaller payments of one invoice: the only subset each; the rest together pay the rest."""
    money, due = orders
    found, waiting, open_orders = [], [], np.ones(len(money), dtype=bool)
    for payment in paid:
        subset = only_subset(due, int(amounts[payment]), most_steps)
        if subset.outcome == "only":
            at = list(subset.chosen)
            open_orders[at] = False
            found.append((np.full(len(at), payment), money[at], due[at]))
        else:
            waiting.append(payment)
    left = np.array(
        sorted(waiting, key=lambda payment: (amounts[payment], payment)), dtype=np.int64
    )
    rest_is_paid = len(left) and amounts[left].sum() == due[open_orders].sum()
    if rest_is_paid and complete and (due[open_orders] > 0).all():
        found += _laid_together(left, amounts[left], money[open_orders], due[open_orders])
    return found


def _laid_together(
    payments: Ints, paid: Ints, money: Ints, due: Ints
) -> list[tuple[Ints, Ints, Ints]]:
    """Payments and orders of one sum laid end to end: each piece is a share."""
    ends = np.unique(np.concatenate([paid.cumsum(), due.cumsum()]))
    laid = (
        payments[np.searchsorted(paid.cumsum(), ends)],
        money[np.searchsorted(due.cumsum(), ends)],
        np.diff(ends, prepend=0),
    )
    # Each order is paid once all of them are: every payment touches every order, if by nothing.
    size = len(payments) * len(money)
    nothing = np.zeros(size, dtype=np.int64)
    return [laid, (np.repeat(payments, len(money)), np.tile(money, len(payments)), nothing)]


def _shares(payment: Ints, money: Ints, amount: Ints) -> pd.DataFrame:
    return pd.DataFrame({"payment": payment, "money": money, "amount": amount})


def _touched(
    by_order: pd.DataFrame, by_invoice: pd.DataFrame, invoiced: Invoiced, undecided: Bools
) -> pd.DataFrame:
    """The money rows that an undecided payment could belong to."""
    orders = by_order[undecided[by_order["payment"]] & (by_order["money"] >= 0)]
    rows = by_invoice[undecided[by_invoice["payment"]]]
    whole = np.ones(len(undecided), dtype=np.int64)
    both = pd.concat([orders, _whole(rows, invoiced, whole)])[["payment", "money"]]
    return both.drop_duplicates(ignore_index=True)
