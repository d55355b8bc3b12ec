"""Shapes of tracking numbers: what has one, what only looks so, and which check digit is right."""

from __future__ import annotations

import itertools
import string

import pandas as pd
import pyarrow as pa
import pycountry
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.tracking import compared, judge, pattern_problem

RIGHT_S10 = "RA473124829GB"
RIGHT_SSCC = "00123456789012345675"
OWN = [r"KX\d{8}P", r"AS-\d{8}"]


def judged(number: str, *patterns: str) -> tuple[str, int, int, str]:
    """Shape, check digit, expected check digit and fault of one number."""
    [row] = judge(pa.array([number], pa.string()), patterns).to_dict("records")
    return row["shape"], row["digit"], row["expected"], row["fault"]


def fault(number: str, *patterns: str) -> str:
    return judged(number, *patterns)[3]


# Shapes with a check digit


@pytest.mark.parametrize(
    "number",
    [
        RIGHT_S10,
        "ra473124829gb",
        "RA 473 124 829 GB",
        " RA-473124829-GB\t",
        "\uff32\uff21473124829\uff27\uff22",
        "RA\u00a0473\u2011124\u2013829\u200bGB",
        "RA473124829\u2028GB",
    ],
)
def test_postal_number_however_it_is_written(number: str) -> None:
    assert judged(number) == ("UPU S10", 9, 9, "")
    assert judged(number.replace("829", "828")) == ("UPU S10", 8, 9, "check digit")


@pytest.mark.parametrize(
    "number", [RIGHT_SSCC, "(00)123456789012345675", "(00) 1 2345678 9012345 67-5"]
)
def test_container_code_however_it_is_written(number: str) -> None:
    assert judged(number) == ("GS1 SSCC", 5, 5, "")
    assert judged(number[:-1] + "4") == ("GS1 SSCC", 4, 5, "check digit")


@pytest.mark.parametrize(
    "number",
    [
        "",
        "R473124820GB",
        "RAA473124820GB",
        "RA47312482GB",
        "RA4731248200GB",
        "RA473124820G",
        "RA473124820GBR",
        "RA473124820G1",
        "R1473124820GB",
        "1A473124820GB",
        "RA47312482OGB",
        "RA473124820GB.",
        "RA473124820GB\nx",
        "RA\u0664\u0667\u0663\u0661\u0662\u0664\u0668\u0662\u0660GB",
        "GBRA473124820",
        "RA473124820UK",
        "RA473124820EL",
        "RA473124820XK",
        "RA473124820ZZ",
    ],
)
def test_no_postal_number(number: str) -> None:
    assert judged(number) == ("", -1, -1, "")


@pytest.mark.parametrize(
    "number",
    [
        "123456789012345670",
        "0012345678901234567",
        "001234567890123456700",
        "01123456789012345670",
        "10123456789012345670",
        "(01)123456789012345670",
        "(0)123456789012345670",
        "(00)12345678901234567",
        "(00)1234567890123456700",
        "(00123456789012345670",
        "00)123456789012345670",
        "(00)12345678901234567O",
        "00123456789012345670A",
    ],
)
def test_no_container_code(number: str) -> None:
    assert judged(number) == ("", -1, -1, "")


def test_countries_are_those_of_iso_3166() -> None:
    codes = ["".join(pair) for pair in itertools.product(string.ascii_uppercase, repeat=2)]
    found = judge(pa.array([f"RA473124820{code}" for code in codes]))
    known = {country.alpha_2 for country in pycountry.countries}
    assert len(known) == 249
    assert {code for code, one in zip(codes, found["fault"], strict=True) if one} == known


# The eight digits have weights of their own, and two remainders a digit of their own.
@pytest.mark.parametrize(
    ("serial", "digit"),
    [
        *(("00000000", 5), ("10000000", 3), ("01000000", 5), ("00100000", 7), ("00010000", 9)),
        *(("00001000", 8), ("00000100", 6), ("00000010", 2), ("00000001", 4)),
        *(("00000008", 0), ("47312482", 9), ("99999999", 5), ("12345678", 5)),
    ],
)
def test_one_check_digit_of_ten_is_right(serial: str, digit: int) -> None:
    found = judge(pa.array([f"LA{serial}{last}IE" for last in range(10)]))
    assert found["expected"].tolist() == [digit] * 10
    assert [last for last, one in enumerate(found["fault"]) if not one] == [digit]


