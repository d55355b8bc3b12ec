"""Results of a night at Lantern Lane, small enough to read, to be written and read back."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from reconcile.lean import Texts
from reconcile.pieces import InMemory
from reconcile.report.contents import Contents, RejectedFile

AS_OF = date(2026, 10, 31)

_INTEGERS = (
    *("amount_minor", "amount_home_minor", "age_days", "line_no", "ordered", "live", "billed"),
    *("shipped", "agreed_minor", "billed_minor", "paid_minor", "rows", "header", "blank"),
    *(
        "totals",
        "repeats",
        "rejected",
        "later",
        "accepted",
        "sum_minor",
        "left",
        "right",
        "row",
        "count",
    ),
)
_DATES = ("event_date", "due_by", "ordered_date", "delivered_date")
_NIGHT = Path(__file__).parent / "night"


def frame(names: list[str], rows: list[list[str]]) -> pd.DataFrame:
    """A table in the types of ``Contents``, from texts."""
    table = pd.DataFrame(rows, columns=names, dtype="str")
    for name in table.columns:
        if name in _INTEGERS:
            table[name] = pd.to_numeric(table[name].replace("", None)).astype("Int64")
        elif name in _DATES:
            table[name] = pd.to_datetime(table[name].replace("", None)).astype("datetime64[s]")
    return table


def _read(name: str) -> pd.DataFrame:
    with (_NIGHT / f"{name}.csv").open(newline="", encoding="utf-8") as file:
        names, *rows = csv.reader(file)
    return frame(names, rows)


def results(**changes: Any) -> Contents:
    """A night with every verdict, class and list in it, and three numbers of decimals."""
    exceptions = _read("exceptions")
    exceptions["cause"] = ""
    exceptions.loc[exceptions["verdict"] == "follows", "cause"] = "double-paid:1002"
    exceptions.loc[exceptions["verdict"] == "unknown", "cause"] = "kestrel-payments: too old"
    exceptions["explanation"] = "For " + exceptions["order_ref"] + ": 2 payments of 90.00 in all."
    exceptions["action"] = "Write to " + exceptions["supplier"] + " and ask what happened."
    exceptions["request"] = "Please send it, or return the money."
    exceptions["evidence"] = "store/orders-1.csv row 2; payments/kestrel.csv row 17"
    exceptions["first_seen"] = "2026-10-30"
    exceptions["change"] = "same"
    proofs = _read("proofs")
    proofs["holds"] = proofs["holds"] == "yes"
    rules = frame(
        ["rule", "title", "severity", "class", "list", "settings", "changed"],
        [["unpaid", "Not paid", "high", "owed", "pay", "grace_days = 1", "yes"]],
    )
    rules["changed"] = rules["changed"] == "yes"
    cleared = frame(
        ["id", "rule", "title", "class", "list", "amount_minor", "currency", "order_ref", "sku",
         "supplier", "document", "reason", "evidence_of"],
        [["abcdefabcdef", "unpaid", "Not paid", "owed", "pay", "1250", "EUR", "LL-7", "",
          "kestrel", "", "new or changed rows in the payments", "payments/kestrel.csv row 31"]],
    )  # fmt: skip
    contents = Contents(
        shop="Lantern Lane",
        as_of=AS_OF,
        home_currency="EUR",
        version="0.1.0",
        exceptions=exceptions,
        texts=Texts(),
        night_before=date(2026, 10, 30),
        cleared=cleared,
        moves=_read("moves"),
        nights=frame(
            ["night", "class", "currency", "count", "amount_minor"],
            [
                ["2026-10-30", "owed", "EUR", "2", "5750"],
                ["2026-10-31", "owed", "EUR", "1", "4500"],
            ],
        ),
        order_lines=InMemory(_read("order_lines")),
        pay=frame(
            ["order_ref", "supplier", "invoice_no", "amount_minor", "currency", "due_by", "id"],
            [["LL-1001", "kestrel", "INV-5", "4500", "EUR", "2026-10-21", "unpaid:1001"]],
        ),
        post=frame(
            ["order_ref", "sku", "carrier", "tracking_no", "id"],
            [["LL-1007", "LAMP-1", "An Post", "1111222233334444", "to-post:1007"]],
        ),
        rejected=frame(
            ["source", "file", "sheet", "row", "column", "text", "expected"],
            [["store-orders", "store/orders-1.csv", "", "7", "qty", "two", "a whole number"]],
        ),
        rejected_files=[
            RejectedFile(
                name="store-orders-1.csv",
                rows=pd.DataFrame({"Order": ["LL-7"], "Pieces": ["two"]}, dtype="str"),
                delimiter=",",
                encoding="utf-8",
                above=0,
            )
        ],
        notes=frame(
            ["source", "file", "sheet", "row", "column", "text", "why"],
            [["store-orders", "store/orders-1.csv", "", "9", "ship_to_country", "Narnia", "odd"]],
        ),
        files=_read("files"),
        sums=_read("sums"),
        proofs=proofs,
        rules=rules,
        seconds={"intake": 0.25, "matching": 1.5},
    )
    return replace(contents, **changes)


def empty_results() -> Contents:
    """A night on which nothing was found, in tables without rows."""
    full = results()
    names = (
        *("exceptions", "pay", "post", "rejected", "notes", "files", "sums"),
        *("proofs", "cleared", "moves", "nights"),
    )
    nothing = {name: getattr(full, name).head(0) for name in names}
    none = InMemory(lines_of(full).head(0))
    return replace(full, rejected_files=[], order_lines=none, **nothing)


def lines_of(contents: Contents) -> pd.DataFrame:
    """The order lines, which are in one piece."""
    [lines] = contents.order_lines.pieces()
    return lines


def with_text(contents: Contents, text: str) -> Contents:
    """The same night with this text in every free text of every table."""
    kept = {"verdict", "class", "currency", "list", "severity", "state", "unit", "night", "move"}
    changed: dict[str, Any] = {"shop": text}
    for name, held in vars(contents).items():
        table = held.frame if isinstance(held, InMemory) else held
        if isinstance(table, pd.DataFrame):
            free = [
                column
                for column in table.columns
                if pd.api.types.is_string_dtype(table[column]) and column not in kept
            ]
            said = table.assign(**dict.fromkeys(free, text))
            changed[name] = InMemory(said) if isinstance(held, InMemory) else said
    return replace(contents, **changed)
