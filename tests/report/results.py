"""Results of a night at Lantern Lane, small enough to read, to be written and read back."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pandas as pd

from reconcile.report.contents import Contents

AS_OF = date(2026, 10, 31)

_EXCEPTIONS = """
id|rule|title|verdict|severity|class|minor|currency|home|order|sku|supplier|document|event|due|age|list
unpaid:1001|unpaid|Not paid|open|high|owed|4500|EUR|4500|LL-1001||kestrel||2026-10-20|2026-10-21|11|pay
double-paid:1002|double-paid|Paid more than once|open|high|claim|123456789|EUR|123456789|LL-1002||kestrel||2026-10-02|2026-10-02|29|claim
double-paid:1003|double-paid|Paid more than once|open|high|claim|3100|JPY|1900|LL-1003||alder||2026-10-05|2026-10-05|26|claim
unfulfilled:1004|unfulfilled|Paid and not sent|open|medium|claim|1250|BHD|3021|LL-1004|LAMP-7|alder||2026-10-10|2026-10-15|16|chase
unfulfilled:1005|unfulfilled|Paid and not sent|open|medium|claim|999|EUR|999|LL-1005|LAMP-8|alder||2026-10-11|2026-10-16|15|chase
no-tracking:P1|missing-tracking|No tracking number|open|low|timing||||LL-1006|LAMP-9|kestrel|1111222233334444|2026-10-12|2026-10-14|17|chase
to-post:1007|tracking-not-posted|Tracking number not posted|open|low|timing||||LL-1007|LAMP-1|kestrel|00123|2026-10-12|2026-10-13|18|post
billed-twice:1008|billed-twice|Billed twice|open|medium|stop|2000|EUR|2000|LL-1008|LAMP-2|kestrel|INV-77|2026-10-12|2026-10-12|19|hold
unknown-order:9|unknown-order|Order in no export|open|medium|at-risk|-5|EUR|-5|9999||alder|10e5|2026-10-12||19|check
rows-rejected|rows-rejected|Rows could not be read|open|high|info|||||||||||check
unpaid:1010|unpaid|Not paid|waiting|high|owed|100|EUR|100|LL-1010||kestrel||2026-10-30|2026-10-31|1|pay
unpaid:1011|unpaid|Not paid|unknown|high|owed|100|EUR|100|LL-1011||kestrel||2026-10-01|2026-10-02|30|pay
billed-twice:1002|billed-twice|Billed twice|follows|medium|claim|100|EUR|100|LL-1002|LAMP-2|kestrel|INV-1|2026-10-01|2026-10-02|30|claim
overpaid:1012|overpaid|Paid too much|accepted|medium|claim|100|EUR|100|LL-1012||kestrel||2026-10-01|2026-10-02|30|claim
"""

_LINES = """
order|store|line|sku|supplier|ordered_date|state|ordered|live|billed|shipped|posted|delivered|currency|agreed|billed_m|paid
LL-1001|main|1|LAMP-1|kestrel|2026-10-19|to-pay|1|1|1|0|||EUR|4500|4500|0
LL-1002|main|1|LAMP-2|kestrel|2026-10-01|delivered|2|2|2|2|1111222233334444|2026-10-15|EUR|4500|4500|9000
LL-1003|main|1|LAMP-3|alder|2026-10-02|in-transit|1|1|1|1|RA473124829GB||JPY|3100|3100|6200
LL-1004|main|1|LAMP-7|alder|2026-10-08|to-ship|3|3|3|0|||BHD|1250|1250|1250
LL-1009|main|1|LAMP-7||2026-10-08|unknown|3|3|0|0||||||
"""

_FILES = """
source|record|file|sheet|sha256|rows|header|blank|totals|repeats|rejected|later|accepted|covered_to
store-orders|orders|store/orders-1.csv||aa11|12|1|1|0|2|1|0|7|2026-10-31
store-orders|orders|store/orders-2.csv||bb22|5|1|0|0|0|0|1|3|2026-10-31
kestrel-bills|invoices|invoices/kestrel.xlsx|Export|cc33|9|4|0|1|0|0|0|4|2026-10-31
"""

_SUMS = """
source|record|file|column|currency|rows|sum_minor
store-orders|orders|store/orders-1.csv|unit_price|EUR|7|123450
store-orders|orders|store/orders-2.csv|unit_price|EUR|3|50
kestrel-bills|invoices|invoices/kestrel.xlsx|line_total|JPY|4|3100
"""

_PROOFS = """
proof|unit|left|right|holds
Rows in files = header, blank, totals, repeats, rejected, later and accepted rows|rows|26|26|yes
Settled payments = allocated, on an invoice, suggested and not allocated|EUR|1234567|1234567|yes
"""

_INTEGERS = (
    *("amount_minor", "amount_home_minor", "age_days", "line_no", "ordered", "live", "billed"),
    *("shipped", "agreed_minor", "billed_minor", "paid_minor", "rows", "header", "blank"),
    *("totals", "repeats", "rejected", "later", "accepted", "sum_minor", "left", "right", "row"),
)
_DATES = ("event_date", "due_by", "ordered_date", "delivered_date")
_RENAMED = {
    **{"minor": "amount_minor", "home": "amount_home_minor", "order": "order_ref"},
    **{"event": "event_date", "due": "due_by", "age": "age_days", "line": "line_no"},
    **{"delivered": "delivered_date", "agreed": "agreed_minor", "billed_m": "billed_minor"},
    **{"paid": "paid_minor"},
}


def frame(names: list[str], rows: list[list[str]]) -> pd.DataFrame:
    """A table in the types of ``Contents``, from texts."""
    table = pd.DataFrame(rows, columns=names, dtype="str").rename(columns=_RENAMED)
    for name in table.columns:
        if name in _INTEGERS:
            table[name] = pd.to_numeric(table[name].replace("", None)).astype("Int64")
        elif name in _DATES:
            table[name] = pd.to_datetime(table[name].replace("", None)).astype("datetime64[s]")
    return table


def _read(text: str) -> pd.DataFrame:
    names, *rows = [line.split("|") for line in text.strip().splitlines()]
    return frame(names, rows)


def results(**changes: Any) -> Contents:
    """A night with every verdict, class and list in it, and three numbers of decimals."""
    exceptions = _read(_EXCEPTIONS)
    exceptions["cause"] = ""
    exceptions.loc[exceptions["verdict"] == "follows", "cause"] = "double-paid:1002"
    exceptions.loc[exceptions["verdict"] == "unknown", "cause"] = "kestrel-payments: too old"
    exceptions["explanation"] = "For " + exceptions["order_ref"] + ": 2 payments of 90.00 in all."
    exceptions["action"] = "Write to " + exceptions["supplier"] + " and ask what happened."
    exceptions["evidence"] = "store/orders-1.csv row 2; payments/kestrel.csv row 17"
    exceptions["first_seen"] = "2026-10-30"
    exceptions["change"] = "same"
    proofs = _read(_PROOFS)
    proofs["holds"] = proofs["holds"] == "yes"
    rules = frame(
        ["rule", "title", "severity", "class", "list", "settings", "changed"],
        [["unpaid", "Not paid", "high", "owed", "pay", "grace_days = 1", "yes"]],
    )
    rules["changed"] = rules["changed"] == "yes"
    contents = Contents(
        shop="Lantern Lane",
        as_of=AS_OF,
        home_currency="EUR",
        version="0.1.0",
        exceptions=exceptions,
        order_lines=_read(_LINES),
        pay=frame(
            ["order_ref", "supplier", "invoice_no", "amount_minor", "currency", "due_by"],
            [["LL-1001", "kestrel", "INV-5", "4500", "EUR", "2026-10-21"]],
        ),
        post=frame(
            ["order_ref", "sku", "carrier", "tracking_no"],
            [["LL-1007", "LAMP-1", "An Post", "1111222233334444"]],
        ),
        rejected=frame(
            ["source", "file", "sheet", "row", "column", "text", "expected"],
            [["store-orders", "store/orders-1.csv", "", "7", "qty", "two", "a whole number"]],
        ),
        files=_read(_FILES),
        sums=_read(_SUMS),
        proofs=proofs,
        rules=rules,
        seconds={"intake": 0.25, "matching": 1.5},
    )
    return replace(contents, **changes)


def empty_results() -> Contents:
    """A night on which nothing was found, in tables without rows."""
    full = results()
    names = ("exceptions", "order_lines", "pay", "post", "rejected", "files", "sums", "proofs")
    return replace(full, **{name: getattr(full, name).head(0) for name in names})
