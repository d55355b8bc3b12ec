"""Orders that have to be matched together: those that share an invoice, a payment or a parcel.

Everything about an order is decided within its group, but for what looks across all of them
(``reconcile.matching.shared`` says which groups that concerns).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.digests import digest_rows, digest_texts, is_one_of
from reconcile.kept import Records
from reconcile.matching.columns import Ints
from reconcile.matching.connected import connected
from reconcile.matching.parcel_numbers import number_parts

GROUPED = ("orders", "invoices", "payments", "shipments")
_ALONE = -1  # bears no reference to an order or an invoice
_BLANK = 0  # the digest of no text
Parts = Mapping[tuple[str, str], pd.DataFrame]
Groups = Mapping[str, NDArray[np.int32]]
Named = list[tuple[str, Ints, Ints]]  # a record, some of its rows, and the digest that each bears


def order_groups(records: Records, parts: Parts) -> Groups:
    """The group of each row, by record; -1 where a row bears no reference.

    Two rows are of one group where they name one order, one invoice number, one tracking number
    or, where references are ambiguous, one reference as it is written. Texts are told apart by
    their digests: if two ever had the same, their groups would be one, and be matched together.
    """
    counts = records.counts()
    links = _Links({name: counts[name] for name in GROUPED if name in counts})
    crowded = _crowded(records)
    links.add(_by_order(records, parts, "key"))
    if len(crowded):
        links.add(_by_order(records, parts, "ref", crowded))
    links.add(_by_invoice(records, parts))
    links.add(_by_number(records))
    return links.groups()


@dataclass
class _Links:
    """Names of things as numbers, and rows as what leads from one name to another.

    ``anchor``: by record the first name of each row, -1 where there is none yet.
    """

    rows: Mapping[str, int]
    anchor: dict[str, NDArray[np.int32]] = field(init=False)
    left: list[NDArray[np.int32]] = field(default_factory=list)
    right: list[NDArray[np.int32]] = field(default_factory=list)
    names: int = 0

    def __post_init__(self) -> None:
        self.anchor = {name: np.full(rows, _ALONE, np.int32) for name, rows in self.rows.items()}

    def add(self, named: Named) -> None:
        """Take names of one kind; those of another kind are others, whatever they read."""
        if not named:
            return
        codes, found = pd.factorize(np.concatenate([digest for _, _, digest in named]))
        code = (codes + self.names).astype(np.int32)
        self.names += len(found)
        ends = np.cumsum([len(row) for _, row, _ in named])
        for (record, row, digest), mine in zip(named, np.split(code, ends[:-1]), strict=True):
            told = digest != _BLANK
            if not told.all():
                row, mine = row[told], mine[told]  # noqa: PLW2901
            anchor = self.anchor[record]
            lacks = anchor[row] < 0
            anchor[row[lacks]] = mine[lacks]
            other = anchor[row] != mine
            self.left.append(anchor[row[other]])
            self.right.append(mine[other])

    def groups(self) -> Groups:
        """The group of each row."""
        left, right = (np.concatenate([_NONE, *each]) for each in (self.left, self.right))
        group = np.append(connected(self.names, left, right), _ALONE).astype(np.int32)
        return {name: group[anchor] for name, anchor in self.anchor.items()}


_NONE = np.zeros(0, dtype=np.int32)


def _by_order(records: Records, parts: Parts, what: str, only: Ints | None = None) -> Named:
    """Rows that name an order, by its key or by the reference (``what``), of some keys only."""
    column, named = {"key": "order_ref_key", "ref": "order_ref"}[what], []
    for record in GROUPED:
        if record != "payments":
            for row, piece in _numbered(records, record, ["order_ref_key", column]):
                named.append((record, row, _digests(piece[column])))
                if only is not None:
                    named[-1] = _some(named[-1], piece["order_ref_key"], only)
    paid = parts.get(("payments", "order_ref"))
    if paid is not None:
        named.append(("payments", paid["row_id"].to_numpy(np.int64), _digests(paid[what])))
        if only is not None:
            named[-1] = _some(named[-1], paid["key"], only)
    return named


def _some(named: tuple[str, Ints, Ints], key: pd.Series, only: Ints) -> tuple[str, Ints, Ints]:
    mine = is_one_of(_digests(key), only)
    return named[0], named[1][mine], named[2][mine]


def _by_invoice(records: Records, parts: Parts) -> Named:
    named: Named = [
        ("invoices", row, _digests(piece["invoice_no_key"]))
        for row, piece in _numbered(records, "invoices", ["invoice_no_key"])
    ]
    paid = parts.get(("payments", "invoice_no"))
    if paid is not None:
        named.append(("payments", paid["row_id"].to_numpy(np.int64), _digests(paid["key"])))
    return named


def _by_number(records: Records) -> Named:
    named: Named = []
    for row, piece in _numbered(records, "shipments", ["tracking_no"]):
        if "tracking_no" in piece:
            found = number_parts(piece["tracking_no"], words=False)
            mine = row[found["at"].to_numpy(np.int64)]
            named.append(("shipments", mine, _digests(found["number"])))
    return named


def _numbered(
    records: Records, record: str, wanted: list[str]
) -> Iterator[tuple[Ints, pd.DataFrame]]:
    """Some columns of a record piece by piece, with the numbers of the rows."""
    start = 0
    for piece in records.pieces(record, list(dict.fromkeys(wanted))):
        yield np.arange(start, start + len(piece)), piece
        start += len(piece)


def _digests(texts: pd.Series) -> Ints:
    """A digest of each text, 0 of a blank one."""
    digest = digest_texts(texts)
    digest[digest == _BLANK] = 1
    digest[(texts == "").to_numpy(dtype=bool)] = _BLANK
    return digest


def _crowded(records: Records) -> Ints:
    """Keys that several orders bear: those are told apart by the reference as it is written."""
    names = ["order_ref_key", "order_ref", "store"]
    pieces = [(np.zeros(0, np.int64), np.zeros(0, np.int64))]
    for piece in records.pieces("orders", names):
        order = digest_rows(((n, piece[n]) for n in names if n in piece), "order")
        pieces.append((_digests(piece["order_ref_key"]), order))
    key, order = (np.concatenate(each) for each in zip(*pieces, strict=True))
    distinct = key[~pd.Series(order, copy=False).duplicated().to_numpy()]
    return np.unique(distinct[pd.Series(distinct, copy=False).duplicated().to_numpy()])
