"""Allocation of random payments over random invoices, against the plainest way to do it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.matching.payments import Invoiced, allocate
from tests.matching.test_subsets import every_subset

MONEY = 5  # supplier orders


@dataclass
class Case:
    """Payments with their references, and invoices over some of the supplier orders."""

    payments: list[tuple[int, list[int], list[int]]]  # amount, money rows or -1, invoices or -1
    payable: list[int | None]
    invoices: list[dict[int, int]] = field(default_factory=list)  # money row: amount billed
    elsewhere: list[int] = field(default_factory=list)  # billed for orders that are not known


@st.composite
def cases(draw: st.DrawFn) -> Case:
    cents = st.one_of(st.integers(1, 9), st.integers(-4, 9))  # now and then a credit
    payable = draw(st.lists(st.one_of(st.none(), cents), min_size=MONEY, max_size=MONEY))
    bills = st.dictionaries(st.integers(0, MONEY - 1), cents, min_size=1, max_size=4)
    invoices = draw(st.lists(bills, min_size=1, max_size=3))
    elsewhere = draw(
        st.lists(st.sampled_from([0, 0, 0, 4]), min_size=len(invoices), max_size=len(invoices))
    )
    money = st.lists(st.integers(-1, MONEY - 1), max_size=3, unique=True)
    numbers = st.lists(st.integers(-1, len(invoices) - 1), max_size=2, unique=True)
    payments = []
    for orders, numbered in draw(st.lists(st.tuples(money, numbers), min_size=1, max_size=5)):
        named = [] if orders else numbered
        wholes = [sum(payable[at] or 0 for at in orders if at >= 0)]
        wholes += [sum(invoices[at].values()) + elsewhere[at] for at in named if at >= 0]
        amount = draw(st.one_of(st.integers(1, 25), st.sampled_from([*wholes, sum(wholes)])))
        payments.append((max(amount, 1), orders, named))
    return Case(payments, payable, invoices, elsewhere)


def _run(case: Case) -> tuple[Counter[tuple[int, int]], list[bool], set[tuple[int, int]]]:
    """Amounts by payment and money row, which payments are undecided, and what they touch."""
    by_order = [(at, row) for at, (_, rows, _) in enumerate(case.payments) for row in rows]
    by_invoice = [(at, one) for at, (_, _, ones) in enumerate(case.payments) for one in ones]
    billed = [
        (at, row, amount)
        for at, invoice in enumerate(case.invoices)
        for row, amount in sorted(invoice.items())
    ]
    totals = [
        sum(invoice.values()) + other
        for invoice, other in zip(case.invoices, case.elsewhere, strict=True)
    ]
    found = allocate(
        np.array([payment[0] for payment in case.payments], dtype=np.int64),
        pd.DataFrame(by_order, columns=["payment", "money"], dtype="int64"),
        pd.DataFrame(by_invoice, columns=["payment", "invoice"], dtype="int64"),
        (
            np.array([amount or 0 for amount in case.payable], dtype=np.int64),
            np.array([amount is not None for amount in case.payable]),
        ),
        Invoiced(
            pd.DataFrame(billed, columns=["invoice", "money", "amount"], dtype="int64"),
            np.array(totals, dtype=np.int64),
        ),
    )
    shares: Counter[tuple[int, int]] = Counter()
    for payment, money, amount in found.shares[["payment", "money", "amount"]].to_numpy():
        shares[int(payment), int(money)] += int(amount)
    touched = {(int(one), int(row)) for one, row in found.touched.to_numpy()}
    return shares, found.undecided.tolist(), touched


def _expected(case: Case) -> Counter[tuple[int, int]]:
    """What each payment pays, where it stands alone on its invoice."""
    shares: Counter[tuple[int, int]] = Counter()
    for at, (amount, rows, named) in enumerate(case.payments):
        for row, part in _parts(case, amount, rows, named).items():
            shares[at, row] += part
    return shares


def _parts(case: Case, amount: int, rows: list[int], named: list[int]) -> dict[int, int]:
    if len(rows) == 1:
        return {rows[0]: amount} if rows[0] >= 0 else {}
    if rows:
        due = {row: case.payable[row] if row >= 0 else None for row in rows}
        parts = {row: part for row, part in due.items() if part is not None}
        return parts if len(parts) == len(rows) and sum(parts.values()) == amount else {}
    return _by_number(case, amount, named) if named and -1 not in named else {}


def _by_number(case: Case, amount: int, named: list[int]) -> dict[int, int]:
    bills: Counter[int] = Counter()
    for number in named:
        bills.update(case.invoices[number])
    total = sum(bills.values()) + sum(case.elsewhere[number] for number in named)
    if len(named) > 1:
        return dict(bills) if total == amount else {}
    if len(bills) == 1 and not case.elsewhere[named[0]]:
        return dict.fromkeys(bills, amount)
    if total <= 0:
        return {}
    if amount >= total:
        return dict(bills)
    if min(bills.values()) < 0:
        return {}
    money = sorted(bills)
    subsets = every_subset([bills[row] for row in money], amount)
    return {money[at]: bills[money[at]] for at in subsets[0]} if len(subsets) == 1 else {}


@settings(max_examples=50)
@given(cases())
def test_every_minor_unit_is_allocated_or_left(case: Case) -> None:
    shares, undecided, touched = _run(case)
    used: Counter[int] = Counter()
    for (payment, money), amount in shares.items():
        used[payment] += amount
        assert 0 <= money < MONEY
    for at, (amount, rows, named) in enumerate(case.payments):
        assert 0 <= used[at] <= amount
        assert undecided[at] == (bool(rows or named) and used[at] < amount)
    for at, row in touched:
        _, rows, named = case.payments[at]
        assert undecided[at]
        assert row in rows or any(row in case.invoices[number] for number in named if number >= 0)


@settings(max_examples=50)
@given(cases())
def test_payments_pay_what_they_say_and_nothing_is_guessed(case: Case) -> None:
    shares, _, _ = _run(case)
    expected = _expected(case)
    # Smaller payments of one invoice may pay its rest together: those alone may be more.
    together = Counter(named[0] for _, rows, named in case.payments if not rows and len(named) == 1)
    for at, (_, _, named) in enumerate(case.payments):
        mine = Counter({row: amount for (one, row), amount in shares.items() if one == at})
        plain = Counter({row: amount for (one, row), amount in expected.items() if one == at})
        if mine != plain:  # a share of nothing is none
            assert not any(plain.values())
            assert len(named) == 1
            assert together[named[0]] > 1


@settings(max_examples=40)
@given(cases())
def test_order_of_payments_does_not_matter(case: Case) -> None:
    turned = Case(case.payments[::-1], case.payable, case.invoices, case.elsewhere)
    one, other = _run(case), _run(turned)
    last = len(case.payments) - 1
    assert one[1] == other[1][::-1]
    assert one[2] == {(last - at, row) for at, row in other[2]}
    by_money: list[Counter[int]] = [Counter(), Counter()]
    for which, shares in enumerate((one[0], other[0])):
        for (_, row), amount in shares.items():
            by_money[which][row] += amount
    assert by_money[0] == by_money[1]
