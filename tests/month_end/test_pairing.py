"""Knots of bank rows and movements, and references inside free text."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.month_end.free_text import named_in
from reconcile.month_end.resolve import resolve

_AMOUNTS = st.lists(st.integers(1, 9), min_size=1, max_size=5)


@pytest.mark.parametrize(
    ("rows", "movements", "groups", "twice", "tied"),
    [
        ([-5], [-5], [((0,), (0,))], [], ((), ())),
        ([-5, -5], [-5], [((0,), (0,))], [(1, 0)], ((), ())),
        ([-5], [-2, -3], [((0,), (0, 1))], [], ((), ())),
        ([-2, -3], [-5], [((0, 1), (0,))], [], ((), ())),
        ([-5], [-6], [((0,), (0,))], [], ((), ())),  # named, with another amount
        ([-5, -7], [-7, -5], [((0,), (1,)), ((1,), (0,))], [], ((), ())),
        ([-5], [-5, -5], [], [], ((0,), (0, 1))),  # which of the two, nobody can say
        ([-5], [-2, -3, -4], [((0,), (0, 1))], [], ((), ())),  # the only set
        ([-5], [-1, -4, -2, -3], [], [], ((0,), (0, 1, 2, 3))),  # two sets
    ],
)
def test_a_knot(
    rows: list[int],
    movements: list[int],
    groups: list[object],
    twice: list[object],
    tied: tuple[object, object],
) -> None:
    found = resolve(rows, movements)
    assert (found.groups, found.twice, found.tied) == (groups, twice, tied)


@given(_AMOUNTS, _AMOUNTS)
def test_nothing_is_in_two_places(rows: list[int], movements: list[int]) -> None:
    found = resolve(rows, movements)
    of_rows = [row for group in found.groups for row in group[0]]
    of_rows += [row for row, _ in found.twice] + list(found.tied[0])
    of_movements = [at for group in found.groups for at in group[1]] + list(found.tied[1])
    assert len(of_rows) == len(set(of_rows))
    assert len(of_movements) == len(set(of_movements))
    assert set(of_rows) <= set(range(len(rows)))
    assert set(of_movements) <= set(range(len(movements)))


@pytest.mark.parametrize(
    ("text", "key", "named"),
    [
        ("SEPA PAY-1001 KESTREL", "PAY-1001", True),
        ("EREF+PAY-1001", "pay 1001", True),
        ("payment pay1001", "PAY-1001", True),
        ("PAY-001001", "PAY-1001", True),
        ("PAY-10010", "PAY-1001", False),
        ("PAY-1001-2", "PAY-1001", True),
        ("PAY 12 1001", "PAY-1001", False),
        ("order 12", "12", False),  # too short to be looked for
        ("PO-0001", "PO-0001", True),
        ("", "PAY-1001", False),
    ],
)
def test_a_reference_inside_a_text(text: str, key: str, *, named: bool) -> None:
    rows = pd.DataFrame({"reference": [text]}, dtype="str")
    keys = pd.DataFrame({"movement": [0], "key": [key], "level": [1]})
    assert len(named_in(rows, keys)) == int(named)
