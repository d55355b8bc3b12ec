"""Texts of one row joined into one, with and without those that are not there."""

from __future__ import annotations

import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.joined import are_among, filled_parts, listed, side_by_side

rows = st.lists(st.tuples(*[st.none() | st.sampled_from(["", "a", "é"])] * 3))


@given(rows)
def test_parts_that_are_not_there_leave_no_gap(found: list[tuple[str | None, ...]]) -> None:
    parts = [pa.array([row[at] for row in found], pa.string()) for at in range(3)]
    assert filled_parts(*parts, between="; ").to_pylist() == [
        "; ".join(text for text in row if text is not None) for row in found
    ]
    assert side_by_side("<", *parts, ">").to_pylist() == [
        None if None in row else f"<{''.join(str(text) for text in row)}>" for row in found
    ]


@pytest.mark.parametrize("size", [0, 1, 3])
def test_rows_of_nothing_are_blank(size: int) -> None:
    assert filled_parts(pa.nulls(size, pa.string()), between="; ").to_pylist() == [""] * size


texts = st.lists(st.none() | st.sampled_from(["", "a", "é", "b"]))


@given(texts, texts)
def test_texts_are_found_among_others_as_pandas_finds_them(
    mine: list[str | None], others: list[str | None]
) -> None:
    one, other = (pd.Series(found, dtype="str") for found in (mine, others))
    assert are_among(one, other).tolist() == one.isin(other).tolist()


def test_names_are_listed_by_owner() -> None:
    owner = pd.Series([4, 7, 7, 1, 1, 1, 9, 9, 9, 9])
    names = pd.Series(list("abcdefghij"), dtype="str")
    assert listed(owner, names, 2).to_dict() == {
        4: "a",
        7: "b and c",
        1: "d, e and 1 more",
        9: "g, h and 2 more",
    }
    assert listed(owner, names, 3)[1] == "d, e and f"
    assert listed(owner[:0], names[:0], 2).to_dict() == {}
