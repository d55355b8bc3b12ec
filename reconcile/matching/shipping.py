"""What was sent: parcels brought to order lines, in the shop's units."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, before, last_rows, pairs_of, total


def fill_lines(item: Ints, capacity: Ints, live: Ints, sent: Ints) -> Ints:
    """Units of each item handed to its rows in line order: live units first, then the others.

    Rows stand in line order. What no row has room for stays with the item's last row, so that
    nothing that was sent disappears.
    """
    first = _hand_out(item, live, sent)
    left = sent - total(item, first, len(sent))
    second = _hand_out(item, capacity - live, left)
    left = left - total(item, second, len(sent))
    out = first + second
    last = last_rows(item, len(sent))
    out[last] += left[item[last]]
    return out


def _hand_out(item: Ints, room: Ints, available: Ints) -> Ints:
    room = np.maximum(room, 0)
    handed = before(item, room, len(available))
    return np.asarray(np.clip(available[item] - handed, 0, room), dtype=np.int64)


def parcel_lines(*ways: tuple[Ints, Ints]) -> pd.DataFrame:
    """Which parcel line stands for which order line: ``shipment`` and ``line``, both positions.

    ``ways``: what brings them together, of each parcel line and of each order line; -1 is nothing.
    """
    found = []
    for parcels, lines in ways:
        groups = int(max(parcels.max(initial=-1), lines.max(initial=-1))) + 1
        found.append(pairs_of(parcels, lines, groups))
    shipment, line = (np.concatenate(pieces) for pieces in zip(*found, strict=True))
    return pd.DataFrame({"shipment": shipment, "line": line})
