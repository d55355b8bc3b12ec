"""What was sent: parcels brought to order lines, in the shop's units."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.matching.columns import Bools, Ints, total


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
    last = ~pd.Series(item).duplicated(keep="last").to_numpy()
    out[last] += left[item[last]]
    return out


def _hand_out(item: Ints, room: Ints, available: Ints) -> Ints:
    room = np.maximum(room, 0)
    before = pd.Series(room).groupby(item, sort=False).cumsum().to_numpy(np.int64) - room
    return np.asarray(np.clip(available[item] - before, 0, room), dtype=np.int64)


def parcel_lines(
    shipments: pd.DataFrame, shipment_item: Ints, line_item: Ints, line_order: Ints, whole: Bools
) -> pd.DataFrame:
    """Which parcel line stands for which order line: ``shipment`` and ``line``, both positions.

    ``whole`` are the parcel lines without a SKU: they stand for every line of their supplier
    order, whose numbers ``shipment_order`` and ``line_order`` hold.
    """
    parcels = pd.DataFrame(
        {
            "shipment": np.arange(len(shipments)),
            "item": shipment_item,
            "order": shipments["supplier_order"].to_numpy(),
        }
    )
    lines = pd.DataFrame(
        {"line": np.arange(len(line_item)), "item": line_item, "order": line_order}
    )
    by_item = parcels[~whole & (shipment_item >= 0)].merge(lines[["line", "item"]], on="item")
    by_order = parcels[whole & (parcels["order"].to_numpy() >= 0)].merge(
        lines[["line", "order"]], on="order"
    )
    return pd.concat([by_item, by_order], ignore_index=True)[["shipment", "line"]]
