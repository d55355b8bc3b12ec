"""Orders that have to be matched together: those that share an invoice, a payment or a parcel.

Everything about an order is decided within its group, but for what looks across all of them
(``reconcile.matching.shared`` says which groups that concerns).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, numbered, text
from reconcile.matching.connected import connected
from reconcile.matching.parcel_numbers import number_parts

GROUPED = ("orders", "invoices", "payments", "shipments")
_ALONE = -1  # bears no reference to an order or an invoice


def order_groups(
    records: Mapping[str, pd.DataFrame], parts: Mapping[tuple[str, str], pd.DataFrame]
) -> dict[str, Ints]:
    """The group of each row, by record; -1 where a row bears no reference.

    Two rows are of one group where they name one order, one invoice number, one tracking number
    or, where references are ambiguous, one reference as it is written.
    """
    frames = {name: records[name] for name in GROUPED if name in records}
    ends = np.cumsum([0, *(len(frame) for frame in frames.values())])
    start = dict(zip(frames, ends[:-1].tolist(), strict=True))
    named: list[tuple[Ints, pd.Series]] = []  # rows of all records, and what each names
    by_order = _by_order(frames, parts, start)
    named.append(_joined([(row, key) for row, key, _ in by_order]))
    crowded = _crowded(records["orders"])
    if len(crowded):
        raw = [(row[key.isin(crowded)], ref[key.isin(crowded)]) for row, key, ref in by_order]
        named.append(_joined(raw))
    named.append(_joined(_by_invoice(frames, parts, start)))
    if "shipments" in frames:
        found = number_parts(text(frames["shipments"], "tracking_no"), words=False)
        named.append((start["shipments"] + found["at"].to_numpy(np.int64), found["number"]))
    group = _grouped(int(ends[-1]), named)
    return {name: group[start[name] : start[name] + len(frame)] for name, frame in frames.items()}


def _by_order(
    frames: Mapping[str, pd.DataFrame],
    parts: Mapping[tuple[str, str], pd.DataFrame],
    start: Mapping[str, int],
) -> list[tuple[Ints, pd.Series, pd.Series]]:
    """Rows that name an order: the row, the key and the reference."""
    found = [
        (start[name] + np.arange(len(frame)), frame["order_ref_key"], frame["order_ref"])
        for name, frame in frames.items()
        if "order_ref_key" in frame
    ]
    named = parts.get(("payments", "order_ref"))
    if named is not None:
        row = start["payments"] + named["row_id"].to_numpy(np.int64)
        found.append((row, named["key"], named["ref"]))
    return found


def _by_invoice(
    frames: Mapping[str, pd.DataFrame],
    parts: Mapping[tuple[str, str], pd.DataFrame],
    start: Mapping[str, int],
) -> list[tuple[Ints, pd.Series]]:
    found = []
    if "invoices" in frames:
        row = start["invoices"] + np.arange(len(frames["invoices"]))
        found.append((row, frames["invoices"]["invoice_no_key"]))
    named = parts.get(("payments", "invoice_no"))
    if named is not None:
        found.append((start["payments"] + named["row_id"].to_numpy(np.int64), named["key"]))
    return found


def _joined(pieces: list[tuple[Ints, pd.Series]]) -> tuple[Ints, pd.Series]:
    if not pieces:
        return np.zeros(0, dtype=np.int64), pd.Series(dtype="str")
    rows, names = zip(*pieces, strict=True)
    return np.concatenate(rows), pd.concat(names, ignore_index=True)


def _crowded(orders: pd.DataFrame) -> pd.Series:
    """Keys that several orders bear: those are told apart by the reference as it is written."""
    names = ["order_ref_key", "order_ref", *(["store"] if "store" in orders else [])]
    distinct = orders[names].drop_duplicates()["order_ref_key"]
    found: pd.Series = distinct[distinct.duplicated()].drop_duplicates()
    return found


def _grouped(rows: int, named: list[tuple[Ints, pd.Series]]) -> Ints:
    """Rows that name one thing are of one group, with whatever each of them names besides."""
    size, left, right = rows, [], []
    for row, names in named:
        [code], distinct = numbered(names)
        told = (distinct != "").to_numpy()[code] if len(distinct) else np.zeros(0, dtype=bool)
        left.append(row[told])
        right.append(size + code[told])
        size += len(distinct)
    group = connected(size, np.concatenate(left), np.concatenate(right))[:rows]
    bears = np.zeros(rows, dtype=bool)
    bears[np.concatenate(left)] = True
    return np.where(bears, group, _ALONE)
