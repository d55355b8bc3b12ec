"""Tying the records together: which order, supplier order and item every row belongs to."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.empty import without_rows
from reconcile.matching.columns import (
    Ints,
    combined,
    count,
    first_rows,
    has,
    known,
    number,
    numbered,
    placed,
    ranked,
    text,
    texts_at,
)
from reconcile.matching.orders import OrderFinder, Orders, read_orders
from reconcile.matching.suppliers import BLANK, SupplierOrders, supplier_of_lines
from reconcile.records import RECORDS

ACCEPTED = "accepted"  # references that decisions give to payments without any
_DTYPES = {"money": "Int64", "price": "Int64", "count": "Int64", "date": "datetime64[s]"}


@dataclass(frozen=True)
class Names:
    """What the codes of the records stand for, in the order of the codes: 0 is the blank text."""

    supplier: pd.Series
    sku: pd.Series
    currency: pd.Series
    country: pd.Series


@dataclass
class Tied:
    """The records with their ties, all by position.

    ``lines``, ``invoices`` and ``shipments`` have ``order``, ``supplier_order`` and (the last
    two) ``item``; -1 where there is none. ``paid_orders``: references of payments (``row_id,
    ref, key, order, supplier_order``). ``paid_invoices``: invoice numbers of payments (``row_id,
    ref, key``). ``accepted``: payments without a reference, and the orders that a decision says
    each pays, as one text (``row_id, key``). ``components``: what each line needs of each supplier
    SKU (``line, item, units``), in line order. ``items``: ``supplier_order``, ``sku_code`` and
    first ``line`` of each item.

    Texts that many rows share are numbered, as ``names`` tells: ``supplier_code, sku_code,
    currency_code, country_code``; their codes sort as the texts do. ``number_code`` numbers the
    invoice numbers of invoices and ``paid_invoices``, in no order.
    """

    orders: Orders
    lines: pd.DataFrame
    invoices: pd.DataFrame
    payments: pd.DataFrame
    shipments: pd.DataFrame
    quotes: pd.DataFrame
    paid_orders: pd.DataFrame
    paid_invoices: pd.DataFrame
    accepted: pd.DataFrame
    supplier_orders: pd.DataFrame
    components: pd.DataFrame
    items: pd.DataFrame
    names: Names


def records_or_none(records: Mapping[str, pd.DataFrame], name: str) -> pd.DataFrame:
    """The rows of a record type; an empty table of the same shape where no source brings it."""
    if name in records:
        return records[name].copy(deep=False)
    record = RECORDS[name]
    kinds = {column.typed: _DTYPES.get(column.kind, "str") for column in record.columns}
    keys = [column.name for column in record.columns if column.kind in ("reference", "sku")]
    kinds |= {f"{name}_key": "str" for name in keys}
    return without_rows(kinds | dict.fromkeys(("file", "row", "age"), "int64"))


def tie(
    records: Mapping[str, pd.DataFrame],
    parts: Mapping[tuple[str, str], pd.DataFrame],
    brought: Mapping[str, frozenset[str]],
) -> Tied:
    """Find the order, the supplier order and the item of every row."""
    invoices, payments, shipments, quotes, sku_map = (
        records_or_none(records, name)
        for name in ("invoices", "payments", "shipments", "quotes", "sku_map")
    )
    paid_orders, paid_invoices = _parts(parts, "order_ref"), _parts(parts, "invoice_no")
    shipments["sku_key"] = text(shipments, "sku_key")
    rows = records["orders"].copy(deep=False)
    referring = (invoices, shipments, paid_orders)
    keys = [rows["order_ref_key"], invoices["order_ref_key"], shipments["order_ref_key"]]
    # To number the references of all by one list takes as long as to number all other texts.
    with ThreadPoolExecutor(max_workers=1) as aside:
        numbering = aside.submit(numbered, *keys, paid_orders["key"])
        names = _number_texts(rows, invoices, payments, shipments, quotes, sku_map)
        numbers = [invoices["invoice_no_key"], paid_invoices["key"]]
        [invoices["number_code"], paid_invoices["number_code"]], _ = numbered(*numbers)
        codes, named = numbering.result()
    orders = read_orders(rows, brought["orders"], codes[0])
    finder = OrderFinder(orders.orders, (orders.key_code, len(named)))
    refs = (invoices["order_ref"], shipments["order_ref"], paid_orders["ref"])
    for frame, code, ref in zip(referring, codes[1:], refs, strict=True):
        frame["order"] = finder.find_coded(code, ref)
    lines = orders.lines
    paid_orders["supplier_code"] = payments["supplier_code"].to_numpy()[paid_orders["row_id"]]
    _name_suppliers(lines, (quotes, sku_map), referring, names)
    tied = [lines, *referring]
    pairs = SupplierOrders(
        [frame["order"].to_numpy() for frame in tied],
        [frame["supplier_code"].to_numpy() for frame in tied],
        names.supplier,
    )
    for frame, place in zip(tied, pairs.numbers, strict=True):
        frame["supplier_order"] = place
    components, items = _items(lines, invoices, shipments, sku_map)
    return Tied(
        orders=orders,
        lines=lines,
        invoices=invoices,
        payments=payments,
        shipments=shipments,
        quotes=quotes,
        paid_orders=paid_orders,
        paid_invoices=paid_invoices,
        accepted=_parts(parts, ACCEPTED)[["row_id", "key"]],
        supplier_orders=pairs.frame,
        components=components,
        items=items,
        names=names,
    )


def _number_texts(
    lines: pd.DataFrame,
    invoices: pd.DataFrame,
    payments: pd.DataFrame,
    shipments: pd.DataFrame,
    quotes: pd.DataFrame,
    sku_map: pd.DataFrame,
) -> Names:
    """Add the codes of the texts that many rows share."""

    def add(name: str, column: str, *frames: pd.DataFrame) -> pd.Series:
        codes, names = ranked(*(text(frame, column) for frame in frames))
        for frame, code in zip(frames, codes, strict=True):
            frame[name] = code
        return names

    frames = (lines, invoices, payments, shipments, quotes, sku_map)
    suppliers = add("supplier_code", "supplier", *frames)
    currencies = add("currency_code", "currency", lines, invoices, payments, quotes)
    countries = add("country_code", "ship_to_country", lines, quotes)
    with_sku = (lines, invoices, shipments, quotes, sku_map)
    columns = [frame["sku_key"] for frame in with_sku] + [sku_map["supplier_sku_key"]]
    codes, skus = ranked(*columns)
    for frame, code in zip(with_sku, codes, strict=False):
        frame["sku_code"] = code
    sku_map["supplier_sku_code"] = codes[-1]
    return Names(suppliers, skus, currencies, countries)


def _name_suppliers(
    lines: pd.DataFrame,
    offers: tuple[pd.DataFrame, ...],
    events: tuple[pd.DataFrame, ...],
    names: Names,
) -> None:
    """Find the supplier of the lines that do not tell it."""
    happened = []
    for frame in events:
        known = (frame["order"] >= 0).to_numpy()
        sku = frame["sku_code"].to_numpy()[known] if "sku_code" in frame else None
        order, supplier = (frame[name].to_numpy()[known] for name in ("order", "supplier_code"))
        happened.append((order, supplier, sku))
    code = supplier_of_lines(
        lines["supplier_code"].to_numpy(),
        lines["order"].to_numpy(),
        lines["sku_code"].to_numpy(),
        [(frame["sku_code"].to_numpy(), frame["supplier_code"].to_numpy()) for frame in offers],
        happened,
    )
    lines["supplier_code"] = code
    lines["supplier"] = texts_at(names.supplier, code)


def _parts(parts: Mapping[tuple[str, str], pd.DataFrame], column: str) -> pd.DataFrame:
    nothing = without_rows({"row_id": "int64", "ref": "str", "key": "str"})
    return parts.get(("payments", column), nothing).copy()


def _components(lines: pd.DataFrame, sku_map: pd.DataFrame) -> pd.DataFrame:
    """What each line needs: its own SKU once, or the supplier's SKUs that the map names."""
    own = pd.DataFrame({"line": np.arange(len(lines)), "sku_code": lines["sku_code"], "units": 1})
    if sku_map.empty:
        return own
    entries = sku_map[["sku_code", "supplier_code", "supplier_sku_code"]].copy()
    entries["units"] = np.maximum(number(sku_map, "units", missing=1), 1)
    entries = entries.drop_duplicates(["sku_code", "supplier_code", "supplier_sku_code"])
    mapped = lines[["sku_code", "supplier_code"]].assign(line=own["line"])
    mapped = mapped.merge(entries, on=["sku_code", "supplier_code"])
    mapped = mapped[["line", "supplier_sku_code", "units"]]
    mapped = mapped.rename(columns={"supplier_sku_code": "sku_code"})
    bare = own[~has(mapped["line"].to_numpy(), len(own))]
    return pd.concat([bare, mapped]).sort_values(["line", "sku_code"], ignore_index=True)


