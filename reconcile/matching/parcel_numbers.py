"""Tracking numbers: read out of cells, told apart from damaged ones, and found again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.matching.columns import (
    Bools,
    Ints,
    as_array,
    combined,
    count,
    has,
    numbered,
    pairs_of,
    text,
)
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
    array = as_array(cells)
    at = np.arange(len(array))
    odd = _bools(pc.match_substring_regex(array, "[^0-9A-Z]"))
    if not odd.any():
        return _with_digits(at, array)
    plain = _with_digits(at[~odd], array.filter(pa.array(~odd)))
    row, part = split(pc.utf8_normalize(array.filter(pa.array(odd)), "NFKC"), BETWEEN)
    pieces = [_with_digits(at[odd][row], compared(part))]
    if words:
        several = _bools(pc.match_substring_regex(part, r"\s"))
        within, word = split(part.filter(pa.array(several)), r"\s+")
        pieces.append(_with_digits(at[odd][row[several]][within], compared(word)))
    rest = pd.concat(pieces, ignore_index=True)
    again = count(rest["at"].to_numpy(), len(array))[rest["at"].to_numpy()] > 1
    found: pd.DataFrame = pd.concat(
        [plain, rest[~again], rest[again].drop_duplicates()], ignore_index=True
    )
    return found


def _bools(values: pa.Array) -> Bools:
    return np.asarray(values.to_numpy(zero_copy_only=False), dtype=bool)


def split(texts: pa.Array, mark: str) -> tuple[Ints, pa.Array]:
    """The parts of each text between marks, a regular expression: whose they are, and they."""
    lists = pc.split_pattern_regex(texts, mark)
    return pc.list_parent_indices(lists).to_numpy().astype(np.int64), pc.list_flatten(lists)


def _with_digits(at: np.ndarray, numbers: pa.Array) -> pd.DataFrame:
    digit = _bools(pc.match_substring_regex(numbers, "[0-9]"))
    if not digit.all():
        at, numbers = at[digit], numbers.filter(pa.array(digit))
    return pd.DataFrame({"at": at, "number": numbers.to_pandas().astype("str")})


def posted_others(tied: Tied, parcels: pd.DataFrame) -> Bools:
    """The lines whose supplier gave numbers, and whose posted one is none of these.

    Every number that the supplier gave for the order counts, those of replacements too: a
    storefront often shows one number for all lines.
    """
    lines, shipments = tied.lines, tied.shipments
    posted = text(lines, "tracking_no")
    out = np.zeros(len(lines), dtype=bool)
    # Most are simply the first number: those need no further look.
    asked = np.flatnonzero(((posted != lines["first_number"]) & (posted != "")).to_numpy())
    if not len(asked):
        return out
    line, shipment = (parcels[name].to_numpy() for name in ("line", "shipment"))
    near = has(asked, len(lines))[line]
    line, shipment = line[near], shipment[near]
    owner, owners = shipments["supplier_order"].to_numpy(), lines["supplier_order"].to_numpy()
    mine = has(owners[asked], len(tied.supplier_orders))
    wanted = has(shipment, len(shipments)) | ((owner >= 0) & np.append(mine, False)[owner])
    rows = np.flatnonzero(wanted)
    given = number_parts(text(shipments, "tracking_no").take(rows), words=True)
    by = rows[given["at"].to_numpy()]
    shown = number_parts(posted.take(asked), words=True)
    [code, known], _ = numbered(shown["number"], given["number"])
    at = asked[shown["at"].to_numpy()]
    number, parcel = pairs_of(by, shipment, len(shipments))
    hit = _among((at, code), (line[parcel], known[number]))
    hit |= _among((owners[at], code), (owner[by], known))
    out[line[has(by, len(shipments))[shipment]]] = True
    out[at[hit]] = False
    out &= has(asked, len(lines))
    return out


def _among(asked: tuple[np.ndarray, ...], known: tuple[np.ndarray, ...]) -> Bools:
    """Which pairs are among the known ones."""
    pair = combined(*(np.concatenate(two) for two in zip(asked, known, strict=True)))
    size = len(asked[0])
    return np.array(pd.Series(pair[:size]).isin(pair[size:]), dtype=bool)