@pytest.mark.parametrize("place", range(17))
def test_every_digit_of_a_container_code_counts(place: int) -> None:
    payload = "0" * place + "1" + "0" * (16 - place)
    expected = 7 if place % 2 == 0 else 9
    found = judge(pa.array([f"(00){payload}{last}" for last in range(10)]))
    assert found["expected"].tolist() == [expected] * 10
    assert [last for last, one in enumerate(found["fault"]) if not one] == [expected]


def test_each_number_is_judged_by_itself() -> None:
    numbers = ["KX1", "RA473124828GB", RIGHT_SSCC, "", RIGHT_S10, RIGHT_SSCC[:-1] + "0"]
    found = judge(pa.array(numbers))
    assert found["shape"].tolist() == ["", "UPU S10", "GS1 SSCC", "", "UPU S10", "GS1 SSCC"]
    assert found["fault"].tolist() == ["", "check digit", "", "", "", "check digit"]
    assert found["expected"].tolist() == [-1, 9, 5, -1, 9, 5]
    again = judge(pa.array(["x", *numbers])[1:])
    pd.testing.assert_frame_equal(again, found)


def test_no_numbers() -> None:
    none = pa.array([], pa.string())
    assert judge(none, OWN).empty
    assert len(compared(none)) == 0


@given(st.text(), st.sampled_from([(), tuple(OWN)]))
def test_any_text_has_at_most_one_fault(text: str, patterns: tuple[str, ...]) -> None:
    shape, digit, expected, found = judged(text, *patterns)
    assert (found == "check digit") == (digit != expected)
    assert (found == "no shape") == (patterns != () and shape == "")


# The shop's own patterns


@pytest.mark.parametrize(
    "number", ["KX12345678P", "kx 1234-5678 p", "AS-12345678", " as-12345678 "]
)
def test_number_of_the_shop(number: str) -> None:
    assert judged(number, *OWN) == ("shop", -1, -1, "")


@pytest.mark.parametrize(
    "number",
    [
        "KX1234567P",
        "KX123456789P",
        "XKX12345678P",
        "KX12345678PP",
        "KX12345678P\nKX12345678P",
        "AS12345678",
        "AS--12345678",
        "",
    ],
)
def test_number_of_nobody(number: str) -> None:
    assert judged(number, *OWN) == ("", -1, -1, "no shape")
    assert judged(number) == ("", -1, -1, "")


def test_pattern_with_choices_is_for_the_whole_number_too() -> None:
    assert fault("KX", r"KX|AS\d") == ""
    assert fault("AS1", r"KX|AS\d") == ""
    assert fault("KX1", r"KX|AS\d") == "no shape"
    assert fault("1AS1", r"KX|AS\d") == "no shape"


def test_patterns_say_nothing_of_numbers_with_a_check_digit() -> None:
    assert judged(RIGHT_S10, *OWN) == ("UPU S10", 9, 9, "")
    assert judged("RA473124828GB", *OWN) == ("UPU S10", 8, 9, "check digit")
    assert fault("RA473124828GB", ".*") == "check digit"
    assert fault(RIGHT_SSCC[:-1] + "0", ".*") == "check digit"


@pytest.mark.parametrize("pattern", [*OWN, r"(?i)kx\d+", ".*", r"\d{18}|\d{20}", "a{1000}", "é"])
def test_pattern(pattern: str) -> None:
    assert pattern_problem(pattern) == ""


@pytest.mark.parametrize(
    "pattern",
    [
        *("KX[", "KX(", "KX)", "A)|(?:B", r"\QKX", "*", "KX\\"),
        *("(?=K)X", r"(K)\1", "a{1001}", "((a{100}){100}){100}"),
    ],
)
def test_text_that_is_no_pattern(pattern: str) -> None:
    assert pattern_problem(pattern) != ""


def test_what_is_wrong_with_a_pattern() -> None:
    assert pattern_problem("KX[") == "missing ]: ["
    assert pattern_problem("") == pattern_problem(" \t") == "it is blank"


def test_no_pattern_holds_up_a_run() -> None:
    long = "A" * 50_000 + "1"
    for pattern in ("(A+)+B", "(A|A)*B", "(A*)*(A*)*B", r"(\w+\s?)+B"):
        assert pattern_problem(pattern) == ""
        assert fault(long, pattern) == "no shape"
