"""Column operations on whole numbers, against pandas and numpy on random columns."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.matching.columns import (
    before,
    distinct,
    in_order,
    last_rows,
    pairs_of,
    ranked,
    sums,
    texts_at,
)

_GROUPS = 6


@pytest.mark.parametrize("rows", [0, 1, 2, 40])
@pytest.mark.parametrize("seed", range(10))
def test_orders_groups_and_sums_are_those_of_pandas(rows: int, seed: int) -> None:
    """Sorting, sums and earlier rows of groups, in any order of rows."""
    random = np.random.default_rng(seed)
    left, right = random.integers(-3, 4, rows), random.integers(-2, 9, rows)
    values, group = random.integers(-5, 9, rows), random.integers(0, _GROUPS, rows)
    assert in_order(left, right).tolist() == np.lexsort((right, left)).tolist()
    assert in_order(left * 2**40, right * 2**40).tolist() == np.lexsort((right, left)).tolist()
    frame = pd.DataFrame({"left": left, "right": right, "values": values, "group": group})
    earlier = frame.groupby("group")["values"].cumsum() - frame["values"]
    assert before(group, values, _GROUPS).tolist() == earlier.tolist()
    last = ~frame["group"].duplicated(keep="last")
    assert last_rows(group, _GROUPS).tolist() == last.tolist()
    found, amounts = sums(values, left, right)
    wanted = frame.groupby(["left", "right"])["values"].sum()
    assert amounts.tolist() == wanted.tolist()
    assert list(zip(left[found], right[found], strict=True)) == list(wanted.index)


@pytest.mark.parametrize("span", [10, 10**12])
@pytest.mark.parametrize("rows", [0, 1, 50])
def test_distinct_values_are_numbered_by_their_first_rows(rows: int, span: int) -> None:
    """By a table of all values, and by hashing where they lie far apart."""
    values = np.random.default_rng(rows).integers(0, span, rows)
    codes, names = pd.factorize(values)
    numbers, first = distinct(values)
    assert numbers.tolist() == codes.tolist()
    assert values[first].tolist() == names.tolist()


@pytest.mark.parametrize("seed", range(10))
def test_pairs_are_those_of_an_inner_join(seed: int) -> None:
    """Rows without a group have no pair."""
    random = np.random.default_rng(seed)
    left, right = random.integers(-1, 5, 20), random.integers(-1, 5, 12)
    mine = pd.DataFrame({"group": left, "left": np.arange(20)})[left >= 0]
    wanted = mine.merge(pd.DataFrame({"group": right, "right": np.arange(12)}), on="group")
    at, other = pairs_of(left, right, 5)
    assert at.tolist() == wanted["left"].tolist()
    assert other.tolist() == wanted["right"].tolist()


def test_codes_sort_as_their_texts_and_0_is_blank() -> None:
    """Also where no text is blank, and in columns of their own."""
    columns = [pd.Series(["b", "a", "é"], dtype="str"), pd.Series(["c", "a"], dtype="str")]
    codes, names = ranked(*columns)
    assert names.tolist() == ["", "a", "b", "c", "é"]
    assert [code.tolist() for code in codes] == [[2, 1, 4], [3, 1]]
    assert texts_at(names, np.array([4, -1, 0])).tolist() == ["é", "", ""]
    assert texts_at(names.iloc[:0], np.array([-1])).tolist() == [""]
