"""The words that mark a row as totals."""

from __future__ import annotations

import re

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.intake.coded import Bools, bools, end_with, one_piece
from reconcile.intake.words import folded, trade_words


def total_word(text: str) -> bool:
    """Whether a cell begins with a word for totals and names nothing else.

    >>> [total_word(text) for text in ("Total:", "Summe EUR", "Total-3", "Totally", "12")]
    [True, True, False, False, False]
    """
    plain = folded(text)
    words = re.findall(r"[^\W\d_]+", plain)
    if not words or re.search(r"\w-\w|\w\d|\d\w", plain):
        return False
    known = trade_words().totals
    return any(" ".join(words[:many]) in known for many in (1, 2, 3))


def total_words(texts: pa.Array) -> Bools:
    """Which of many texts begin with a word for totals and name nothing else; most have digits."""
    out = np.zeros(len(texts), dtype=bool)
    few = np.flatnonzero(~end_with(texts, b"0123456789") | end_with(texts, b""))
    if len(few):
        some = texts.take(pa.array(few))
        few = few[bools(pc.match_substring_regex(some, r"^\D+$"))]
        some = one_piece(texts.take(pa.array(few))).dictionary_encode()
        found = np.array([total_word(text) for text in some.dictionary.to_pylist()], dtype=bool)
        out[few] = found[some.indices.to_numpy()]
    return out
