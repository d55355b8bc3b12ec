"""References compared cleaned: one function for order references, document numbers and SKUs.

The cleaned text is a key for comparing only; people always see the text of the file.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

# Characters that are there and are not seen: zero-width ones, direction marks, a soft hyphen
UNSEEN = "\u00ad\u200b-\u200f\u202a-\u202e\u2060\u2066-\u2069\ufeff"
BETWEEN = "; "  # the keys of several references in one text, which stand in their own order
_UNSEEN = re.compile(f"[{UNSEEN}]")


def plain(text: str) -> str:
    """One text as people see it: Unicode NFKC, nothing unseen, single spaces, trimmed."""
    if not text.isascii():
        text = _UNSEEN.sub("", unicodedata.normalize("NFKC", text))
    return " ".join(text.split())


def fold(texts: pa.Array) -> pa.Array:
    """Unicode NFKC, trimmed, case-folded: how words, SKUs and names are compared."""
    if pc.all(pc.string_is_ascii(texts)).as_py() is not False:
        return pc.ascii_lower(pc.utf8_trim_whitespace(texts))
    tidy = pc.utf8_trim_whitespace(pc.utf8_normalize(texts, form="NFKC"))
    if pc.all(pc.string_is_ascii(tidy)).as_py() is not False:
        return pc.ascii_lower(tidy)
    tidy = tidy.combine_chunks() if isinstance(tidy, pa.ChunkedArray) else tidy
    others = pc.invert(pc.string_is_ascii(tidy))  # a few, where cells are malformed
    found = [text.casefold() for text in tidy.filter(others).to_pylist()]
    return pc.replace_with_mask(pc.ascii_lower(tidy), others, pa.array(found, pa.string()))


def clean(
    texts: pa.Array, prefixes: Sequence[str] = (), suffixes: Sequence[str] = ()
) -> tuple[pa.Array, NDArray[np.bool_]]:
    """Keys of references, and which of them carried a replacement suffix.

    Without a leading ``#``, a declared prefix, a declared replacement suffix or a trailing
    ``.0``; a purely numeric reference without its leading zeros. A reference that cleaning
    would leave empty stays as it is.
    """
    folded = fold(texts)
    key = _cut_marks(folded)
    for prefix in sorted(_folded(prefixes), key=len, reverse=True):
        key = _cut(key, pc.starts_with(key, prefix), start=len(prefix))
    key = _cut_marks(key)
    replacement = np.zeros(len(key), dtype=bool)
    for suffix in sorted(_folded(suffixes), key=len, reverse=True):
        has = pc.ends_with(key, suffix)
        replacement |= has.to_numpy(zero_copy_only=False)
        key = _cut(key, has, stop=-len(suffix))
    whole = pc.ends_with(key, ".0")
    if pc.any(whole).as_py():
        bare = pc.or_(pc.ends_with(key, "..0"), pc.equal(key, ".0"))
        key = _cut(key, pc.and_not(whole, bare), stop=-2)
    if pc.any(pc.starts_with(key, "0")).as_py():
        numeric = pc.match_substring_regex(key, "^[0-9]+$")
        bare = pc.utf8_ltrim(key, characters="0")
        bare = pc.if_else(pc.equal(bare, ""), "0", bare)
        key = pc.if_else(numeric, bare, key)
    emptied = pc.equal(key, "")
    return (pc.if_else(emptied, folded, key) if pc.any(emptied).as_py() else key), replacement


def _folded(words: Sequence[str]) -> list[str]:
    return fold(pa.array(list(words), pa.string())).to_pylist() if words else []


def _cut_marks(key: pa.Array) -> pa.Array:
    marked = pc.starts_with(key, "#")
    return pc.utf8_ltrim(key, characters="#") if pc.any(marked).as_py() else key


def _cut(key: pa.Array, where: pa.Array, start: int = 0, stop: int | None = None) -> pa.Array:
    if not pc.any(where).as_py():
        return key
    return pc.if_else(where, pc.utf8_slice_codeunits(key, start=start, stop=stop), key)
