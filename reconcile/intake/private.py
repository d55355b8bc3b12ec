"""What may be known of a column that nobody has described yet.

A column about customers is known by its header alone and never read. Of any other column a look
at a sample tells what its cells look like, in shares; no cell is kept.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

import iso4217
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.intake.countries import to_codes
from reconcile.intake.words import (
    SIGNS,
    Phrases,
    Words,
    folded,
    is_currency,
    read_header,
    trade_words,
)
from reconcile.records import Column

LONGEST_PHRASE = 5  # words
LONGEST_HEADER = 200  # letters; what is longer is no header, and nobody knows what it is
MOST_WORDS = 30  # beyond, a column does not hold words of a closed list
ALL = 1000  # shares are counted in thousandths
FEW_DIGITS = 200  # texts with fewer are words

_LIKE: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "money": ("number",),
        "price": ("number",),
        "rate": ("number",),
        "date": ("date", "serial"),
        "count": ("whole",),
        "currency": ("currency",),
        "country": ("country",),
        "flag": ("flag",),
    }
)
# What a yes/no column may say without any mapping
_ENGLISH_FLAGS = ("y", "n", "true", "false", "0", "1", "x")

_NOTHING = ["", "-", "--", "\u2013", "\u2014", "n/a", "na", "none", "null", "nan"]
# An amount may carry a sign, brackets, a currency before or behind, and marks of thousands.
_SIGN = r"(?:[A-Z]{3}|[€$£¥]|Fr\.|kr)"
_DIGITS = "(?:[0-9]{1,3}(?:[., '\u2019][0-9]{3})+|[0-9]+)"
_MINUS = "\u2212-"
_NUMBER = (
    rf"^[(+{_MINUS}]?\s?{_SIGN}?\s?[+{_MINUS}]?{_DIGITS}(?:[.,][0-9]{{1,8}})?"
    rf"\s?{_SIGN}?[){_MINUS}]?$"
)
_YEAR = "(?:19|20)[0-9]{2}"
_TIME = r"(?:[T ,]+[0-9]{1,2}[:.][0-9]{2}.*)?"
_DATES = "|".join(
    [
        rf"{_YEAR}[-/.][0-9]{{1,2}}[-/.][0-9]{{1,2}}{_TIME}",
        rf"[0-9]{{1,2}}[-/. ]{{1,2}}[0-9]{{1,2}}[-/. ]{{1,2}}(?:{_YEAR}|[0-9]{{2}}){_TIME}",
        rf"{_YEAR}(?:0[1-9]|1[0-2])(?:0[1-9]|[12][0-9]|3[01])",
        rf"[0-9]{{1,2}}[-/. ]*(?:de )?\pL{{3}}\pL*\.?[-/, ]*(?:de )?(?:{_YEAR}|[0-9]{{2}}){_TIME}",
        rf"\pL{{3}}\pL*\.? [0-9]{{1,2}},? {_YEAR}{_TIME}",
    ]
)
_SHAPES = MappingProxyType(
    {
        "number": _NUMBER,
        "decimal": rf"[0-9][.,][0-9]{{1,2}}\s?{_SIGN}?[){_MINUS}]?$",
        "marked": _SIGN,
        "whole": r"^[0-9]{1,6}(?:[.,]0+)?$",
        "date": rf"^(?:{_DATES})$",
        # Days of a spreadsheet from 1954 to 2064, which may as well be numbers
        "serial": r"^[2-5][0-9]{4}(?:\.[0-9]+)?$",
        "code": r"^[\pL0-9#][\pL0-9#\-_/. ]*$",
        "digit": r"[0-9]",
        # A parcel's number: long, with many digits; or what a spreadsheet made of it
        "parcel": r"^(?:[A-Z0-9\- ]*(?:[0-9][ \-]?){6}[A-Z0-9\- ]*|[0-9][.,][0-9]+E\+[0-9]{2})$",
        "mail": r"[^\s@]@[^\s@]+\.[a-zA-Z]",
    }
)


@dataclass(frozen=True)
class Look:
    """What a sample looks like: distinct texts, and how many in a thousand have a shape.

    ``unit`` is the currency that every amount names, or "".
    """

    count: int
    shares: Mapping[str, int]
    unit: str = ""

    def mostly(self, *shapes: str, least: int = 800) -> bool:
        """Whether nearly all texts have one of the shapes."""
        return self.count > 0 and max(self.shares[shape] for shape in shapes) >= least


def private(header: str) -> bool:
    """Whether a column of this header holds names, e-mails, phone numbers or addresses.

    In doubt it does: a column that is not read is missed, one that is read cannot be unread.
    Numbers and codes of customers, countries and the names of goods, suppliers, carriers, shops
    and files are not private.

    >>> [private(header) for header in ("Customer", "Kundenname", "City, country")]
    [True, True, True]
    >>> [private(header) for header in ("Customer number", "Product name", "Ship to country")]
    [False, False, False]
    """
    if len(header) > LONGEST_HEADER:
        return True
    known = trade_words()
    read = read_header(header)
    if known.private_alone.hold(read):
        return True
    if known.not_private.hold(read):
        return False
    rest = _without(read.words, known.not_private)
    if any(p in known.private.phrases or "".join(p) in known.private.runs for p in _parts(rest)):
        return True
    return any(
        word.endswith(known.private_endings) or any(part in word for part in known.private_inside)
        for word in rest
        if word not in known.not_private.runs
    )


def names_a_firm(header: str) -> bool:
    """Whether a private header may be that of a supplier, a shop or a carrier.

    >>> [names_a_firm(header) for header in ("Company", "Name", "E-mail", "City", "Customer")]
    [True, True, False, False, False]
    """
    return trade_words().private_firm.hold(read_header(header))


def look(texts: pa.Array) -> Look:
    """What distinct texts of a column that is not private look like."""
    tidy = pc.utf8_trim_whitespace(pc.utf8_normalize(texts.cast(pa.string()), form="NFKC"))
    tidy = tidy.drop_null()
    lower = pc.utf8_lower(tidy)
    some = pc.invert(pc.is_in(lower, value_set=pa.array(_NOTHING)))
    tidy, lower = tidy.filter(some), lower.filter(some)
    masks = {name: pc.match_substring_regex(tidy, regex) for name, regex in _SHAPES.items()}
    masks["decimal"] = pc.and_(masks["number"], masks["decimal"])
    masks["currency"] = pc.is_in(lower, value_set=_currencies())
    masks["country"] = pa.array(to_codes(tidy)[1])
    masks["flag"] = pc.is_in(lower, value_set=_flags())
    count = max(len(tidy), 1)
    shares = {name: ALL * (pc.sum(mask).as_py() or 0) // count for name, mask in masks.items()}
    amounts = shares["number"] == shares["marked"] == ALL
    return Look(len(tidy), shares, _unit(tidy) if amounts else "")


def fits(column: Column, seen: Look) -> int:
    """1 where the cells look like a canonical column, -1 where they cannot be it, else 0."""
    if not seen.count:
        return 0
    lettered = seen.shares["digit"] < FEW_DIGITS
    if column.kind in _LIKE:
        return _fits_shape(column.kind, seen, lettered=lettered)
    flags = seen.mostly("currency", "flag") and not seen.mostly("whole")
    if flags or seen.mostly("date", "decimal"):
        return -1
    if column.kind in ("word", "supplier") or column.name in ("carrier", "channel", "store"):
        few = seen.count <= MOST_WORDS and lettered
        return -1 if seen.mostly("number") and column.name != "store" else int(few)
    if lettered and (column.kind in ("reference", "references") or column.name == "tracking_no"):
        return -1
    if column.name == "tracking_no":
        return int(seen.mostly("parcel", least=600))
    if column.name == "line_no":
        return int(seen.mostly("whole"))
    # Words without a digit may be an sku, and may as well be the name of the goods
    return int(seen.mostly("code") and not lettered)


def _fits_shape(kind: str, seen: Look, *, lettered: bool) -> int:
    if seen.mostly(*_LIKE[kind]):
        return -1 if kind in ("money", "price", "rate") and seen.mostly("date") else 1
    if kind == "country":  # its name may be written in any language
        return 0 if lettered else -1
    return 0 if seen.mostly(*_LIKE[kind], least=500) else -1


def shown_words(record: str, column: str, texts: pa.Array) -> tuple[dict[str, str], list[str]]:
    """What the words of a status or kind column mean, and those that nobody knows.

    Words that need no mapping are left out. Nothing is shown of a column that does not look
    like words of a closed list, nor a text that could be about a person.
    """
    written = sorted({str(text).strip() for text in texts.to_pylist() if text and text.strip()})
    if len(written) > MOST_WORDS:
        return {}, []
    known = trade_words().cells[record][column]
    told = {text: known[folded(text)] for text in written if folded(text) in known}
    plain = {*known.values(), *(_ENGLISH_FLAGS if column == "replacement" else ())}
    mapped = {text: word for text, word in told.items() if text.casefold() not in plain}
    unknown = [text for text in written if text not in told and text.casefold() not in plain]
    return mapped, [text for text in unknown if re.fullmatch(r"[^\W\d_][\w\- ]{0,24}", text)]


def _unit(amounts: pa.Array) -> str:
    """The one currency that every amount names, or ""; "$" and "£" belong to several."""
    named = pc.extract_regex(amounts, rf"(?P<mark>{_SIGN})").field("mark").unique().to_pylist()
    code = SIGNS.get(named[0], named[0])
    return code if len(named) == 1 and is_currency(code) else ""


@cache
def _currencies() -> pa.Array:
    return pa.array(sorted(code.name.lower() for code in iso4217.Currency))


@cache
def _flags() -> pa.Array:
    return pa.array(sorted(trade_words().cells["shipments"]["replacement"]))


def _parts(words: Words) -> list[Words]:
    """Every run of words, the longest first."""
    return [
        words[begin : begin + length]
        for length in range(min(LONGEST_PHRASE, len(words)), 0, -1)
        for begin in range(len(words) - length + 1)
    ]


def _without(words: Words, known: Phrases) -> Words:
    """The words that belong to none of the known phrases; a gap parts what is left."""
    for part in _parts(words):
        if part in known.phrases:
            begin = next(i for i in range(len(words)) if words[i : i + len(part)] == part)
            return _without((*words[:begin], "", *words[begin + len(part) :]), known)
    return words
