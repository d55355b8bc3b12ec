"""Messages to suppliers, ready to send: what is asked, order by order, with the sums."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.allocator import give_back
from reconcile.joined import filled_parts, side_by_side
from reconcile.lean import PIECE
from reconcile.report import columns
from reconcile.report.action_sheets import urgency
from reconcile.report.contents import MESSAGE_LISTS, Contents
from reconcile.report.lines import plain, plain_texts, wrap, wrapped_texts
from reconcile.report.totals import money_rows

MESSAGES = "lists/messages"
_WIDTH = 72
_INDENT = "  "
_SUBJECT = {
    "chase": "orders that are waiting for an answer",
    "claim": "amounts to be returned",
}
_OPENING = {
    "chase": "Please look into the orders below and tell us what we ask under each heading.",
    "claim": "Please return the amounts below, or set them off against your next invoice.",
}
_REQUEST = {
    "chase": "Please look into this and tell us.",
    "claim": "Please return the amount, or set it off against the next invoice.",
}
_CLASS = {
    "claim": "paid by us",
    "at-risk": "in question",
    "stop": "not paid, and disputed",
    "owed": "owed by us",
    "timing": "not lost",
    "info": "for information",
}
# What of an exception decides where it stands, and what its own lines are made of
_PLACING = (
    *("supplier", "title", "request", "class", "currency", "amount_minor", "amount_home_minor"),
    "due_by",
)
_NAMED = (*("currency", "amount_minor", "order_ref", "sku", "document", "due_by", "explanation"),)


@dataclass(frozen=True)
class _Part:
    """A part of a message: its heading, the lines of what is asked, and how many rows it has."""

    title: str
    request: list[str]
    count: int


def supplier_messages(contents: Contents) -> Iterator[tuple[str, Iterator[str]]]:
    """Each message with the name of its file: one per supplier and list that has open rows.

    A message is a line after the other, to be read before the next message is asked for.
    """
    found = contents.exceptions
    chosen = ((found["verdict"] == "open") & (found["supplier"] != "")).to_numpy(dtype=bool)
    for kind in MESSAGE_LISTS:
        at = np.flatnonzero(chosen & (found["list"] == kind).to_numpy(dtype=bool))
        rows = found[[*_PLACING]].iloc[at]
        order = urgency(rows)
        rows, at = rows.iloc[order], at[order]
        sums = _sums(rows)
        asked, order = _asked(rows, kind)
        items = _all_items(contents, at[order])
        taken: set[str] = set()
        for supplier, parts in asked.items():
            name = _file_name(supplier, taken)
            message = _message(contents, kind, supplier, parts, items, sums[supplier])
            yield f"{name}-{kind}.txt", message


def _all_items(contents: Contents, at: NDArray[np.int64]) -> Iterator[str]:
    """The lines of some exceptions, of which not too many are held at once."""
    for start in range(0, len(at), PIECE):
        rows = contents.texts.rows(contents.exceptions, at[start : start + PIECE], _NAMED)
        yield from _items(rows).to_pylist()
        give_back()


def _file_name(supplier: str, taken: set[str]) -> str:
    """The supplier's name as a file's; two that would be named alike are numbered."""
    stem = re.sub(r"[^\w-]+", "-", supplier).strip("-")[:60] or "supplier"
    name, number = stem, 2
    while name.casefold() in taken:
        name, number = f"{stem}-{number}", number + 1
    taken.add(name.casefold())
    return name


def _asked(rows: pd.DataFrame, kind: str) -> tuple[dict[str, list[_Part]], NDArray[np.int64]]:
    """What each supplier is asked, heading by heading as they first come, by supplier.

    And the order of the rows in all of that.
    """
    supplier, names = pd.factorize(rows["supplier"], sort=True)
    title, titles = pd.factorize(rows["title"])
    request, requests = pd.factorize(rows["request"])
    group = (supplier * len(titles) + title) * len(requests) + request
    _, first, of, counts = np.unique(
        group, return_index=True, return_inverse=True, return_counts=True
    )
    asks = [wrap(plain(str(one) or _REQUEST[kind]), _WIDTH) for one in requests]
    out: dict[str, list[_Part]] = {str(name): [] for name in names}
    for at in np.lexsort((first, supplier[first])):
        row = first[at]
        part = _Part(titles[title[row]], asks[request[row]], int(counts[at]))
        out[str(names[supplier[row]])].append(part)
    return out, np.lexsort((first[of], supplier))


def _message(
    contents: Contents,
    kind: str,
    supplier: str,
    parts: list[_Part],
    items: Iterator[str],
    sums: list[str],
) -> Iterator[str]:
    """The lines of a message; those of its rows are the next of ``items``."""
    shop = plain(contents.shop)
    name = plain(contents.addressed.get(supplier, supplier))
    yield f"Subject: {shop}: {_SUBJECT[kind]}, {contents.as_of.isoformat()}"
    yield from ("", f"To {name}", "", *wrap(_OPENING[kind], _WIDTH))
    for part in parts:
        yield from ("", *wrap(plain(f"{part.title} ({part.count:,})"), _WIDTH), *part.request, "")
        yield from islice(items, part.count)
    count = sum(part.count for part in parts)
    yield from ("", f"In all: {count:,}", *sums, "", shop)


def _items(rows: pd.DataFrame) -> pa.Array:
    """Per row: order, goods, document, amount and date; then the sentence with the numbers."""
    order = columns.text(rows["order_ref"])
    due = pc.cast(columns.days(rows["due_by"]), pa.string())
    head = filled_parts(
        side_by_side("order ", order),
        columns.text(rows["sku"]),
        columns.text(rows["document"]),
        _amounts(rows),
        side_by_side("due ", due),
        between="; ",
    )
    why = plain_texts(pc.fill_null(columns.text(rows["explanation"]), ""))
    why = wrapped_texts(why, _WIDTH - len(_INDENT))
    why = pc.if_else(pc.equal(why, ""), why, side_by_side("\n", why))
    why = pc.replace_substring(why, "\n", f"\n{_INDENT}")
    return side_by_side("- ", plain_texts(head), why)


def _amounts(rows: pd.DataFrame) -> pa.Array:
    """Amounts with their thousands set apart and their currency; null where there is none."""
    shown = columns.grouped(columns.amounts(rows["amount_minor"], rows["currency"]))
    currency = pc.fill_null(columns.text(rows["currency"]), "")
    return side_by_side(shown, currency, between=" ")


def _sums(rows: pd.DataFrame) -> defaultdict[str, list[str]]:
    """By supplier totals by what the money is and by currency, never added across."""
    known = rows[rows["amount_minor"].notna()]
    sums = money_rows(known, ["supplier", "class", "currency"])
    out = defaultdict[str, list[str]](list)
    for supplier, amount, name in zip(
        sums["supplier"], _amounts(sums).to_pylist(), sums["class"], strict=True
    ):
        out[str(supplier)].append(f"  {amount} {_CLASS[str(name)]}")
    return out
