"""Check digits of tracking numbers, against published examples and other people's programs.

Sources: the worked example of UPU S10 (serial number 47312482: sum 200, check digit 9) and
numbers given as valid and invalid ones of it; GS1's syntax dictionary, ``lint_csum``, with the
check digit of the GS1 General Specifications; PyPI ``tracking-numbers`` for S10, PyPI ``biip``
for the SSCC.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pycountry
import pytest
from biip import ParseError
from biip.checksums import gs1_standard_check_digit
from biip.sscc import Sscc
from hypothesis import given
from hypothesis import strategies as st
from tracking_numbers import get_definition  # type: ignore[import-untyped]

from reconcile.tracking import judge

COUNT = 2_000
COUNTRIES = sorted(country.alpha_2 for country in pycountry.countries)
POSTAL = get_definition("S10")
LETTERS = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ", min_size=2, max_size=2)


def _wrong(numbers: Sequence[str], shape: str) -> list[bool]:
    """Which numbers fail their check digit; all of them have to have the shape."""
    found = judge(pa.array(numbers, pa.string()))
    assert set(found["shape"]) == {shape}
    assert set(found["fault"]) <= {"", "check digit"}
    return (found["fault"] != "").tolist()


def _wrong_by_other(number: str) -> bool:
    """Whether the other program says that an S10 number fails its check digit."""
    errors = POSTAL.test(number).validation_errors
    return "checksum" in [name for name, _ in errors]


def _is_sscc(digits: str) -> bool:
    try:
        return Sscc.parse(digits).value == digits
    except ParseError:
        return False


def _each_digit_changed(number: str, first: int, last: int, by: Sequence[int]) -> list[str]:
    """The number with one digit more in each place, from the first to the last, one at a time."""
    return [
        number[:at] + str((int(number[at]) + more) % 10) + number[at + 1 :]
        for at, more in zip(range(first, last), by, strict=True)
    ]


# Published examples


def test_worked_example_of_the_postal_union() -> None:
    serial = "47312482"
    weights = (8, 6, 4, 2, 3, 5, 9, 7)
    assert sum(int(one) * by for one, by in zip(serial, weights, strict=True)) == 200
    found = judge(pa.array([f"RA{serial}{digit}GB" for digit in range(10)]))
    assert [digit for digit, one in enumerate(found["fault"]) if not one] == [9]


def test_published_numbers_of_the_postal_union() -> None:
    numbers = ["RA473124829GB", "RB123456785GB", "RB123456786US"]
    assert _wrong(numbers, "UPU S10") == [False, False, True]


@pytest.mark.parametrize(
    ("digits", "right"),
    [
        ("123456789012345675", True),
        ("123456789012345670", False),
        # Shorter GS1 keys are filled up with zeros, which leaves the check digit as it is.
        ("1234567890128", True),
        ("12345678901231", True),
    ],
)
def test_published_numbers_of_gs1(digits: str, right: bool) -> None:  # noqa: FBT001
    full = digits.zfill(18)
    assert _wrong([f"00{full}", f"(00){full}"], "GS1 SSCC") == [not right] * 2
    assert _is_sscc(full) is right


# Other people's programs


def test_postal_numbers_right_and_with_each_digit_changed() -> None:
    draw = np.random.default_rng(47312482)
    serials = [f"{serial:08d}" for serial in draw.integers(0, 10**8, COUNT)]
    lands = [COUNTRIES[at] for at in draw.integers(0, len(COUNTRIES), COUNT)]
    expected = judge(
        pa.array([f"RA{serial}0{land}" for serial, land in zip(serials, lands, strict=True)])
    )["expected"]
    right = [
        f"RA{serial}{digit}{land}"
        for serial, digit, land in zip(serials, expected, lands, strict=True)
    ]
    assert not any(_wrong(right, "UPU S10"))
    assert not any(_wrong_by_other(number) for number in right)
    by = draw.integers(1, 10, (COUNT, 9))
    changed = [
        other
        for number, more in zip(right, by.tolist(), strict=True)
        for other in _each_digit_changed(number, 2, 11, more)
    ]
    wrong = _wrong(changed, "UPU S10")
    assert wrong == [_wrong_by_other(number) for number in changed]
    # Two remainders share the check digit 5, so that a few changes of the serial show nothing.
    assert all(wrong[8::9])
    assert 0.98 < sum(wrong) / len(wrong) < 1


def test_container_codes_right_and_with_each_digit_changed() -> None:
    draw = np.random.default_rng(123456789)
    payloads = [f"{payload:017d}" for payload in draw.integers(0, 10**17, COUNT)]
    right = [f"{payload}{gs1_standard_check_digit(payload)}" for payload in payloads]
    assert all(_is_sscc(number) for number in right)
    assert not any(_wrong([f"00{number}" for number in right], "GS1 SSCC"))
    by = draw.integers(1, 10, (COUNT, 18))
    changed = [
        other
        for number, more in zip(right, by.tolist(), strict=True)
        for other in _each_digit_changed(number, 0, 18, more)
    ]
    assert all(_wrong([f"(00){number}" for number in changed], "GS1 SSCC"))
    assert not any(_is_sscc(number) for number in changed[::7])


@given(LETTERS, st.integers(0, 10**9 - 1), st.sampled_from(COUNTRIES))
def test_any_postal_number(service: str, digits: int, land: str) -> None:
    number = f"{service}{digits:09d}{land}"
    assert _wrong([number], "UPU S10") == [_wrong_by_other(number)]


@given(st.integers(0, 10**18 - 1))
def test_any_container_code(digits: int) -> None:
    number = f"{digits:018d}"
    found = judge(pa.array([f"00{number}"]))
    assert found["expected"].tolist() == [gs1_standard_check_digit(number[:-1])]
    assert (found["fault"] == "").tolist() == [_is_sscc(number)]
