"""Orders that have to be matched together: those that share an invoice, a payment or a parcel.

Everything about an order is decided within its group, but for what looks across all of them
(``reconcile.matching.shared`` says which groups that concerns).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, has, numbered
from reconcile.matching.connected import connected
from reconcile.matching.parcel_numbers import number_parts

GROUPED = ("orders", "invoices", "payments", "shipments")
_ALONE = -1  # bears no reference to an order or an invoice
Parts = Mapping[tuple[str, str], pd.DataFrame]
# Gives those of some columns that a record has, or None where there is no such record
Columns = Callable[[str, Sequence[str]], pd.DataFrame | None]
Named = list[tuple[Ints, pd.Series]]  # rows of all records, one below the other, and a text


def order_groups(columns: Columns, parts: Parts) -> dict[str, Ints]:
    """The group of each row, by record; -1 where a row bears no reference.

    Two rows are of one group where they name one order, one invoice number, one tracking number
    or, where references are ambiguous, one reference as it is written.
    """
    rows = {name: columns(name, ["row"]) for name in GROUPED}
    sizes = {name: len(frame) for name, frame in rows.items() if frame is not None}
    ends = np.cumsum([0, *sizes.values()])
    start = dict(zip(sizes, ends[:-1].tolist(), strict=True))
    named = [_coded(_by_order(columns, parts, start, "key"))]
    crowded = _crowded(columns)
    if len(crowded):
        keys, refs = (_by_order(columns, parts, start, what) for what in ("key", "ref"))
        several = [key.isin(crowded).to_numpy() for _, key in keys]
        raw = [(row[at], ref[at]) for (row, ref), at in zip(refs, several, strict=True)]
        named.append(_coded(raw))
    named.append(_coded(_by_invoice(columns, parts, start)))
    named.append(_coded(_by_number(columns, start)))
    group = _grouped(int(ends[-1]), named)
    return {name: group[start[name] : start[name] + size] for name, size in sizes.items()}


def _by_order(columns: Columns, parts: Parts, start: Mapping[str, int], what: str) -> Named:
    """Rows that name an order, by its key or by the reference (``what``)."""
    column = {"key": "order_ref_key", "ref": "order_ref"}[what]
    frames = {name: columns(name, [column]) for name in start if name != "payments"}
    return [
        *(
            (start[name] + np.arange(len(frame)), frame[column])
            for name, frame in frames.items()
            if frame is not None
        ),
        *_of_payments(parts, start, "order_ref", what),
    ]


def _by_invoice(columns: Columns, parts: Parts, start: Mapping[str, int]) -> Named:
    frame = columns("invoices", ["invoice_no_key"])
    named = _of_payments(parts, start, "invoice_no", "key")
    if frame is not None:
        named.append((start["invoices"] + np.arange(len(frame)), frame["invoice_no_key"]))
    return named


def _of_payments(parts: Parts, start: Mapping[str, int], column: str, what: str) -> Named:
    named = parts.get(("payments", column))
    if named is None:
        return []
    return [(start["payments"] + named["row_id"].to_numpy(np.int64), named[what])]


def _by_number(columns: Columns, start: Mapping[str, int]) -> Named:
    frame = columns("shipments", ["tracking_no"])
    if frame is None or "tracking_no" not in frame:
        return []
    found = number_parts(frame["tracking_no"], words=False)
    return [(start["shipments"] + found["at"].to_numpy(np.int64), found["number"])]


def _coded(pieces: Named) -> tuple[Ints, Ints, int]:
    """Rows that bear a text, the number of that text, and how many texts there are."""
    if not pieces:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), 0
    rows, names = zip(*pieces, strict=True)
    codes, texts = numbered(*names)
    row, code = np.concatenate(rows), np.concatenate(codes)
    told = np.append((texts != "").to_numpy(dtype=bool), False)[code]
    return row[told], code[told], len(texts)


def _crowded(columns: Columns) -> pd.Series:
    """Keys that several orders bear: those are told apart by the reference as it is written."""
    orders = columns("orders", ["order_ref_key", "order_ref", "store"])
    if orders is None:
        return pd.Series(dtype="str")
    distinct = orders.drop_duplicates()["order_ref_key"]
    found: pd.Series = distinct[distinct.duplicated()].drop_duplicates()
    return found


def _grouped(rows: int, named: list[tuple[Ints, Ints, int]]) -> Ints:
    """Rows that name one thing are of one group, with whatever each of them names besides."""
    left = np.concatenate([row for row, _, _ in named])
    begin = rows + np.cumsum([0, *(count for _, _, count in named)])
    right = np.concatenate([at + code for (_, code, _), at in zip(named, begin, strict=False)])
    group = connected(int(begin[-1]), left, right)[:rows]
    return np.where(has(left, rows), group, _ALONE)
