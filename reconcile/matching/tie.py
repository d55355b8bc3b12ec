"""Tying the records together: which order, supplier order and item every row belongs to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.columns import Ints, combined, number, numbered, placed, text
from reconcile.matching.orders import OrderFinder, Orders, read_orders
from reconcile.matching.suppliers import SupplierOrders, supplier_of_lines
from reconcile.records import RECORDS

_DTYPES = {"money": "Int64", "price": "Int64", "count": "Int64", "date": "datetime64[s]"}


@dataclass
class Tied:
    """The records with their ties, all by position.

    ``lines``, ``invoices`` and ``shipments`` have ``order``, ``supplier_order`` and (the last
    two) ``item``; -1 where there is none. ``paid_orders``: references of payments (``row_id,
    ref, key, order, supplier_order``). ``paid_invoices``: invoice numbers of payments (``row_id,
    ref, key``). ``components``: what each line needs of each supplier SKU (``line, item,
    units``), in line order. ``items``: ``supplier_order``, ``sku_key`` of each item.
    """

    orders: Orders
    lines: pd.DataFrame
    invoices: pd.DataFrame
    payments: pd.DataFrame
    shipments: pd.DataFrame
    quotes: pd.DataFrame
    paid_orders: pd.DataFrame
    paid_invoices: pd.DataFrame
    supplier_orders: pd.DataFrame
    components: pd.DataFrame
    items: pd.DataFrame


def records_or_none(records: Mapping[str, pd.DataFrame], name: str) -> pd.DataFrame:
    """The rows of a record type; an empty table of the same shape where no source brings it."""
    if name in records:
        return records[name].copy(deep=False)
    record = RECORDS[name]
    columns = {
        column.typed: pd.Series(dtype=_DTYPES.get(column.kind, "str")) for column in record.columns
    }
    keys = [column.name for column in record.columns if column.kind in ("reference", "sku")]
    columns |= {f"{name}_key": pd.Series(dtype="str") for name in keys}
    columns |= {name: pd.Series(dtype="int64") for name in ("file", "row", "age")}
    return pd.DataFrame(columns)


def tie(
    records: Mapping[str, pd.DataFrame],
    parts: Mapping[tuple[str, str], pd.DataFrame],
    brought: Mapping[str, frozenset[str]],
) -> Tied:
    """Find the order, the supplier order and the item of every row."""
    orders = read_orders(records["orders"], brought["orders"])
    finder = OrderFinder(orders.orders)
    lines = orders.lines
    invoices, payments, shipments, quotes, sku_map = (
        records_or_none(records, name)
        for name in ("invoices", "payments", "shipments", "quotes", "sku_map")
    )
    for frame in (invoices, shipments):
        frame["order"] = finder.find(frame["order_ref_key"], frame["order_ref"])
    shipments["sku_key"] = text(shipments, "sku_key")
    paid_orders = _parts(parts, "order_ref")
    paid_orders["order"] = finder.find(paid_orders["key"], paid_orders["ref"])
    paid_orders["supplier"] = payments["supplier"].to_numpy()[paid_orders["row_id"]]
    events = [
        frame[frame["order"] >= 0][[name for name in _EVENT if name in frame]]
        for frame in (invoices, shipments, paid_orders)
    ]
    lines["supplier"] = supplier_of_lines(lines, (quotes, sku_map), events).to_numpy()
    lines["supplier"] = lines["supplier"].astype("str")
    tied = [lines, invoices, shipments, paid_orders]
    pairs = SupplierOrders(
        [frame["order"].to_numpy() for frame in tied], [frame["supplier"] for frame in tied]
    )
    for frame, numbers in zip(tied, pairs.numbers, strict=True):
        frame["supplier_order"] = numbers
    components, items = _items(lines, invoices, shipments, sku_map)
    return Tied(
        orders=orders,
        lines=lines,
        invoices=invoices,
        payments=payments,
        shipments=shipments,
        quotes=quotes,
        paid_orders=paid_orders,
        paid_invoices=_parts(parts, "invoice_no"),
        supplier_orders=pairs.frame,
        components=components,
        items=items,
    )


_EVENT = ("order", "supplier", "sku_key")


def _parts(parts: Mapping[tuple[str, str], pd.DataFrame], column: str) -> pd.DataFrame:
    nothing = pd.DataFrame({"row_id": [], "ref": [], "key": []})
    nothing = nothing.astype({"row_id": "int64", "ref": "str", "key": "str"})
    return parts.get(("payments", column), nothing).copy()


def _components(lines: pd.DataFrame, sku_map: pd.DataFrame) -> pd.DataFrame:
    """What each line needs: its own SKU once, or the supplier's SKUs that the map names."""
    own = pd.DataFrame({"line": np.arange(len(lines)), "sku_key": lines["sku_key"], "units": 1})
    if sku_map.empty:
        return own
    entries = sku_map[["sku_key", "supplier", "supplier_sku_key"]].copy()
    entries["units"] = np.maximum(number(sku_map, "units", missing=1), 1)
    entries = entries.drop_duplicates(["sku_key", "supplier", "supplier_sku_key"])
    mapped = lines[["sku_key", "supplier"]].assign(line=own["line"])
    mapped = mapped.merge(entries, on=["sku_key", "supplier"])
    mapped = mapped[["line", "supplier_sku_key", "units"]]
    mapped = mapped.rename(columns={"supplier_sku_key": "sku_key"})
    bare = own[~own["line"].isin(mapped["line"])]
    return pd.concat([bare, mapped]).sort_values(["line", "sku_key"], ignore_index=True)


