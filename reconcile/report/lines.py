"""Texts of a message: plain, and broken into lines, column by column."""

from __future__ import annotations

import textwrap
from collections.abc import Callable

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.joined import bytes_of
from reconcile.report import columns

# Texts of these signs, without two spaces in a row, have as many bytes as signs and one way to
# be broken; others are left to the standard library, one by one.
_SIMPLE = r"^[\x21-\x7e]+( [\x21-\x7e]+)*$"
_BREAK, _SPACE = b"\n "


def plain(text: str) -> str:
    """One line: a text of a file cannot add lines of its own to a message."""
    if not text.isprintable():
        text = "".join(sign if sign.isprintable() else " " for sign in text)
    return text.strip()


def wrap(text: str, width: int) -> list[str]:
    """The lines of a plain text; a word that is longer than a line has one of its own."""
    return textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False)


def plain_texts(texts: pa.Array) -> pa.Array:
    """``plain`` of each text, none of which is null."""
    return _mended(texts, texts, plain)


def wrapped_texts(texts: pa.Array, width: int) -> pa.Array:
    """Each plain text with a line feed where ``wrap`` begins a line."""
    offsets, data = bytes_of(texts)
    signs = data.copy()
    spaces = np.append(np.flatnonzero(signs == _SPACE), len(signs))
    start, end = offsets[:-1].copy(), offsets[1:]
    rows = np.flatnonzero(end - start > width)
    while len(rows):
        # The last space with which the line is not too long, else the one after a long word.
        at = np.searchsorted(spaces, start[rows] + width, side="right") - 1
        at += (at < 0) | (spaces[at] <= start[rows])
        inside = spaces[at] < end[rows]
        rows, place = rows[inside], spaces[at[inside]]
        signs[place] = _BREAK
        start[rows] = place + 1
        rows = rows[end[rows] - start[rows] > width]
    broken = columns.strings(offsets, signs)
    return _mended(texts, broken, lambda text: "\n".join(wrap(text, width)))


def _mended(texts: pa.Array, made: pa.Array, one: Callable[[str], str]) -> pa.Array:
    """What was made of simple texts, and of the others what ``one`` makes of each."""
    odd = pc.invert(pc.match_substring_regex(texts, _SIMPLE))
    if not pc.any(odd).as_py():
        return made
    mended = [one(text) for text in texts.filter(odd).to_pylist()]
    return pc.replace_with_mask(made, odd, pa.array(mended, made.type))
