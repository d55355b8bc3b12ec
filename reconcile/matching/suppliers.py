"""Who supplies a line: its own column, else the only supplier that could, else who did."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, combined, distinct, has, texts_at

BLANK = 0  # the code of a supplier or SKU that is not told
Event = tuple[Ints, Ints, Ints | None]


def supplier_of_lines(
    named: Ints, order: Ints, sku: Ints, offers: Iterable[tuple[Ints, Ints]], events: list[Event]
) -> Ints:
    """The supplier of each order line, BLANK where nobody can say; all by their codes.

    ``named``: the supplier of the line's own column; ``order`` and ``sku``: of each line.
    ``offers``: SKUs and suppliers (of quotes and SKU map). ``events``: orders, suppliers and,
    where they know it, SKUs of what happened.
    """
    lost = np.flatnonzero(named == BLANK)
    if not len(lost):
        return named
    out = named.copy()
    skus, suppliers = (np.concatenate(two) for two in zip(*offers, strict=True))
    out[lost] = _only(sku[lost], skus, suppliers)
    lost = lost[out[lost] == BLANK]
    orders, suppliers, skus = _happened(events, order[lost])
    use = skus != BLANK
    pairs = combined(np.append(order[lost], orders[use]), np.append(sku[lost], skus[use]))
    out[lost] = _only(pairs[: len(lost)], pairs[len(lost) :], suppliers[use])
    lost = lost[out[lost] == BLANK]
    out[lost] = _only(order[lost], orders, suppliers)
    return out


def _happened(events: list[Event], asked: Ints) -> tuple[Ints, Ints, Ints]:
    """Orders, suppliers and SKUs of what happened to the asked orders."""
    highest = max(int(orders.max(initial=0)) for orders in (asked, *(event[0] for event in events)))
    wanted = has(asked, highest + 1)
    pieces = []
    for event in events:
        use = wanted[event[0]]
        pieces.append((event[0][use], event[1][use], _skus(event)[use]))
    orders, suppliers, skus = (np.concatenate(three) for three in zip(*pieces, strict=True))
    return orders, suppliers, skus


def _skus(event: Event) -> Ints:
    orders, _, sku = event
    return np.full(len(orders), BLANK) if sku is None else sku


def _only(asked: Ints, keys: Ints, suppliers: Ints) -> Ints:
    """The supplier of each asked key where exactly one is known for it, else BLANK."""
    use = suppliers != BLANK
    keys, suppliers = keys[use], suppliers[use]
    if not len(keys):
        return np.full(len(asked), BLANK)
    numbers, first = distinct(np.concatenate([keys, asked]))
    known, wanted = numbers[: len(keys)], numbers[len(keys) :]
    only = np.full(len(first), BLANK)
    only[known] = suppliers
    only[known[only[known] != suppliers]] = BLANK
    return only[wanted]


class SupplierOrders:
    """Numbers the supplier orders: one customer order at one supplier.

    ``frame`` has one row each: ``order``, ``supplier``.
    """

    def __init__(self, orders: list[Ints], suppliers: list[Ints], names: pd.Series) -> None:
        """Number every pair of a known order and a supplier (a code) that any record brings."""
        order, code = np.concatenate(orders), np.concatenate(suppliers)
        keep = order >= 0
        order, code = order[keep], code[keep]
        numbers, first = distinct(combined(order, code))
        self.frame = pd.DataFrame(
            {
                "order": order[first],
                "supplier": texts_at(names, code[first]),
                "supplier_code": code[first],
            }
        )
        place = np.full(len(keep), -1, dtype=np.int64)
        place[keep] = numbers
        self.numbers: list[Ints] = np.split(place, np.cumsum([len(part) for part in orders])[:-1])
