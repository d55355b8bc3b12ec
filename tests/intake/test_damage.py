"""What spreadsheets do to identifiers, and what only looks like it."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.intake.damage import DATED, ERROR, EXPONENT, ROUNDED, damaged

_SOUND = ["LL-1001", "1001", "00123", "RA473124829GB", "9.4", "10e5", "4E12", "KX00000001P"]


def _why(*texts: str) -> list[str]:
    found = damaged(pa.array(texts, pa.string()))
    assert all(np.add.reduce(list(found.values())) <= 1) if found else True
    return [next((why for why, hit in found.items() if hit[at]), "") for at in range(len(texts))]


@pytest.mark.parametrize(
    "text", ["9.4E+21", "9,4E+21", "1E+21", "1.23457E+11", "9.4e+21", "-9.4E+21", "1.5E+100"]
)
def test_exponent_form_is_damage(text: str) -> None:
    assert _why(text, *_SOUND) == [EXPONENT] + [""] * len(_SOUND)


@pytest.mark.parametrize("text", ["9.4E21", "E+21", "94E+21", "A9.4E+21", "9.4E+2", "9.4E+21X"])
def test_codes_with_an_e_are_sound(text: str) -> None:
    assert _why(text) == [""]


@pytest.mark.parametrize(
    "text",
    ["#REF!", "#VALUE!", "#NAME?", "#DIV/0!", "#NULL!", "#NUM!", "#GETTING_DATA", "#BEZUG!",
     "#WERT!", "#¡REF!", "#¿NOMBRE?", "##", "########"],
)  # fmt: skip
def test_what_a_spreadsheet_shows_for_a_value_is_damage(text: str) -> None:
    assert _why(text, *_SOUND, "#1001") == [ERROR] + [""] * (len(_SOUND) + 1)


@pytest.mark.parametrize(
    "text",
    [
        "#1001",
        "#",
        "#A",
        "REF!",
        "#REF",
        "#ref!",
        "A#REF!",
        "#REF!1",
        "#GETTING",
        "#12!",
        "1##",
        "#10/0!",
    ],
)
def test_references_that_are_no_errors_are_sound(text: str) -> None:
    assert _why(text, "##") == ["", ERROR]


def test_zeros_behind_the_fifteenth_digit() -> None:
    # Microsoft KB 269370: 1111222233334444 becomes 1111222233334440
    assert _why("1111222233334440", "1001") == [ROUNDED, ""]
    assert _why("1111222233334440", "340434161094000000") == [ROUNDED, ROUNDED]
    assert _why("111122223333444") == [""]


@pytest.mark.parametrize(
    "other", ["1111222233334444", "340434161094011123", "0111222233334440", "1111222233334405"]
)
def test_a_column_with_digits_behind_the_fifteenth_was_not_rounded(other: str) -> None:
    assert _why("1111222233334440", other) == ["", ""]


@given(st.lists(st.integers(10**15, 10**20 - 1), min_size=1, max_size=8))
def test_numbers_that_were_cut_to_fifteen_digits_are_found(numbers: list[int]) -> None:
    cut = [str(number)[:15] + "0" * (len(str(number)) - 15) for number in numbers]
    assert _why(*cut) == [ROUNDED] * len(cut)


@pytest.mark.parametrize(
    "text",
    ["2026-03-01", "2026-03-01 00:00:00", "2026-03-01T00:00:00", "01/03/2026", "3/1/26",
     "3/13/2026", "01.03.2026", "01-Mar", "1-Mar-26", "01-Mar-2026", "Mar-01", "Dec-99", "01. Mrz"],
)  # fmt: skip
def test_a_date_among_references_is_damage(text: str) -> None:
    assert _why(text, "LL-1001") == [DATED, ""]


@pytest.mark.parametrize(
    "text",
    ["MAR-01", "mar-01", "01-MAR", "Mar-001", "32-Mar", "Mar01", "2026-03", "2026-0301", "03-01",
     "2026-03-01 10:15", "2026-03-01-A", "13/13/2026", "1/2", "LL-01-Mar", "01.03", "2026-03-32"],
)  # fmt: skip
def test_references_that_are_no_dates_are_sound(text: str) -> None:
    assert _why(text) == [""]


@pytest.mark.parametrize(
    ("dated", "other"),
    [("2026-03-01", "2026-03-47"), ("01/03/2026", "47/03/2026"), ("01.03.26", "01.47.26")],
)
def test_a_column_that_numbers_things_like_dates_is_sound(dated: str, other: str) -> None:
    assert _why(dated, other) == ["", ""]


def test_a_column_in_pieces_and_an_empty_one() -> None:
    pieces = pa.chunked_array([pa.array(["1111222233334440"]), pa.array(["1111222233334444"])])
    assert damaged(pieces) == {}
    assert damaged(pa.array([], pa.string())) == {}
