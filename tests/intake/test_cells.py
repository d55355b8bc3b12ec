"""What all kinds of cells share, and the short closed forms: words, flags, currencies, rates."""

from __future__ import annotations

import unicodedata

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.intake import cells
from reconcile.intake.coded import one_piece
from reconcile.references import fold

_TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
_ODD = st.text(st.sampled_from("'\"= 0a\u00a0\u200b\ufeff\u202f\u1680-"), max_size=8)


def _tidy(text: str) -> str:
    tidied: str = cells.tidy(pa.array([text], pa.string()))[0].as_py()
    return tidied


@pytest.mark.parametrize(
    ("text", "tidied"),
    [
        ("  12.50\t", "12.50"),
        ("\uff11\uff12\uff0e\uff15", "12.5"),
        ("1\u202f234\u00a0567", "1 234 567"),
        ("a\u2009b\u3000c\u1680d", "a b c d"),
        ("\ufeffLL-1001", "LL-1001"),
        ("LL\u200b-10\u00ad01\u2060", "LL-1001"),
        ("\u200e12.50\u200f", "12.50"),
        ("\u202a12\u202c\u2066.5\u2069", "12.5"),
        ("\u200b 7 \u200b", "7"),
        ('="00123"', "00123"),
        ('=" 00123 "', "00123"),
        ('=""', ""),
        ("=00123", "=00123"),
        ('="a"&"b"', '="a"&"b"'),
        ("'00123", "00123"),
        (" '00123 ", "00123"),
        ("'", "'"),
        ("''", "''"),
        ("''00123", "''00123"),
        ("1'234", "1'234"),
        ("' 1", "' 1"),
        ("'\u00e9t\u00e9", "\u00e9t\u00e9"),
        ("e\u0301", "\u00e9"),
        ("", ""),
    ],
)
def test_what_a_program_put_around_a_text_is_gone(text: str, tidied: str) -> None:
    assert _tidy(text) == tidied


@given(st.one_of(_TEXTS, _ODD))
def test_a_tidy_text_stays_as_it_is(text: str) -> None:
    tidied = _tidy(text)
    assert _tidy(tidied) == tidied
    assert unicodedata.is_normalized("NFKC", tidied)


@given(st.lists(st.one_of(_TEXTS, _ODD), max_size=6))
def test_each_text_is_tidied_as_if_it_were_alone(texts: list[str]) -> None:
    one, pieces = pa.array(texts, pa.string()), [pa.array([text]) for text in texts]
    assert cells.tidy(one).to_pylist() == [_tidy(text) for text in texts]
    assert cells.tidy(pa.chunked_array(pieces, pa.string())).to_pylist() == [
        _tidy(text) for text in texts
    ]


@pytest.mark.parametrize(
    "text",
    ["", "-", "--", "-----", "–", "—", "−", "n/a", "N/A", "#N/A", "n.a.", "NULL", "None", "nil",  # noqa: RUF001
     "NaN", "k.A.", "s/o", "S/O", "\u2009", "\uff0d"],
)  # fmt: skip
def test_texts_that_say_that_nothing_is_there(text: str) -> None:
    assert cells.nothing(cells.tidy(pa.array([text])))[0]


@pytest.mark.parametrize(
    "text", ["0", "na", "NA", "-1", "no", "- -", ".", "'", "no name", "N/A 1", "nonesuch", "\n-"]
)
def test_texts_that_say_something(text: str) -> None:
    assert not cells.nothing(pa.array([text]))[0]


def test_texts_in_pieces_are_put_together() -> None:
    pieces = pa.chunked_array([pa.array(["a"]), pa.array(["b"])])
    assert one_piece(pieces).to_pylist() == ["a", "b"]
    assert one_piece(pa.chunked_array([], pa.string())).to_pylist() == []


def test_digits_as_whole_numbers() -> None:
    assert cells.ints(pa.array(["", "007", None, "12"])).tolist() == [0, 7, 0, 12]
    assert cells.ints(pa.array([], pa.string())).tolist() == []


def test_words_and_flags() -> None:
    words = cells.parse_words(pa.array(["", "Failed", "paid"]), ("settled", "failed"))
    assert list(words.values[:2]) == ["settled", "failed"]
    assert list(words.ok) == [True, True, False]
    flags = cells.parse_flags(pa.array(["", "YES", "no", "x", "0", "ja"]))
    assert list(flags.values) == [False, True, False, True, False, False]
    assert list(flags.ok) == [True, True, True, True, True, False]


def test_words_of_a_file_become_the_canonical_ones() -> None:
    texts = pa.array(["Bezahlt", "STRASSE", "failed", ""])
    words = {fold(pa.array(["Straße"]))[0].as_py(): "no", "bezahlt": "settled"}
    assert cells.translated(texts, words).to_pylist() == ["settled", "no", "failed", ""]
    assert cells.translated(texts, {}) is texts


def test_currencies_of_today_with_money_in_them() -> None:
    texts = ["EUR", "usd", "JPY", "XXX", "XAU", "DEM", "€", "978", "Euro", ""]
    found = cells.parse_currencies(pa.array(texts))
    assert list(found.values[found.ok]) == ["EUR", "USD", "JPY"]


@pytest.mark.parametrize(
    ("text", "decimal", "rate"),
    [
        ("1.1", ".", "1.1"),
        ("1,1", ",", "1.1"),
        ("0.000001", ".", "0.000001"),
        ("1.1", ",", None),
        ("0", ".", None),
        ("-1", ".", None),
        ("1,234.5", ".", None),
    ],
)
def test_rates_are_exact_and_above_zero(text: str, decimal: str, rate: str | None) -> None:
    found = cells.parse_rates(pa.array([text]), decimal)
    assert (found.values[0] if found.ok[0] else None) == rate


def test_what_says_nothing_is_blank_in_every_form() -> None:
    texts = pa.array(["", "-", "n/a"])
    for parsed in (cells.parse_rates(texts, "."), cells.parse_currencies(texts)):
        assert np.all(parsed.blank & ~parsed.ok)
