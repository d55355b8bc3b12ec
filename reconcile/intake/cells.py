"""Cells: from the distinct texts of a column to values, each text read once.

Exports repeat themselves: a million prices are some thousand different texts. So every parser
takes the distinct texts of a column and returns one value for each, and which texts it could
not read; the column then takes its values from there. A text that is not exactly of the
declared form is never bent until it fits.

Here stands what all of them share, and the short closed forms: words, flags, currencies, rates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake.coded import Bools, begin_with, bools, byte_range, holds, one_piece
from reconcile.money import minor_digits
from reconcile.references import UNSEEN, fold

_ODD_SPACES = r"[\x{85}\x{1680}\x{2028}\x{2029}]"  # white space that NFKC leaves as it is
_DASHES = "^[-‐‑‒–—―−]*$"  # noqa: RUF001 (they look alike, and that is the point)
_NOTHING = ("n/a", "#n/a", "n.a.", "null", "none", "nil", "nan", "k.a.", "s/o")
_NO_NUMBER_YET = (
    "tba", "tbc", "tbd", "to be advised", "to be announced", "to be confirmed", "to follow",
    "follows", "pending", "awaited", "awaiting", "awaiting number", "later", "unknown", "folgt",
    "not yet", "not available", "not yet available", "no number", "no tracking", "untracked",
    "offen",
)  # fmt: skip

_SPACE, _BEYOND_ASCII = 0x20, 0x80
_NOTHING_BEGINS = b"-#nNkKsS"


@dataclass(frozen=True)
class Parsed:
    """Values of distinct texts: ``ok`` is False where a text is not of the form."""

    values: NDArray[np.generic]
    ok: Bools
    blank: Bools


def tidy(texts: pa.Array) -> pa.Array:
    """Texts as people see them: what a program put around or into them is gone.

    Unicode NFKC, so that full-width digits and no-break spaces become plain ones; nothing
    unseen inside; trimmed; ``="00123"`` and ``'00123``, by which spreadsheets are made to keep
    a text, are that text. Texts that are tidy already stay as they are.
    """
    low, high = byte_range(texts)
    if high >= _BEYOND_ASCII:
        low, texts = 0, one_piece(texts)
        beyond = pc.invert(pc.string_is_ascii(texts))
        some = pc.replace_substring_regex(texts.filter(beyond), f"[{UNSEEN}]", "")
        some = pc.utf8_normalize(some, form="NFKC")
        some = pc.replace_substring_regex(some, pattern=_ODD_SPACES, replacement=" ")
        texts = pc.replace_with_mask(texts, beyond, some)
    if low <= _SPACE:
        texts = pc.utf8_trim_whitespace(texts)
    marked = holds(texts, b"'", b'="')
    if marked and pc.any(pc.starts_with(texts, "'")).as_py():
        texts = pc.replace_substring_regex(texts, pattern=r"^'([^'\s])", replacement=r"\1")
    if marked and pc.any(pc.starts_with(texts, '="')).as_py():
        bare = pc.replace_substring_regex(texts, pattern='^="([^"\']*)"$', replacement=r"\1")
        texts = pc.utf8_trim_whitespace(bare)
    return texts


def stands_for_none(texts: pa.Array) -> Bools:
    """Tidy texts that stand in the place of a tracking number which is not there yet.

    "TBA", "pending", "to follow", "0". Common practice, no source: carriers' numbers have digits
    that are not 0. Of other words nobody can say that they are no number.
    """
    out = ~bools(pc.match_substring_regex(texts, "[1-9]"))
    if out.any():
        few = pc.utf8_rtrim(pc.ascii_lower(texts.filter(pa.array(out))), " .…")
        words = bools(pc.is_in(few, pa.array(_NO_NUMBER_YET)))
        out[out] = words | bools(pc.match_substring_regex(few, "^[0 -]+$"))
    return out


def nothing(texts: pa.Array) -> Bools:
    """Tidy texts that say that nothing is there: "", dashes only, "n/a" and its like.

    Not "na", which is Namibia. Common practice, no source: k.a. is German (keine Angabe), s/o
    French (sans objet).
    """
    out = begin_with(texts, _NOTHING_BEGINS)
    if out.any():
        few = texts.filter(pa.array(out))
        words = pc.is_in(pc.ascii_lower(few), pa.array(_NOTHING))
        out[out] = bools(pc.match_substring_regex(few, _DASHES)) | bools(words)
    return out


def ints(digits: pa.Array) -> NDArray[np.int64]:
    """Texts of digits as whole numbers; "" and null are 0."""
    if digits.null_count or pc.any(pc.equal(digits, "")).as_py():
        filled = pc.fill_null(digits, "")
        digits = pc.if_else(pc.equal(filled, ""), "0", filled)
    return np.asarray(pc.cast(digits, pa.int64()).to_numpy(zero_copy_only=False), dtype=np.int64)


def translated(texts: pa.Array, words: Mapping[str, str]) -> pa.Array:
    """The word that ``words`` gives for a text, by its folded form; others as they are."""
    if not words:
        return texts
    found = [
        words.get(key, text)
        for key, text in zip(fold(texts).to_pylist(), texts.to_pylist(), strict=True)
    ]
    return pa.array(found, pa.string())


def parse_words(texts: pa.Array, words: tuple[str, ...]) -> Parsed:
    """One of a closed list of words, in any case; blank is the first of them."""
    folded = fold(texts)
    blank = bools(pc.equal(texts, ""))
    values = pc.if_else(pa.array(blank), words[0], folded)
    ok = bools(pc.is_in(values, pa.array(words)))
    return Parsed(values.to_numpy(zero_copy_only=False), ok, np.zeros(len(ok), dtype=bool))


_FLAGS = {
    "": False, "no": False, "false": False, "0": False, "n": False,
    "yes": True, "true": True, "1": True, "y": True, "x": True,
}  # fmt: skip


def parse_flags(texts: pa.Array) -> Parsed:
    """Yes or no; blank is no."""
    found = [_FLAGS.get(word) for word in fold(texts).to_pylist()]
    ok = np.array([value is not None for value in found], dtype=bool)
    values = np.array([bool(value) for value in found], dtype=bool)
    return Parsed(values, ok, np.zeros(len(ok), dtype=bool))


def parse_currencies(texts: pa.Array) -> Parsed:
    """ISO 4217 codes, in any case."""
    codes = [text.upper() for text in texts.to_pylist()]
    ok = np.array([minor_digits(code) is not None for code in codes], dtype=bool)
    return Parsed(np.array(codes, dtype=object), ok, nothing(texts))


def parse_rates(texts: pa.Array, decimal: str) -> Parsed:
    """Exchange rates: exact positive decimals, kept as decimal text with a point."""
    plain = pc.replace_substring(texts, pattern=decimal, replacement=".")
    ok = bools(pc.match_substring_regex(texts, rf"^[0-9]{{1,10}}(\{decimal}[0-9]{{1,12}})?$"))
    ok &= bools(pc.match_substring_regex(plain, "[1-9]"))
    return Parsed(plain.to_numpy(zero_copy_only=False), ok, nothing(texts))
