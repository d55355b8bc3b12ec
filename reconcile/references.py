"""References compared cleaned: one function for order references, document numbers and SKUs.

The cleaned text is a key for comparing only; people always see the text of the file.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray


def fold(texts: pa.Array) -> pa.Array:
    """Unicode NFKC, trimmed, case-folded: how words, SKUs and names are compared."""
    tidy = pc.utf8_trim_whitespace(pc.utf8_normalize(texts, form="NFKC"))
    if pc.all(pc.string_is_ascii(tidy)).as_py() is not False:
        return pc.ascii_lower(tidy)
    return pa.array([text.casefold() for text in tidy.to_pylist()], pa.string())


def clean(
    texts: pa.Array, prefixes: Sequence[str] = (), suffixes: Sequence[str] = ()
) -> tuple[pa.Array, NDArray[np.bool_]]:
    """Keys of references, and which of them carried a replacement suffix.

    Without a leading ``#``, a declared prefix, a declared replacement suffix or a trailing
    ``.0``; a purely numeric reference without its leading zeros. A reference that cleaning
    would leave empty stays as it is.
    """
    folded = fold(texts)
    key = pc.utf8_ltrim(folded, characters="#")
    for prefix in sorted(_folded(prefixes), key=len, reverse=True):
        key = _cut(key, pc.starts_with(key, prefix), start=len(prefix))
    key = pc.utf8_ltrim(key, characters="#")
    replacement = np.zeros(len(key), dtype=bool)
    for suffix in sorted(_folded(suffixes), key=len, reverse=True):
        has = pc.ends_with(key, suffix)
        replacement |= has.to_numpy(zero_copy_only=False)
        key = _cut(key, has, stop=-len(suffix))
    key = _cut(key, pc.match_substring_regex(key, r"[^.]\.0$"), stop=-2)
    numeric = pc.match_substring_regex(key, "^[0-9]+$")
    bare = pc.utf8_ltrim(key, characters="0")
    bare = pc.if_else(pc.equal(bare, ""), "0", bare)
    key = pc.if_else(numeric, bare, key)
    return pc.if_else(pc.equal(key, ""), folded, key), replacement


def _folded(words: Sequence[str]) -> list[str]:
    return fold(pa.array(list(words), pa.string())).to_pylist() if words else []


def _cut(key: pa.Array, where: pa.Array, start: int = 0, stop: int | None = None) -> pa.Array:
    if not pc.any(where).as_py():
        return key
    return pc.if_else(where, pc.utf8_slice_codeunits(key, start=start, stop=stop), key)
