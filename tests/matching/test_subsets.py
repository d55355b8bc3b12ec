"""The only subset of amounts, against trying all of them."""

from __future__ import annotations

import time
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.matching.subsets import MOST_AMOUNTS, Subset, only_subset


def _all(amounts: list[int], target: int) -> list[tuple[int, ...]]:
    usable = [at for at, amount in enumerate(amounts) if amount > 0]
    return [
        chosen
        for size in range(1, len(usable) + 1)
        for chosen in combinations(usable, size)
        if sum(amounts[at] for at in chosen) == target
    ]


@given(st.lists(st.integers(-5, 30), max_size=9), st.integers(-3, 120))
def test_search_finds_what_trying_all_finds(amounts: list[int], target: int) -> None:
    every = _all(amounts, target)
    expected = {0: Subset("none"), 1: Subset("only", every[0] if every else ())}
    assert only_subset(amounts, target) == expected.get(len(every), Subset("several"))


@given(st.lists(st.integers(1, 10**12), min_size=1, max_size=12), st.data())
def test_a_sum_of_some_is_always_found(amounts: list[int], data: st.DataObject) -> None:
    chosen = data.draw(st.sets(st.integers(0, len(amounts) - 1), min_size=1))
    found = only_subset(amounts, sum(amounts[at] for at in chosen))
    assert found == Subset("only", tuple(sorted(chosen))) or found.outcome == "several"


@given(st.lists(st.integers(1, 50), max_size=8), st.integers(1, 100))
def test_order_of_amounts_does_not_matter(amounts: list[int], target: int) -> None:
    one = only_subset(amounts, target)
    other = only_subset(amounts[::-1], target)
    assert one.outcome == other.outcome
    mirrored = tuple(sorted(len(amounts) - 1 - at for at in other.chosen))
    assert one.chosen == mirrored


def test_equal_amounts_of_other_orders_are_several() -> None:
    assert only_subset([500, 500], 500) == Subset("several")
    assert only_subset([500, 500], 1000) == Subset("only", (0, 1))


@pytest.mark.parametrize("target", [0, -1])
def test_nothing_is_no_payment(target: int) -> None:
    assert only_subset([1, 2], target) == Subset("none")
    assert only_subset([], target) == Subset("none")


def test_search_is_bounded() -> None:
    many = [3**at % 1_000_003 for at in range(MOST_AMOUNTS)]
    begin = time.perf_counter()
    # The first in which nothing adds up: the whole search is done.
    assert only_subset([2 * amount for amount in many], sum(many) | 1).outcome == "none"
    assert time.perf_counter() - begin < 20
    assert only_subset([*many, 1], sum(many) // 2).outcome == "too-many"


def test_amounts_above_the_target_do_not_count_against_the_bound() -> None:
    assert only_subset([*[10_000] * 60, 7, 8], 15) == Subset("only", (60, 61))
