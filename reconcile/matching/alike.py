"""Texts that are alike: the same letters and digits, two neighbours swapped, a letter added."""

from __future__ import annotations

import unicodedata

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.joined import are_among, bytes_of
from reconcile.matching.columns import Bools, Ints, as_array
from reconcile.matching.connected import connected

_OF_BYTE = np.random.default_rng(1).integers(2**63, size=256, dtype=np.uint64)


def groups_alike(key: Ints, texts: pd.Series, decided: Bools) -> Ints:
    """A group for each row: rows of one key whose texts are alike, step by step, are together.

    Two rows that are both decided are never brought together by their own texts.
    """
    size = len(key)
    bare = pd.Series(_bare_texts(as_array(texts)), dtype="str")
    rows = pd.DataFrame({"key": key, "bare": bare, "row": np.arange(size)})
    seeds = rows[~decided]
    near = _near(rows[decided], seeds)
    pairs = pd.concat([_pairs(seeds, rows), _pairs(near, seeds)], ignore_index=True)
    return connected(size, pairs["row"].to_numpy(np.int64), pairs["other"].to_numpy(np.int64))


def _near(rows: pd.DataFrame, seeds: pd.DataFrame) -> pd.DataFrame:
    """Rows that one change may bring to a seed: of its letters, or with one letter at the end.

    Most have neither, and need no look at each of their forms.
    """
    [mine, theirs] = (
        frame[["key"]].assign(letters=_same_in_any_order(as_array(frame["bare"])))
        for frame in (rows, seeds)
    )
    swapped = mine.merge(
        theirs.drop_duplicates(), on=["key", "letters"], how="left", indicator=True
    )
    longer = rows[["key"]].assign(bare=rows["bare"].str[:-1])
    added = longer.merge(seeds[["key", "bare"]].drop_duplicates(), how="left", indicator=True)
    use = (swapped["_merge"] == "both") | (added["_merge"] == "both")
    return rows[use.to_numpy()]


def _pairs(mine: pd.DataFrame, others: pd.DataFrame) -> pd.DataFrame:
    """Rows whose text is another row's, or becomes it by one change."""
    distinct = mine["bare"].drop_duplicates()
    each = [_forms(text) for text in distinct]
    table = pd.DataFrame({"bare": distinct.repeat([len(forms) for forms in each])})
    table["form"] = pd.array([form for forms in each for form in forms], dtype="str")
    # Most forms are no row's text, and most rows' texts are no form of another.
    table = table[are_among(table["form"], others["bare"])]
    others = others[are_among(others["bare"], table["form"])]
    wanted = mine.merge(table, on="bare")[["key", "form", "row"]]
    others = others.rename(columns={"bare": "form", "row": "other"})
    return wanted.merge(others, on=["key", "form"])[["row", "other"]]


def _forms(text: str) -> list[str]:
    """One reference as it is, without an added last letter, and with two neighbours swapped."""
    forms = {text}
    if ";" in text:
        return [text]
    if len(text) > 1 and text[-1].isalpha() and text[-2].isdigit():
        forms.add(text[:-1])
    for at in range(len(text) - 1):
        forms.add(text[:at] + text[at + 1] + text[at] + text[at + 2 :])
    return sorted(forms)


def _same_in_any_order(texts: pa.Array) -> NDArray[np.uint64]:
    """A number for each text that is the same for the same letters in any order.

    Other letters may have it too, which brings a row more to be looked at.
    """
    offsets, letters = bytes_of(texts)
    sums = np.append(np.uint64(0), np.cumsum(_OF_BYTE[letters]))
    found: NDArray[np.uint64] = np.diff(sums[offsets])
    return found


def _bare_texts(texts: pa.Array) -> pa.Array:
    """Letters and digits alone, in one case; several references stay apart."""
    bare = pc.replace_substring_regex(pc.ascii_lower(texts), "[^0-9a-z;]", "")
    other = pc.invert(pc.string_is_ascii(texts))
    said = [_bare(text) for text in texts.filter(other).to_pylist()]
    return pc.replace_with_mask(bare, other, pa.array(said, bare.type))


def _bare(text: str) -> str:
    folded = unicodedata.normalize("NFKC", text).casefold()
    return ";".join("".join(filter(str.isalnum, part)) for part in folded.split(";"))