def _items(
    lines: pd.DataFrame, invoices: pd.DataFrame, shipments: pd.DataFrame, sku_map: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Number the SKUs of each supplier order, and find them again in invoices and shipments."""
    components = _components(lines, sku_map)
    frames = (components, invoices, shipments)
    codes = [frame["sku_code"].to_numpy() for frame in frames]
    line = components["line"].to_numpy()
    supplier_order = lines["supplier_order"].to_numpy()[line]
    owners = (supplier_order, *(frame["supplier_order"].to_numpy() for frame in frames[1:]))
    size, place = _found(owners, codes)
    components["item"] = place[0]
    # A parcel under another supplier's name is still the goods, where only one item could be.
    lost = np.flatnonzero((place[2] < 0) & (codes[2] != BLANK))
    asked = shipments["order"].to_numpy()[lost]
    order = lines["order"].to_numpy()[line]
    near = np.flatnonzero(np.isin(order, asked[asked >= 0]))
    several, [own, other] = _found((order[near], asked), [codes[0][near], codes[2][lost]])
    alone = np.full(several + 1, -1)
    alone[own] = place[0][near]
    alone[own[alone[own] != place[0][near]]] = -1
    place[2][lost] = alone[other]
    first = first_rows(place[0], size)
    items = pd.DataFrame(
        {"supplier_order": supplier_order[first], "sku_code": codes[0][first], "line": line[first]}
    )
    invoices["item"], shipments["item"] = place[1], _counted(shipments, items, place[2])
    return components, items


def _counted(shipments: pd.DataFrame, items: pd.DataFrame, item: Ints) -> Ints:
    """The items of parcels: one that counts units without naming an SKU counts the only one.

    Without a count it stands for all of its order, whatever that is.
    """
    bare = np.flatnonzero((shipments["sku_code"] == BLANK) & known(shipments, "qty"))
    owner = shipments["supplier_order"].to_numpy()[bare]
    groups = int(max(owner.max(initial=-1), items["supplier_order"].max())) + 1 if len(items) else 0
    if not len(bare) or not groups:
        return item
    alone = np.full(groups + 1, -1)
    alone[items["supplier_order"]] = np.arange(len(items))
    alone[:-1][count(items["supplier_order"].to_numpy(), groups) != 1] = -1
    out = item.copy()
    out[bare] = alone[owner]
    return out


def _found(owners: tuple[Ints, ...], codes: list[Ints]) -> tuple[int, list[Ints]]:
    """How many pairs the first frame has, and where the pairs of all frames are among them."""
    owner, code = np.concatenate(owners), np.concatenate(codes)
    pair = combined(np.maximum(owner, -1), code)
    pair[owner < 0] = -1
    size, place = placed(pair, len(owners[0]))
    return size, np.split(place, np.cumsum([len(part) for part in owners])[:-1])