def _items(
    lines: pd.DataFrame, invoices: pd.DataFrame, shipments: pd.DataFrame, sku_map: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Number the SKUs of each supplier order, and find them again in invoices and shipments."""
    components = _components(lines, sku_map)
    frames = (components, invoices, shipments)
    codes, _ = numbered(*(frame["sku_key"] for frame in frames))
    supplier_order = lines["supplier_order"].to_numpy()[components["line"]]
    owners = (supplier_order, *(frame["supplier_order"].to_numpy() for frame in frames[1:]))
    items, place = _found(owners, codes)
    components["item"] = place[0]
    invoices["item"], shipments["item"] = place[1], place[2]
    # A parcel under another supplier's name is still the goods, where only one item could be.
    orders = (lines["order"].to_numpy()[components["line"]], shipments["order"].to_numpy())
    several, [own, other] = _found(orders, [codes[0], codes[2]])
    alone = pd.DataFrame({"pair": own, "item": place[0]}).drop_duplicates()
    alone = alone[~alone.duplicated("pair", keep=False)]
    item_of = np.full(several + 1, -1)
    item_of[alone["pair"]] = alone["item"]
    lost = (place[2] < 0) & (shipments["sku_key"] != "").to_numpy()
    shipments["item"] = np.where(lost, item_of[other], place[2])
    frame = components.drop_duplicates("item").sort_values("item")
    first = frame.index.to_numpy()
    return components, pd.DataFrame(
        {
            "supplier_order": supplier_order[first],
            "sku_key": components["sku_key"].to_numpy()[first],
            "sku": lines["sku"].to_numpy()[components["line"].to_numpy()[first]],
        },
        index=pd.RangeIndex(items),
    )


def _found(owners: tuple[Ints, ...], codes: list[Ints]) -> tuple[int, list[Ints]]:
    """How many pairs the first frame has, and where the pairs of all frames are among them."""
    owner, code = np.concatenate(owners), np.concatenate(codes)
    pair = combined(np.maximum(owner, -1), code)
    pair[owner < 0] = -1
    size, place = placed(pair, len(owners[0]))
    return size, np.split(place, np.cumsum([len(part) for part in owners])[:-1])
