"""Messages to suppliers, ready to send: what is asked, order by order, with the sums."""

from __future__ import annotations

import re
import textwrap

import pandas as pd

from reconcile.report import columns
from reconcile.report.action_sheets import by_urgency
from reconcile.report.contents import MESSAGE_LISTS, Contents
from reconcile.report.summary import grouped
from reconcile.report.totals import money_rows

MESSAGES = "lists/messages"
_WIDTH = 72
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


def supplier_messages(contents: Contents) -> dict[str, str]:
    """Each message by the name of its file: one per supplier and list that has open rows."""
    found = contents.exceptions
    mine = found[(found["verdict"] == "open") & (found["supplier"] != "")]
    out: dict[str, str] = {}
    for kind in MESSAGE_LISTS:
        rows = mine[mine["list"] == kind]
        taken: set[str] = set()
        for supplier, part in rows.groupby("supplier", sort=True):
            name = _file_name(str(supplier), taken)
            out[f"{name}-{kind}.txt"] = _message(contents, kind, str(supplier), by_urgency(part))
    return out


def _file_name(supplier: str, taken: set[str]) -> str:
    """The supplier's name as a file's; two that would be named alike are numbered."""
    stem = re.sub(r"[^\w-]+", "-", supplier).strip("-")[:60] or "supplier"
    name, number = stem, 2
    while name.casefold() in taken:
        name, number = f"{stem}-{number}", number + 1
    taken.add(name.casefold())
    return name


def _message(contents: Contents, kind: str, supplier: str, rows: pd.DataFrame) -> str:
    shop = _plain(contents.shop)
    name = _plain(contents.addressed.get(supplier, supplier))
    lines = [
        f"Subject: {shop}: {_SUBJECT[kind]}, {contents.as_of.isoformat()}",
        "",
        f"To {name}",
        "",
        *_wrapped(_OPENING[kind]),
    ]
    for (title, request), part in rows.groupby(["title", "request"], sort=False):
        lines += ["", *_wrapped(f"{title} ({len(part):,})")]
        lines += [*_wrapped(str(request) or _REQUEST[kind]), ""]
        lines += [line for item in _items(part) for line in item]
    lines += ["", f"In all: {len(rows):,}", *_sums(rows), "", shop, ""]
    return "\n".join(lines)


def _items(rows: pd.DataFrame) -> list[list[str]]:
    """Per row: order, goods, document, amount and date; then the sentence with the numbers."""
    amounts = _amounts(rows)
    out = []
    names = ("order_ref", "sku", "document", "explanation")
    texts = zip(*(rows[name].astype(str) for name in names), amounts, rows["due_by"], strict=True)
    for order, sku, document, explanation, amount, due in texts:
        parts = [f"order {order}" if order else "", sku, document, amount]
        parts.append("" if pd.isna(due) else f"due {due.date().isoformat()}")
        head = _plain("; ".join(part for part in parts if part))
        out.append([f"- {head}", *_wrapped(explanation, "  ")])
    return out


def _amounts(rows: pd.DataFrame) -> list[str]:
    shown = columns.amounts(rows["amount_minor"], rows["currency"]).to_pylist()
    pairs = zip(shown, rows["currency"].astype(str), strict=True)
    return [f"{grouped(amount)} {code}" if amount else "" for amount, code in pairs]


def _sums(rows: pd.DataFrame) -> list[str]:
    """Totals by what the money is and by currency, never added across."""
    known = rows[rows["amount_minor"].notna()]
    sums = money_rows(known, ["class", "currency"])
    sums["amount_minor"] = sums["amount_minor"].astype("Int64")
    return [
        f"  {amount} {_CLASS[str(name)]}"
        for amount, name in zip(_amounts(sums), sums["class"], strict=True)
    ]


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        _plain(text),
        _WIDTH,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _plain(text: str) -> str:
    """One line: a text of a file cannot add lines of its own to a message."""
    return "".join(sign if sign.isprintable() else " " for sign in str(text)).strip()
