"""Texts that no spreadsheet runs, amounts that are exact."""

from __future__ import annotations

import csv
import io
import re

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.money import major_text
from reconcile.report import columns
from reconcile.report.csv_files import write_csv

# OWASP, CSV Injection: what a program takes for the start of a formula.
SIGNS = "=+-@\uff1d\uff0b\uff0d\uff20"
CONTROLS = "\t\r\n\x00"
SEPARATORS = ",;|\"'\t\r\n"
SPACES = ["", " ", "  ", "\u00a0", "\u3000", "\ufeff", "\u200b"]

# Texts of mostly dangerous characters; plain text would hardly ever meet two of them in a row.
dangerous = st.text(st.sampled_from([*SIGNS, *CONTROLS, *SEPARATORS, *" \u3000\ufeffa1.é"]))
anything = st.text(st.characters(exclude_categories=["Cs"]))


def _safe(texts: list[str]) -> list[str]:
    return [text or "" for text in columns.safe_text(pd.Series(texts, dtype="str")).to_pylist()]


def _runs(text: str) -> bool:
    """An opinion of its own, by Python's characters: whether a program could run the text."""
    bare = text.lstrip(" \u3000\ufeff\u00a0\u200b")
    return bare[:1] != "" and (bare[0] in SIGNS or bare[0] in CONTROLS)


@pytest.mark.parametrize("space", SPACES)
@pytest.mark.parametrize("sign", [*SIGNS, *CONTROLS])
def test_a_formula_gets_an_apostrophe_even_after_spaces(sign: str, space: str) -> None:
    text = f"{space}{sign}1+1"
    assert _safe(["plain", text, "LL-1001"]) == [
        "plain",
        "'" + text.replace("\x00", "\ufffd"),
        "LL-1001",
    ]


@pytest.mark.parametrize("separator", SEPARATORS)
def test_a_formula_after_a_separator_inside_a_text_is_kept_from_running(separator: str) -> None:
    [text] = _safe([f"a{separator} =1+1"])
    assert text == f"a{separator} '=1+1"


def test_ordinary_references_and_sentences_are_left_alone() -> None:
    texts = ["LL-1001", "1111222233334444", "00123", "10e5", "3 x 2 = 6", "a, b; c", "Kärnten", ""]
    assert _safe(texts) == texts


@given(st.lists(dangerous | anything, max_size=8))
def test_no_text_runs_and_none_loses_a_character(texts: list[str]) -> None:
    safe = _safe(texts)
    for text, shown in zip(texts, safe, strict=True):
        assert not _runs(shown)
        for part in re.split(r"[,;|\"\t\r\n]", shown)[1:]:
            assert part.lstrip(" \u3000\ufeff")[:1] not in [*SIGNS]
        remaining = iter(shown)
        assert all(sign in remaining for sign in text.replace("\x00", "\ufffd"))
        assert len(shown) - len(text) == shown.count("'") - text.count("'")


@given(st.lists(st.text(st.sampled_from([*SIGNS, *",;|\"'", *" \u3000a1.é"])), max_size=8))
def test_what_was_made_safe_is_known_again(texts: list[str]) -> None:
    """Control characters apart: some readers drop them anyway."""
    safe = pd.Series(_safe(texts), dtype="str")
    assert list(columns.before_safe(safe)) == texts


@given(st.lists(dangerous | anything, min_size=1, max_size=8))
def test_a_csv_file_reads_back_as_it_was_written(texts: list[str]) -> None:
    safe = _safe(texts)
    file = io.BytesIO()
    write_csv([pa.table({"first": safe, "second": safe})], file)
    rows = list(csv.reader(io.StringIO(file.getvalue().decode(), newline=""), strict=True))
    assert rows == [["first", "second"], *([text, text] for text in safe)]


def test_a_part_of_a_column_is_mended_as_the_whole() -> None:
    column = pd.Series(["=1", "a", "=2", "", "b;=3", None, "=4"], dtype="str")
    whole = columns.safe_text(column).to_pylist()
    assert columns.safe_text(column.iloc[2:]).to_pylist() == whole[2:]
    assert columns.safe_text(column.astype("category")).to_pylist() == whole


@given(
    st.lists(
        st.tuples(
            st.none() | st.integers(-(2**63) + 1, 2**63 - 1),
            st.sampled_from(["EUR", "JPY", "BHD", "CLF", "", "rows"]),
        ),
        max_size=8,
    )
)
def test_amounts_are_exact_to_the_last_unit(rows: list[tuple[int | None, str]]) -> None:
    minor = pd.Series([amount for amount, _ in rows], dtype="Int64")
    currency = pd.Series([code for _, code in rows], dtype="str")
    shown = [text or "" for text in columns.amounts(minor, currency).to_pylist()]
    assert shown == list(major_text(minor, currency))


def test_amounts_of_one_currency_take_its_decimals() -> None:
    minor = pd.Series([-5, 0, 12345, None], dtype="Int64")
    assert columns.amounts(minor, "EUR").to_pylist() == ["-0.05", "0.00", "123.45", None]
    assert columns.amounts(minor, "JPY").to_pylist() == ["-5", "0", "12345", None]


def test_signs_are_found_on_both_sides_of_a_block() -> None:
    data = np.full(2**18 + 2, ord("a"), dtype=np.uint8)
    data[[0, 2**18 - 1, 2**18]] = np.frombuffer(b"=+=", dtype=np.uint8)
    assert columns.places_of(data, b"+=").tolist() == [0, 2**18 - 1, 2**18]
    assert columns.places_of(data[:0], b"+=").tolist() == []
