"""Messages to suppliers, ready to send: what is asked, order by order, with the sums."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.joined import filled_parts, side_by_side
from reconcile.report import columns
from reconcile.report.action_sheets import by_urgency
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
# What of an exception a message is made of
_NAMES = (
    *("id", "title", "request", "supplier", "list", "class", "currency", "amount_minor"),
    *("amount_home_minor", "order_ref", "sku", "document", "due_by", "explanation"),
)


def supplier_messages(contents: Contents) -> dict[str, str]:
    """Each message by the name of its file: one per supplier and list that has open rows."""
    found = contents.exceptions
    chosen = (found["verdict"] == "open") & found["list"].isin(MESSAGE_LISTS)
    at = np.flatnonzero(chosen & (found["supplier"] != ""))
    mine = contents.texts.rows(found, at, _NAMES).assign(at=np.arange(len(at)))
    items = _items(mine)
    out: dict[str, str] = {}
    for kind in MESSAGE_LISTS:
        rows = by_urgency(mine[mine["list"] == kind])
        taken: set[str] = set()
        for supplier, part in rows.groupby("supplier", sort=True):
            name = _file_name(str(supplier), taken)
            out[f"{name}-{kind}.txt"] = _message(contents, kind, str(supplier), part, items)
    return out


def _file_name(supplier: str, taken: set[str]) -> str:
    """The supplier's name as a file's; two that would be named alike are numbered."""
    stem = re.sub(r"[^\w-]+", "-", supplier).strip("-")[:60] or "supplier"
    name, number = stem, 2
    while name.casefold() in taken:
        name, number = f"{stem}-{number}", number + 1
    taken.add(name.casefold())
    return name


def _message(
    contents: Contents, kind: str, supplier: str, rows: pd.DataFrame, items: pa.Array
) -> str:
    shop = plain(contents.shop)
    name = plain(contents.addressed.get(supplier, supplier))
    lines = [
        f"Subject: {shop}: {_SUBJECT[kind]}, {contents.as_of.isoformat()}",
        "",
        f"To {name}",
        "",
        *wrap(_OPENING[kind], _WIDTH),
    ]
    for (title, request), part in rows.groupby(["title", "request"], sort=False):
        lines += ["", *wrap(plain(f"{title} ({len(part):,})"), _WIDTH)]
        lines += [*wrap(plain(str(request) or _REQUEST[kind]), _WIDTH), ""]
        lines += items.take(pa.array(part["at"].to_numpy())).to_pylist()
    lines += ["", f"In all: {len(rows):,}", *_sums(rows), "", shop, ""]
    return "\n".join(lines)


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


def _sums(rows: pd.DataFrame) -> list[str]:
    """Totals by what the money is and by currency, never added across."""
    known = rows[rows["amount_minor"].notna()]
    sums = money_rows(known, ["class", "currency"])
    sums["amount_minor"] = sums["amount_minor"].astype("Int64")
    return [
        f"  {amount} {_CLASS[str(name)]}"
        for amount, name in zip(_amounts(sums).to_pylist(), sums["class"], strict=True)
    ]
