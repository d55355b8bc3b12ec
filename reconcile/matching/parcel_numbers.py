"""Tracking numbers: read out of cells, told apart from damaged ones, and found again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.matching.columns import Bools, Ints, combined, has, numbered, text
from reconcile.matching.tie import Tied
from reconcile.tracking import compared

BETWEEN = r"[,;|\n]+"  # what parts the numbers of one cell


def is_damaged(frame: pd.DataFrame) -> Bools:
    """Which rows bear a tracking number that a spreadsheet has changed."""
    if "tracking_damaged" not in frame:
        return np.zeros(len(frame), dtype=bool)
    shown = (text(frame, "tracking_no") != "").to_numpy()
    return np.asarray(shown & frame["tracking_damaged"].fillna(value=False).to_numpy(dtype=bool))


def number_parts(cells: pd.Series, *, words: bool) -> pd.DataFrame:
    """The numbers of each cell as they are compared: ``at``, a position, and ``number``.

    Capitals, without blanks and hyphens; a cell may hold several between commas, semicolons or
    bars. With ``words`` also what stands between blanks, since a cell may part numbers so. A text
    without a digit is no number.
    """
    array = pa.array(cells, pa.string(), from_pandas=True)
    if isinstance(array, pa.ChunkedArray):
        array = array.combine_chunks()
    at = np.arange(len(array))
    array = pc.fill_null(array, "")
    odd = _bools(pc.match_substring_regex(array, "[^0-9A-Z]"))
    pieces = [_frame(at[~odd], array.filter(pa.array(~odd)))]
    if odd.any():
        row, part = split(pc.utf8_normalize(array.filter(pa.array(odd)), "NFKC"), BETWEEN)
        pieces.append(_frame(at[odd][row], compared(part)))
        if words:
            within, word = split(part, r"\s+")
            pieces.append(_frame(at[odd][row][within], compared(word)))
    found = pd.concat(pieces, ignore_index=True)
    return found[found["number"].str.contains("[0-9]", regex=True)].drop_duplicates()


def _bools(values: pa.Array) -> Bools:
    return np.asarray(values.to_numpy(zero_copy_only=False), dtype=bool)


def split(texts: pa.Array, mark: str) -> tuple[Ints, pa.Array]:
    """The parts of each text between marks, a regular expression: whose they are, and they."""
    lists = pc.split_pattern_regex(texts, mark)
    return pc.list_parent_indices(lists).to_numpy().astype(np.int64), pc.list_flatten(lists)


def _frame(at: np.ndarray, numbers: pa.Array) -> pd.DataFrame:
    return pd.DataFrame({"at": at, "number": numbers.to_pandas().astype("str")})


def posted_matches(tied: Tied, parcels: pd.DataFrame) -> tuple[Bools, Bools]:
    """For each line: whether its supplier gave a number, and whether the posted one is one of its.

    Every number that the supplier gave for the order counts, those of replacements too: a
    storefront often shows one number for all lines.
    """
    lines, shipments = tied.lines, tied.shipments
    given = number_parts(text(shipments, "tracking_no"), words=True)
    sent = has(given["at"].to_numpy(), len(shipments))
    gave = has(parcels["line"].to_numpy()[sent[parcels["shipment"].to_numpy()]], len(lines))
    posted = text(lines, "tracking_no")
    # Most are simply the first number: those need no further look.
    match = ((posted == lines["first_number"]) & (posted != "")).to_numpy(dtype=bool, copy=True)
    asked = np.flatnonzero(gave & ~match & (posted != "").to_numpy())
    if not len(asked):
        return gave, match
    shown = number_parts(posted.iloc[asked].reset_index(drop=True), words=True)
    [code, known], _ = numbered(shown["number"], given["number"])
    line = asked[shown["at"].to_numpy()]
    by_line = given.assign(code=known, shipment=given["at"]).merge(parcels, on="shipment")
    owner = shipments["supplier_order"].to_numpy()[given["at"].to_numpy()]
    hit = _among((line, code), (by_line["line"].to_numpy(), by_line["code"].to_numpy()))
    hit |= _among((lines["supplier_order"].to_numpy()[line], code), (owner, known))
    match[line[hit]] = True
    return gave, match


def _among(asked: tuple[np.ndarray, ...], known: tuple[np.ndarray, ...]) -> Bools:
    """Which pairs are among the known ones."""
    pair = combined(*(np.concatenate(two) for two in zip(asked, known, strict=True)))
    size = len(asked[0])
    return np.asarray(np.isin(pair[:size], pair[size:]))
