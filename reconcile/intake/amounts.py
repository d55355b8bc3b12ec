"""Amounts and counts: from distinct texts to whole numbers, and which decimal mark texts show.

An amount is a number with, perhaps, thousands grouped in threes, a sign in front or behind,
parentheses for a negative one, and its currency. Each text is taken apart into its number and
what stands around it; of the latter a column has a handful, and each is judged once. A text
that is not exactly of the form is not read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake.cells import Parsed, ints, nothing
from reconcile.intake.coded import Bools, bools, one_piece
from reconcile.money import MICRO_DIGITS, minor_digits

MOST_WHOLE_DIGITS = 10  # more would not be an amount, and sums stay inside 64 bits
MOST_COUNT_DIGITS = 7

# Signs of currencies, from CLDR 47 (the symbols of all its locales; a test compares them).
_CLDR_SIGNS = {
    "€": "EUR",
    "£": "FKP GBP GIP SHP SSP",
    "$": "ARS AUD BBD BMD BND BSD BZD CAD CLP COP CUP FJD GYD JMD KYD LRD MXN NAD NZD SBD SGD SRD "
    "TTD TWD USD UYU XCD",
    "¥": "CNY JPY",
    "US$": "USD", "A$": "AUD", "CA$": "CAD", "C$": "CAD NIO", "NZ$": "NZD", "HK$": "HKD",
    "S$": "SGD", "R$": "BRL", "BR$": "BRL", "MX$": "MXN", "AU$": "AUD", "NT$": "TWD", "GB£": "GBP",
    "CN¥": "CNY", "JP¥": "JPY", "元": "CNY", "$US": "USD", "$AU": "AUD", "$CA": "CAD",
    "$NZ": "NZD", "$SG": "SGD", "$MX": "MXN", "£GB": "GBP", "Dkr": "DKK", "Nkr": "NOK",
    "kr": "DKK NOK SEK", "kr.": "DKK ISK", "zł": "PLN", "Kč": "CZK", "Ft": "HUF", "din.": "RSD",
    "₹": "INR", "Rs": "INR MUR PKR SCR", "Rs.": "LKR", "₺": "TRY", "₪": "ILS", "₩": "KRW",
    "₽": "RUB", "₴": "UAH", "฿": "THB", "₫": "VND", "₱": "PHP", "₦": "NGN", "Rp": "IDR",
    "RM": "MYR", "R": "ZAR",
}  # fmt: skip
# Others that exports have; from memory.
_MORE_SIGNS = {
    "$": "BBD HKD", "kr": "ISK", "kr.": "NOK SEK", "Rs.": "INR MUR PKR SCR",
    "Fr": "CHF", "Fr.": "CHF", "SFr": "CHF", "SFr.": "CHF", "zl": "PLN", "Kc": "CZK",
    "lei": "RON MDL", "TL": "TRY", "円": "JPY", "Euro": "EUR",
}  # fmt: skip
_SIGNS = {
    sign: frozenset(f"{_CLDR_SIGNS.get(sign, '')} {_MORE_SIGNS.get(sign, '')}".split())
    for sign in (*_CLDR_SIGNS, *_MORE_SIGNS)
}
_FOLDED_SIGNS = {sign.casefold(): sign for sign in _SIGNS}


_GROUP_MARKS = (" ", "'", "’")  # noqa: RUF001


@dataclass(frozen=True)
class Marks:
    """How many texts show which decimal mark; whole numbers show none.

    ``point`` and ``comma``: can only be read with that mark (12.50; 1,234.56; 0.125; 1,234,567
    has a decimal point, for its commas part thousands). ``lone_point`` and ``lone_comma``: one
    mark with three digits behind it, which may part thousands or decimals (1.234; 1,234).
    """

    point: int
    comma: int
    lone_point: int
    lone_comma: int


@dataclass(frozen=True)
class Amounts:
    """Amounts in millionths of a major unit, and with how many decimals they were written.

    ``sign`` is the currency written beside each: an ISO 4217 code, a sign such as "€", or "".
    """

    micro: NDArray[np.int64]
    decimals: NDArray[np.int64]
    ok: Bools
    blank: Bools
    sign: NDArray[np.object_]


def sign_fits(sign: str, currency: str) -> bool:
    """Whether an amount written with this sign may be one in this currency (ISO 4217 code).

    >>> sign_fits("€", "EUR"), sign_fits("$", "CAD"), sign_fits("USD", "CAD"), sign_fits("", "CAD")
    (True, True, False, True)
    """
    return sign in ("", currency) or currency in _SIGNS.get(sign, ())


@cache
def _known_sign(text: str) -> str | None:
    if text in _SIGNS:
        return text
    code = text.upper()
    if len(code) == 3 and code.isascii() and minor_digits(code) is not None:  # noqa: PLR2004
        return code
    return _FOLDED_SIGNS.get(text.casefold())


def _grouped(decimal: str) -> str:
    """Thousands parted by one kind of mark: the other one, a space or an apostrophe."""
    return "|".join(
        rf"[1-9][0-9]{{0,2}}(?:{mark}[0-9]{{3}}){{1,2}}|[1-9](?:{mark}[0-9]{{3}}){{3}}"
        for mark in (r"\," if decimal == "." else r"\.", *_GROUP_MARKS)
    )


def _plain(decimal: str) -> str:
    return rf"^(?P<whole>[0-9]{{0,{MOST_WHOLE_DIGITS}}})(?:\{decimal}(?P<part>[0-9]+))?$"


def _ungrouped(number: pa.Array, decimal: str) -> pa.Array:
    """Numbers without their marks between thousands; "" where they are not of the form."""
    odd = ~bools(pc.match_substring_regex(number, _plain(decimal)))
    if not odd.any():
        return number
    marked = number.filter(pa.array(odd))
    form = rf"^(?:{_grouped(decimal)})(?:\{decimal}[0-9]+)?$"
    bare = pc.replace_substring_regex(marked, pattern=rf"[^0-9{decimal}]", replacement="")
    bare = pc.if_else(pc.match_substring_regex(marked, form), bare, "")
    return pc.replace_with_mask(number, pa.array(odd), bare)


# What stands around a number, the number itself written as 0: an optional sign and an optional
# currency, in either order, in front or behind; or parentheses instead of the sign.
_CURRENCY = r"([^\s0-9()+\-−.,'’]{1,4}\.?)"  # noqa: RUF001
_AROUND = re.compile(
    rf"(?:{_CURRENCY} *)?(?:([-+−]) *)?(?:{_CURRENCY} *)?0"  # noqa: RUF001
    rf"(?: *{_CURRENCY})?([-−])?(?: *{_CURRENCY})?"  # noqa: RUF001
)
_AROUND_CLOSED = re.compile(
    rf"(?:{_CURRENCY} *)?(\() *(?:{_CURRENCY} *)?0(?: *{_CURRENCY})? *()\)(?: *{_CURRENCY})?"
)
_DRESSED = r"^(?P<front>[^0-9.,]*)(?P<core>[0-9.,][0-9 .,'’]*)(?P<back>[^0-9 .,'’][^0-9]*)?$"  # noqa: RUF001


@cache
def _around(text: str) -> tuple[str, bool] | None:
    """The currency and whether the number is negative; None where this may not stand there."""
    found = _AROUND.fullmatch(text) or _AROUND_CLOSED.fullmatch(text)
    if not found:
        return None
    before, sign_before, inner, behind, sign_behind, after = found.groups()
    currencies = [each for each in (before, inner, behind, after) if each]
    signs = [each for each in (sign_before, sign_behind) if each]
    if len(currencies) > 1 or len(signs) > 1:
        return None
    currency = _known_sign(currencies[0]) if currencies else ""
    return None if currency is None else (currency, signs not in ([], ["+"]))


@dataclass(frozen=True)
class _Bare:
    """Numbers without what stood around them; "" where that was not of the form."""

    number: pa.Array
    sign: NDArray[np.object_]
    negative: Bools


def _apart(texts: pa.Array) -> tuple[pa.Array, pa.Array, pa.Array]:
    """What stands in front of a number, the number, and what stands behind it."""
    found = pc.extract_regex(texts, _DRESSED)
    front, core, back = (
        pc.fill_null(pc.struct_field(found, name), "") for name in ("front", "core", "back")
    )
    core = pc.ascii_trim(core, characters=" ")
    stopped = pc.starts_with(core, ". ")  # the point of "Fr. 50" ends its currency
    if pc.any(stopped).as_py():
        front = pc.if_else(stopped, pc.binary_join_element_wise(front, ".", ""), front)
        rest = pc.ascii_ltrim(pc.utf8_slice_codeunits(core, start=1), characters=" ")
        core = pc.if_else(stopped, rest, core)
    return front, core, back


def _bare(texts: pa.Array) -> _Bare:
    sign = np.full(len(texts), "", dtype=object)
    negative = np.zeros(len(texts), dtype=bool)
    dressed = ~bools(pc.match_substring_regex(texts, "^[0-9.,]*[0-9]$"))
    if not dressed.any():
        return _Bare(texts, sign, negative)
    front, core, back = _apart(texts.filter(pa.array(dressed)))
    # In "Fr.50" the point may belong to the currency or to the number: not read.
    unclear = pc.and_(
        pc.match_substring_regex(front, r"\pL$"), pc.match_substring_regex(core, "^[.,]")
    )
    around = pc.binary_join_element_wise(front, back, "0").dictionary_encode()
    judged = [_around(text) for text in around.dictionary.to_pylist()]
    codes = around.indices.to_numpy()
    fine = np.array([each is not None for each in judged], dtype=bool)[codes] & ~bools(unclear)
    sign[dressed] = np.array([each[0] if each else "" for each in judged], dtype=object)[codes]
    negative[dressed] = np.array([bool(each and each[1]) for each in judged], dtype=bool)[codes]
    core = pc.if_else(pa.array(fine), core, "")
    return _Bare(pc.replace_with_mask(texts, pa.array(dressed), core), sign, negative)


def parse_amounts(texts: pa.Array, decimal: str) -> Amounts:
    """Tidy texts as amounts with this decimal mark.

    Up to ten digits before the mark and six behind it, zeros at the end apart. Thousands may be
    grouped by the other mark, a space or an apostrophe, by one kind in one text.
    """
    texts = one_piece(texts)
    bare = _bare(texts)
    number = _ungrouped(bare.number, decimal)
    found = pc.extract_regex(number, _plain(decimal))
    ok = bools(pc.is_valid(found)) & bools(pc.not_equal(number, ""))
    part = pc.fill_null(pc.struct_field(found, "part"), "")
    decimals = pc.binary_length(part).to_numpy(zero_copy_only=False).astype(np.int64)
    kept, length = part, decimals
    if len(decimals) and decimals.max() > MICRO_DIGITS:
        kept = pc.ascii_rtrim(part, characters="0")
        length = pc.binary_length(kept).to_numpy(zero_copy_only=False).astype(np.int64)
        ok &= length <= MICRO_DIGITS
        kept = pc.if_else(pa.array(ok), kept, "")
    micro = ints(pc.struct_field(found, "whole")) * 10**MICRO_DIGITS
    micro += ints(kept) * 10 ** np.maximum(MICRO_DIGITS - length, 0)
    micro = np.where(bare.negative, -micro, micro)
    sign = np.where(ok, bare.sign, "")
    return Amounts(np.where(ok, micro, 0), decimals, ok, nothing(texts), sign)


def marks(texts: pa.Array, counts: NDArray[np.int64] | None = None) -> Marks:
    """Count which decimal marks distinct, tidy texts show, behind signs and currencies too.

    ``counts`` is how many rows have each of them, 1 where it is not given.
    """
    number = _bare(one_piece(texts)).number
    weight = np.ones(len(number), dtype=np.int64) if counts is None else counts
    by_point, by_comma = (
        bools(pc.not_equal(_ungrouped(number, decimal), "")) for decimal in (".", ",")
    )
    both = by_point & by_comma
    shown = (
        by_point & ~by_comma,
        by_comma & ~by_point,
        both & bools(pc.match_substring(number, ".")),
        both & bools(pc.match_substring(number, ",")),
    )
    return Marks(*(int(weight[mask].sum()) for mask in shown))


def parse_counts(texts: pa.Array, decimal: str) -> Parsed:
    """Tidy texts as whole numbers, not negative, with thousands grouped or not; ``2.0`` is 2."""
    texts = one_piece(texts)
    number = _ungrouped(pc.replace_substring_regex(texts, pattern=r"^\+", replacement=""), decimal)
    form = rf"^(?P<whole>[0-9]{{1,{MOST_COUNT_DIGITS}}})(?:\{decimal}0+)?$"
    found = pc.extract_regex(number, form)
    return Parsed(ints(pc.struct_field(found, "whole")), bools(pc.is_valid(found)), nothing(texts))


def in_minor(kind: str, found: Amounts, code: str) -> tuple[NDArray[np.int64], Bools]:
    """Amounts in the unit of their column, and which of them the currency has no decimals for."""
    digits = minor_digits(code)
    if kind == "price" or digits is None:
        return found.micro, np.zeros(len(found.micro), dtype=bool)
    scale = 10 ** (MICRO_DIGITS - digits)
    # Three decimals are how thousands look in half of the world: never taken for zeros.
    thousands = (found.decimals > digits) & (found.decimals == 3)  # noqa: PLR2004
    odd = (found.micro % scale != 0) | thousands
    return np.where(odd, 0, found.micro) // scale, odd
