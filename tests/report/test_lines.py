"""Lines of a message, by column, against the standard library text by text."""

from __future__ import annotations

import textwrap

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.report import columns
from reconcile.report.lines import plain, plain_texts, wrapped_texts

words = st.lists(st.sampled_from(["a", "LL-1", "seven77", "x" * 30, "Zoë", "", "\t", "日本"]))
texts = words.map(" ".join) | st.text(st.characters(exclude_categories=["Cs"]))


@given(st.lists(texts), st.integers(min_value=1, max_value=40))
def test_texts_break_where_the_standard_library_breaks_them(found: list[str], width: int) -> None:
    array = pa.array(found, pa.large_string())
    plain_ones = plain_texts(array)
    assert plain_ones.to_pylist() == [plain(text) for text in found]
    assert all(text.isprintable() and text == text.strip() for text in plain_ones.to_pylist())
    assert wrapped_texts(plain_ones, width).to_pylist() == [
        textwrap.fill(plain(text), width, break_long_words=False, break_on_hyphens=False)
        for text in found
    ]


@given(st.lists(texts, min_size=2), st.integers(min_value=1, max_value=40))
def test_a_part_of_a_column_breaks_as_the_whole_does(found: list[str], width: int) -> None:
    array = plain_texts(pa.array(found, pa.large_string()))
    whole = wrapped_texts(array, width).to_pylist()
    assert wrapped_texts(array.slice(1), width).to_pylist() == whole[1:]


@pytest.mark.parametrize(
    ("amount", "shown"),
    [
        *(("0", "0"), ("999.50", "999.50"), ("1000", "1,000"), ("-1234.50", "-1,234.50")),
        *(("-999.99", "-999.99"), ("1234567.891", "1,234,567.891"), (None, None)),
        ("9223372036854775807", "9,223,372,036,854,775,807"),
    ],
)
def test_thousands_are_set_apart(amount: str | None, shown: str | None) -> None:
    assert columns.grouped(pa.array([amount], pa.string())).to_pylist() == [shown]
