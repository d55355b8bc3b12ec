"""The only subset of amounts, against trying all of them and against an integer solver."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from functools import partial
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from ortools.sat.python import cp_model

from reconcile.matching import subset_search, subsets
from reconcile.matching.subset_search import MOST_BY_HALVES, by_halves, by_reach
from reconcile.matching.subsets import MOST_STEPS, Subset, only_subset

Ints = NDArray[np.int64]
RNG_SEED = 20_260_320
OUTCOMES = ("none", "only")


def _subset(amounts: list[int], target: int) -> Subset:
    return only_subset(np.array(amounts, dtype=np.int64), target)


def every_subset(amounts: list[int], target: int) -> list[tuple[int, ...]]:
    """All subsets of positive amounts with this sum, in the plainest way."""
    usable = [at for at, amount in enumerate(amounts) if amount > 0]
    return [
        chosen
        for size in range(1, len(usable) + 1)
        for chosen in combinations(usable, size)
        if sum(amounts[at] for at in chosen) == target
    ]


def _assert_told(
    found: Subset, amounts: list[int], target: int, every: list[tuple[int, ...]]
) -> None:
    assert found.outcome == (OUTCOMES[len(every)] if len(every) < 2 else "several")
    told = [one for one in (found.chosen, found.other) if one]
    assert len(set(told)) == min(len(every), 2)
    assert set(told) <= set(every), (amounts, target)


@given(st.lists(st.integers(-5, 30), max_size=9), st.integers(-3, 120))
def test_search_finds_what_trying_all_finds(amounts: list[int], target: int) -> None:
    _assert_told(_subset(amounts, target), amounts, target, every_subset(amounts, target))


def _draws(rng: np.random.Generator, cases: int, most: int) -> Iterator[tuple[Ints, int]]:
    """Amounts of few or many values, of one unit or of cents, and a target that often adds up."""
    for _ in range(cases):
        size = int(rng.integers(1, most + 1))
        unit = int(rng.choice([1, 1, 5, 100]))
        dearest = int(rng.choice([6, 60, 5_000, 10**6, 10**12]))
        amounts = rng.integers(0, dearest, size, endpoint=True) * unit
        target = int(amounts[rng.random(size) < rng.choice([0.2, 0.5, 0.9])].sum())
        if rng.random() < 0.25:
            target += int(rng.integers(-3, 3, endpoint=True))
        yield amounts, target


def test_thousands_of_cases_against_the_sums_of_all_subsets() -> None:
    """The oracle is the whole list of 2^n sums, made by numpy."""
    rng = np.random.default_rng(RNG_SEED)
    seen: dict[str, int] = {}
    for amounts, target in _draws(rng, 10_000, 14):
        sums = np.zeros(1, dtype=np.int64)
        for amount in amounts:
            sums = np.concatenate([sums, sums + amount])
        bits = np.flatnonzero(sums == target)
        nothing = sum(1 << at for at, amount in enumerate(amounts) if amount == 0)
        bits = bits[((bits & nothing) == 0) & (bits > 0)]
        every = {tuple(at for at in range(len(amounts)) if int(b) >> at & 1) for b in bits[:50]}
        found = only_subset(amounts, target)
        assert found.outcome == ("none", "only", "several")[min(len(bits), 2)], (amounts, target)
        if found.outcome != "none" and len(bits) <= 50:
            assert found.chosen in every
        if found.outcome == "several":
            assert found.chosen != found.other
            for one in (found.chosen, found.other):
                assert int(amounts[list(one)].sum()) == target
        seen[found.outcome] = seen.get(found.outcome, 0) + 1
    assert min(seen.values()) > 500
    assert set(seen) == {"none", "only", "several"}


@pytest.mark.parametrize("way", ["halves", "reach"])
def test_both_ways_give_the_same(way: str) -> None:
    rng = np.random.default_rng(RNG_SEED + 1)
    for amounts, target in _draws(rng, 1_500, 12):
        mine = np.sort(amounts[(amounts > 0) & (amounts <= target)])
        if not len(mine) or target > 10**6:
            continue
        every = every_subset(mine.tolist(), target)
        if way == "halves":
            found = by_halves(mine, target)
        else:
            told, _ = by_reach(mine, target, MOST_STEPS)
            assert told is not None
            found = told
        assert len(found) == len(set(found)) == min(len(every), 2)
        assert set(found) <= set(every)


def _solved(amounts: Ints, target: int) -> list[tuple[int, ...]]:
    """Up to two solutions by CP-SAT (OR-Tools): the first, then any that is not the first."""
    model = cp_model.CpModel()
    taken = [model.new_bool_var(str(at)) for at in range(len(amounts))]
    model.add(cp_model.LinearExpr.weighted_sum(taken, amounts.tolist()) == target)
    found: list[tuple[int, ...]] = []
    for _ in range(2):
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = 1
        status = solver.solve(model)
        if status == cp_model.INFEASIBLE:
            break
        assert status in (cp_model.OPTIMAL, cp_model.FEASIBLE)
        chosen = tuple(at for at, one in enumerate(taken) if solver.boolean_value(one))
        found.append(chosen)
        model.add_bool_or([one.negated() if at in chosen else one for at, one in enumerate(taken)])
    return found


def test_larger_cases_against_an_integer_solver() -> None:
    """The oracle is CP-SAT of OR-Tools, which knows nothing of how the search goes."""
    rng = np.random.default_rng(RNG_SEED + 2)
    seen: dict[str, int] = {}
    for _ in range(150):
        size = int(rng.integers(15, 46))
        dearest = int(rng.choice([2_000, 20_000, 100_000]))
        amounts = rng.integers(dearest // 20, dearest, size)
        some = rng.choice(size, int(rng.integers(1, 6)), replace=False)
        target = int(amounts[some].sum()) + int(rng.choice([0, 0, 0, 1]))
        found, every = only_subset(amounts, target), _solved(amounts, target)
        assert found.outcome == ("none", "only", "several")[len(every)], (amounts, target)
        for one in (found.chosen, found.other):
            assert int(amounts[list(one)].sum()) in (target, 0)
        if found.outcome == "only":
            assert [found.chosen] == every
        seen[found.outcome] = seen.get(found.outcome, 0) + 1
    assert min(seen.get(name, 0) for name in ("none", "only", "several")) > 10


@given(st.lists(st.integers(1, 10**12), min_size=1, max_size=12), st.data())
def test_a_sum_of_some_is_always_found(amounts: list[int], data: st.DataObject) -> None:
    chosen = data.draw(st.sets(st.integers(0, len(amounts) - 1), min_size=1))
    found = _subset(amounts, sum(amounts[at] for at in chosen))
    assert found == Subset("only", tuple(sorted(chosen))) or found.outcome == "several"


@given(st.lists(st.integers(1, 50), max_size=8), st.integers(1, 100))
def test_order_of_amounts_does_not_matter(amounts: list[int], target: int) -> None:
    one, other = _subset(amounts, target), _subset(amounts[::-1], target)
    assert one.outcome == other.outcome
    mirrored = tuple(sorted(len(amounts) - 1 - at for at in other.chosen))
    assert one.outcome == "several" or one.chosen == mirrored


def test_equal_amounts_of_other_orders_are_several() -> None:
    assert _subset([500, 500], 500) == Subset("several", (0,), (1,))
    assert _subset([500, 500], 1000) == Subset("only", (0, 1))
    assert _subset([500, 500, 700], 1200).outcome == "several"
    assert _subset([500, 500, 700], 1000) == Subset("only", (0, 1))


def test_one_amount_and_a_sum_are_several() -> None:
    assert _subset([15, 25, 40], 40) == Subset("several", (2,), (0, 1))


@pytest.mark.parametrize("target", [0, -1])
def test_nothing_is_no_payment(target: int) -> None:
    assert _subset([1, 2], target) == Subset("none")
    assert _subset([], target) == Subset("none")


def test_zero_is_never_part() -> None:
    assert _subset([0, 5], 5) == Subset("only", (1,))
    assert _subset([0], 0) == Subset("none")


def test_amounts_above_the_target_do_not_matter() -> None:
    assert _subset([*[10_000] * 60, 7, 8], 15) == Subset("only", (60, 61))


def test_what_does_not_fit_into_64_bits_is_given_up() -> None:
    most = int(np.iinfo(np.int64).max)
    assert _subset([most - 1, 2, 3], most) == Subset("gave-up")
    assert _subset([most], most).outcome == "gave-up"


# Bounds: the search counts its steps and never looks at a clock.


def _seconds(search: Callable[[], Subset]) -> tuple[Subset, float]:
    begun = time.process_time()
    return search(), time.process_time() - begun


def _forty(rng: np.random.Generator) -> Iterator[tuple[Ints, int]]:
    for dearest in (10**4, 10**6, 10**7, 10**10):
        amounts = rng.integers(dearest // 10, dearest, MOST_BY_HALVES)
        yield amounts, int(amounts.sum()) // 2
        yield amounts, int(amounts[:5].sum())
        yield np.append(amounts[1:] * 2, 1), int(amounts.sum()) | 1


def test_forty_amounts_are_always_decided_and_soon() -> None:
    for amounts, target in _forty(np.random.default_rng(RNG_SEED)):
        found, seconds = _seconds(partial(only_subset, amounts, target))
        assert found.outcome != "gave-up"
        assert seconds < 0.5  # it takes 0.06 where nothing else runs


def test_two_hundred_amounts_are_decided_or_given_up_soon() -> None:
    rng = np.random.default_rng(RNG_SEED)
    seen = set()
    for dearest in (10**4, 10**5, 10**6, 10**7):
        amounts = rng.integers(dearest // 10, dearest, 200)
        for target in (int(amounts[:3].sum()), int(amounts.sum()) // 3, int(amounts.sum()) // 2):
            found, seconds = _seconds(partial(only_subset, amounts, target))
            assert seconds < 3  # it takes 0.6 where nothing else runs
            assert found.steps < 6 * MOST_STEPS
            seen.add(found.outcome)
    assert seen == {"several", "gave-up"}


def test_with_fewer_steps_the_answer_is_the_same_or_given_up() -> None:
    rng = np.random.default_rng(RNG_SEED + 3)
    given_up = 0
    for amounts, target in _draws(rng, 300, 60):
        whole = only_subset(amounts, target)
        for most in (0, 1_000, 100_000):
            found = only_subset(amounts, target, most)
            given_up += found.outcome == "gave-up" != whole.outcome
            assert found.outcome in (whole.outcome, "gave-up")
            assert found == whole or found.outcome != "only"
    assert given_up > 50


def test_of_what_is_given_up_the_amount_that_is_the_target_alone_is_told() -> None:
    amounts = np.append(np.arange(50, dtype=np.int64) * 2 + 1_000, 12_345)
    assert only_subset(amounts, 12_345, most_steps=10) == Subset("gave-up", (50,))


def test_the_limits_are_those_of_the_search() -> None:
    assert subset_search.halves_steps(MOST_BY_HALVES) < subsets.MOST_STEPS
    assert subset_search.halves_steps(MOST_BY_HALVES + 1) > subsets.MOST_STEPS
