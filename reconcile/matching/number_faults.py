"""What is wrong with the tracking numbers of parcels, in words, number by number."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.joined import joined_texts
from reconcile.matching.columns import Bools, as_array, has, places, text, texts_at
from reconcile.matching.parcel_numbers import BETWEEN, is_damaged, split
from reconcile.tracking import CHECK_DIGIT, judge

_CHANGED = " is what a spreadsheet has made of the number"
_OF_NO_SHAPE = " has none of the shapes that the shop allows"


def shipment_faults(shipments: pd.DataFrame, patterns: Sequence[str]) -> pd.Series:
    """Which tracking number of each shipment cannot be right, and why; blank where all may be.

    Of what is left of a number that a spreadsheet has changed nothing else is said.
    """
    numbers, damaged = text(shipments, "tracking_no"), is_damaged(shipments)
    fault = number_faults(numbers, patterns)
    if damaged.any():
        fault = fault.where(~damaged, numbers + _CHANGED).astype("str")
    return fault


def number_faults(cells: pd.Series, patterns: Sequence[str]) -> pd.Series:
    """What is wrong with the numbers of each cell; blank where nothing is."""
    found = _judged(as_array(cells), patterns)
    wrong = found[(found["fault"] != "").to_numpy()].drop_duplicates(["at", "number"])
    said = joined_texts(wrong["at"], _in_words(wrong))
    shown = texts_at(said, places(said.index.to_numpy(np.int64), len(cells)))
    return shown.set_axis(cells.index)


def _in_words(wrong: pd.DataFrame) -> pd.Series:
    shape, digit, expected = (wrong[name].astype("str") for name in ("shape", "digit", "expected"))
    checked = " has the shape of " + shape + ", but its check digit is " + digit
    checked = checked + " instead of " + expected
    checked = checked.where(wrong["fault"] == CHECK_DIGIT, _OF_NO_SHAPE)
    said: pd.Series = wrong["number"] + checked
    return said


def _judged(cells: pa.Array, patterns: Sequence[str]) -> pd.DataFrame:
    """Every number of every cell as it is written, and what ``judge`` says of it; ``at``: whose.

    A cell may part numbers by blanks too. So where a part of a cell has no shape as a whole, and
    one of its words has one, its words are the numbers.
    """
    if not pc.all(pc.string_is_ascii(cells)).as_py():
        cells = pc.utf8_normalize(cells, "NFKC")
    marked = _matches(cells, BETWEEN)
    row, part = np.flatnonzero(~marked), cells.filter(pa.array(~marked))
    if marked.any():
        within, pieces = split(cells.filter(pa.array(marked)), BETWEEN)
        row = np.append(row, np.flatnonzero(marked)[within])
        part = pa.concat_arrays([part, pieces])
    whole = _said(part, row, np.arange(len(row)), patterns)
    torn = whole[(whole["shape"] == "").to_numpy() & whole["has_blanks"].to_numpy()]
    if torn.empty:
        return whole
    within, word = split(pa.array(torn["number"], pa.string()), r"\s+")
    mine = torn.iloc[within]
    words = _said(word, mine["at"].to_numpy(), mine["part"].to_numpy(), patterns)
    known = has(words.loc[words["shape"] != "", "part"].to_numpy(), len(row))
    pieces = [whole[~known[whole["part"].to_numpy()]], words[known[words["part"].to_numpy()]]]
    found: pd.DataFrame = pd.concat(pieces).sort_values("part", kind="stable")
    return found


def _said(
    numbers: pa.Array, at: np.ndarray, part: np.ndarray, patterns: Sequence[str]
) -> pd.DataFrame:
    """Texts with a digit, judged; a text without one is no number."""
    keep = _matches(numbers, "[0-9]")
    written = numbers if keep.all() else numbers.filter(pa.array(keep))
    blanks = _matches(written, r"\s")
    if blanks.any():
        written = pc.utf8_trim_whitespace(written)
        blanks = _matches(written, r"\s")
    out = judge(written, patterns)
    out["number"], out["has_blanks"] = written.to_pandas().astype("str"), blanks
    out["at"], out["part"] = at[keep], part[keep]
    return out


def _matches(texts: pa.Array, pattern: str) -> Bools:
    found = pc.match_substring_regex(texts, pattern)
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype=bool)
