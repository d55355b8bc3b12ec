"""Tracking numbers: how they are compared, and which of them cannot be right.

Two forms have a check digit that every carrier computes alike; all others are a carrier's own.

- UPU S10, item identifier: two letters, eight digits, a check digit, and the ISO 3166 code of a
  country. The digits are weighed 8 6 4 2 3 5 9 7; the check digit is 11 less the sum modulo 11,
  where 10 becomes 0 and 11 becomes 5. RA473124829GB is right.
- GS1 SSCC (General Specifications): 18 digits behind the application identifier 00, in brackets
  or not. From the check digit to the left they are weighed 3 and 1 in turn; the check digit makes
  the sum a multiple of 10. (00)123456789012345675 is right. Eighteen digits alone are not taken
  for one: many carriers have numbers of that length.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.country_codes import CODES

S10, SSCC, OF_SHOP = "UPU S10", "GS1 SSCC", "shop"
CHECK_DIGIT, NO_SHAPE = "check digit", "no shape"
_SHAPES, _FAULTS = ("", S10, SSCC, OF_SHOP), ("", CHECK_DIGIT, NO_SHAPE)
_PLAIN = "^[0-9A-Z]*$"
_BETWEEN = r"[\s\p{Z}\p{Pd}\p{Cf}]+"  # blanks, hyphens, and what is not seen
_LIKE_S10 = "^[A-Z]{2}[0-9]{9}[A-Z]{2}$"
_COUNTRIES = pa.array(sorted(CODES), pa.string())
_LIKE_SSCC = r"^(?:00|\(00\))[0-9]{18}$"
_S10_WEIGHTS = np.array([8, 6, 4, 2, 3, 5, 9, 7])
_SSCC_WEIGHTS = np.array([3, 1] * 8 + [3])

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


def compared(texts: pa.Array) -> pa.Array:
    """Numbers as they are compared: Unicode NFKC, in capitals, without blanks and hyphens."""
    odd = _bools(pc.invert(pc.match_substring_regex(texts, _PLAIN)))
    if not odd.any():
        return texts
    rest = pc.utf8_upper(pc.utf8_normalize(texts.filter(pa.array(odd)), "NFKC"))
    rest = pc.replace_substring_regex(rest, _BETWEEN, "")
    return pc.replace_with_mask(texts, pa.array(odd), rest)


def judge(numbers: pa.Array, patterns: Sequence[str] = ()) -> pd.DataFrame:
    """What each number has the shape of, and what is wrong with it; one row for each.

    ``shape``: "UPU S10" or "GS1 SSCC", else "shop" where one of the shop's patterns is the whole
    number, as it is written or as it is compared; else blank. ``digit`` and ``expected``: the
    check digit that it has and the one that it should have, -1 where the shape has none.
    ``fault``: "check digit"; "no shape", where there are patterns and it has no shape at all; or
    blank. ``numbers`` are texts without missing ones, ``patterns`` have no ``pattern_problem``.
    """
    keys = compared(numbers)
    size = len(keys)
    shape, digit, expected = np.zeros(size, np.int64), np.full(size, -1), np.full(size, -1)
    for name, fits, place, check in (
        (S10, _like_s10(keys), (2, 11), _s10_digit),
        (SSCC, _like_sscc(keys), (-18, None), _sscc_digit),
    ):
        if fits.any():
            digits = _digits(keys.filter(pa.array(fits)), *place)
            shape[fits] = _SHAPES.index(name)
            digit[fits], expected[fits] = digits[:, -1], check(digits[:, :-1])
    fault = np.where(digit != expected, _FAULTS.index(CHECK_DIGIT), 0)
    if patterns:
        other = np.flatnonzero(shape == 0)
        own = _of_shop(numbers.take(pa.array(other)), keys.take(pa.array(other)), patterns)
        shape[other[own]] = _SHAPES.index(OF_SHOP)
        fault[other[~own]] = _FAULTS.index(NO_SHAPE)
    out = {"shape": _texts(_SHAPES, shape), "digit": digit, "expected": expected}
    return pd.DataFrame({**out, "fault": _texts(_FAULTS, fault)})


def pattern_problem(pattern: str) -> str:
    """What keeps a text from being a pattern of numbers; blank where nothing does.

    Patterns are regular expressions of RE2: their time grows with the text alone, so that none
    can hold up a run.
    """
    if not pattern.strip():
        return "it is blank"
    try:
        # Alone too: a bracket of its own could close the one that is put around it.
        for text in (pattern, _whole(pattern)):
            pc.match_substring_regex(pa.array([""]), text, ignore_case=True)
    except pa.ArrowInvalid as error:
        return str(error).removeprefix("Invalid regular expression: ")
    return ""


def _whole(pattern: str) -> str:
    return rf"\A(?:{pattern})\z"


def _of_shop(numbers: pa.Array, keys: pa.Array, patterns: Sequence[str]) -> Bools:
    written = pc.utf8_trim_whitespace(numbers)
    found = np.zeros(len(keys), dtype=bool)
    for pattern in patterns:
        for texts in (keys, written):
            found |= _bools(pc.match_substring_regex(texts, _whole(pattern), ignore_case=True))
    return found


def _like_s10(keys: pa.Array) -> Bools:
    fits = _bools(pc.match_substring_regex(keys, _LIKE_S10))
    if fits.any():
        land = pc.utf8_slice_codeunits(keys, start=11, stop=13)
        fits &= _bools(pc.is_in(land, value_set=_COUNTRIES))
    return fits


def _like_sscc(keys: pa.Array) -> Bools:
    return _bools(pc.match_substring_regex(keys, _LIKE_SSCC))


def _digits(keys: pa.Array, start: int, stop: int | None) -> Ints:
    """The digits between two places, one row of whole numbers for each text; all are as long."""
    part = pc.utf8_slice_codeunits(keys, start=start, stop=stop)
    width = len(part[0].as_py())
    fixed = part.cast(pa.binary(width))
    _, content = fixed.buffers()
    raw = np.frombuffer(content, np.uint8, width * len(fixed), width * fixed.offset)
    return raw.reshape(-1, width).astype(np.int64) - ord("0")


def _s10_digit(digits: Ints) -> Ints:
    left = 11 - digits @ _S10_WEIGHTS % 11
    return np.asarray(np.where(left == 10, 0, np.where(left == 11, 5, left)))  # noqa: PLR2004


def _sscc_digit(digits: Ints) -> Ints:
    return np.asarray(-(digits @ _SSCC_WEIGHTS) % 10)


def _texts(words: Sequence[str], codes: Ints) -> pd.Series:
    texts: pd.Series = pa.array(words, pa.string()).take(pa.array(codes)).to_pandas().astype("str")
    return texts


def _bools(values: pa.Array) -> Bools:
    return np.asarray(values.to_numpy(zero_copy_only=False), dtype=bool)
