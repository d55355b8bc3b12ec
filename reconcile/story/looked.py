"""Where a reference was looked for, the rejected rows that name it, and what is near it."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from itertools import takewhile

import pandas as pd

from reconcile.intake.rejected import NAMES
from reconcile.matching.columns import text
from reconcile.matching.parcel_numbers import number_parts
from reconcile.night import Night
from reconcile.story.event import Place
from reconcile.story.named import cleaned, order_keys, tracking_keys

_WHAT = (
    ("orders", "orders"), ("invoices", "invoices"), ("payments", "payments"),
    ("shipments", "parcels"),
)  # fmt: skip
_NEAR, _CUTOFF = 5, 0.6
_MOST_COMPARED = 20_000  # keys of like length that are compared letter by letter
_NOT_SHOWN = ("recipient_key",)


@dataclass(frozen=True)
class Looked:
    """One kind of thing that was looked at: how many, in which files, up to which day."""

    what: str
    count: int
    files: tuple[str, ...]
    until: str


@dataclass(frozen=True)
class Rejected:
    """A row that could not be read and names the reference."""

    place: Place
    column: str
    text: str
    expected: str


@dataclass(frozen=True)
class Near:
    """Something that is called nearly so."""

    kind: str
    reference: str


def looked_at(night: Night) -> list[Looked]:
    """What there is to be found, kind by kind."""
    files, keys = night.intake.files, _all_keys(night)
    out = []
    for record, what in _WHAT:
        mine = files[files["record"] == record]
        if mine.empty:
            continue
        kind = what.removesuffix("s")
        count = int((keys["kind"] == kind).sum())
        names = tuple(dict.fromkeys(sorted(mine["file"])))
        out.append(Looked(what, count, names, str(mine["covered_to"].iloc[0])))
    return out


def not_searched(night: Night) -> int:
    """Rows of which nobody can say which cells they have: no reference can be found in them."""
    return int((night.intake.rejected["column"] == "").sum())


def rejected_rows(night: Night, reference: str) -> list[Rejected]:
    """Rejected rows that name the reference as their order, invoice, payment or number."""
    names = night.intake.rejected_names
    names = names[names["column"].isin(NAMES)]
    orders = names["source"].map(order_keys(night.shop, reference))
    wanted = orders.where(names["column"] == "order_ref", cleaned(reference))
    hit = (names["key"] == wanted) & (names["column"] != "tracking_no")
    numbers = tracking_keys(reference)
    parts = number_parts(names["key"].where(names["column"] == "tracking_no", ""), words=False)
    at = parts.loc[parts["number"].isin(numbers), "at"]
    hit |= pd.Series(range(len(names)), index=names.index).isin(at)
    mine = names.loc[hit, ["file", "row"]].drop_duplicates()
    files = night.intake.files[["file", "sheet"]].iloc[mine["file"]].reset_index(drop=True)
    places = files.assign(row=mine["row"].to_numpy())
    found = places.merge(night.intake.rejected, on=["file", "sheet", "row"])
    return [
        Rejected(
            Place(str(row["file"]), str(row["sheet"]), int(row["row"])),
            str(row["column"]),
            "" if row["column"] in _NOT_SHOWN else str(row["text"]),
            str(row["expected"]),
        )
        for row in found.sort_values(["file", "row"]).to_dict("records")
    ]


def nearest_to(night: Night, reference: str) -> list[Near]:
    """The things whose cleaned references are nearest to it, nearest first.

    Of those that are as near, the ones that begin alike for longest.
    """
    keys = _all_keys(night)
    asked = {*order_keys(night.shop, reference).values(), cleaned(reference)}
    asked |= tracking_keys(reference)
    rank: dict[str, tuple[float, int]] = {}
    for key in sorted(asked):
        some = keys[(keys["key"].str.len() - len(key)).abs() <= max(2, len(key) // 3)]
        if len(some) > _MOST_COMPARED:
            ends = some["key"].str.startswith(key[:3]) | some["key"].str.endswith(key[-3:])
            some = some[ends]
        known = sorted(set(some["key"]))[:_MOST_COMPARED]
        for near in difflib.get_close_matches(key, known, max(len(known), 1), _CUTOFF):
            ratio = difflib.SequenceMatcher(None, near, key).ratio()
            alike = (
                ratio,
                sum(
                    1 for _ in takewhile(lambda two: two[0] == two[1], zip(near, key, strict=False))
                ),
            )
            rank[near] = max(alike, rank.get(near, alike))
    best = sorted(rank, key=lambda near: (-rank[near][0], -rank[near][1], near))[:_NEAR]
    found = keys[keys["key"].isin(best)]
    found = (
        found.assign(place=[best.index(key) for key in found["key"]])
        .sort_values(["place", "kind", "shown"])
        .iloc[:_NEAR]
    )
    return [Near(kind, shown) for kind, shown in zip(found["kind"], found["shown"], strict=True)]


def _all_keys(night: Night) -> pd.DataFrame:
    """Everything that has a reference: ``kind, shown, key``; a document once for its supplier."""
    orders = night.matched.orders
    pieces = [orders[["order_ref", "key"]].set_axis(["shown", "key"], axis=1).assign(kind="order")]
    for kind, record, column in (
        ("invoice", "invoices", "invoice_no"),
        ("payment", "payments", "payment_ref"),
    ):
        frame = night.intake.records.get(record)
        if frame is not None:
            mine = frame[["supplier", column, f"{column}_key"]].sort_values(column)
            mine = mine.drop_duplicates(["supplier", f"{column}_key"])[[column, f"{column}_key"]]
            pieces.append(mine.set_axis(["shown", "key"], axis=1).assign(kind=kind))
    shipments = night.intake.records.get("shipments")
    if shipments is not None:
        parts = number_parts(text(shipments, "tracking_no"), words=False)
        supplier = shipments["supplier"].to_numpy()[parts["at"]]
        mine = pd.DataFrame({"supplier": supplier, "key": parts["number"].to_numpy()})
        mine = mine.drop_duplicates()[["key"]]
        pieces.append(mine.assign(shown=mine["key"], kind="parcel"))
    return pd.concat(pieces, ignore_index=True)[["kind", "shown", "key"]]
