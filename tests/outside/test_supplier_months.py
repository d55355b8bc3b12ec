"""Worked examples of suppliers' accounts, run through the command; one item left out shows.

Sources stand beside each. Names of suppliers and documents are ours, figures are those printed.
Each way of leaving one item out is a supplier of its own, so that one run holds all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

from tests.month_end.clean import cents, text
from tests.month_end.shops import Found, Records, Row, month_end, write_shop

# document, kind, amount on the statement, amount in the ledger; blank where it is not there
Lines = Sequence[tuple[str, str, str, str]]
Items = set[tuple[str, str, str]]
DAY = date(2026, 9, 10)


def _account(supplier: str, lines: Lines, closing: str = "") -> Records:
    """A statement of these documents, and a ledger with the last amount of each."""
    records: Records = {"invoices": [], "payments": [], "statements": []}
    base: Row = {"supplier": supplier, "currency": "EUR"}
    for document, kind, stated, ours in lines:
        if stated:
            line: Row = {"date": DAY, "document": document, "kind": kind, "amount": stated}
            records["statements"].append(base | line)
        if not ours:
            continue
        amount = ours.lstrip("-")
        if kind == "payment":
            more: Row = {"payment_ref": document, "paid_at": DAY, "amount": amount}
            records["payments"].append(base | more)
        else:
            more = {"invoice_no": document, "invoice_date": DAY, "sku": "LAMP", "qty": 1}
            more |= {"order_ref": f"{supplier} {document}", "unit_cost": amount, "kind": kind}
            records["invoices"].append(base | more)
    if closing:
        end: Row = {"date": date(2026, 9, 30), "document": "closing", "kind": "closing"}
        records["statements"].append(base | end | {"amount": closing})
    return records


def _run(folder: Path, accounts: Sequence[Records]) -> Found:
    names = ("invoices", "payments", "statements")
    records = {name: [row for each in accounts for row in each[name]] for name in names}
    some = {name: rows for name, rows in records.items() if rows}
    return month_end(write_shop(folder, some), "2026-09")


def _items(found: Found, supplier: str) -> Items:
    told = found.balance("supplier-account", f"{supplier} (statement)")
    return {(item["what"], item["name"], item["amount"]) for item in told["items"]}


# Supplier statement, line by line: K. Groves, PQ Magazine, October 2022.

LINES = [
    ("2546", "invoice", "384.60", "384.60"),
    ("2551", "invoice", "384.52", "344.52"),
    ("2562", "invoice", "260.00", "260.00"),
    ("CN-0121", "credit", "-121.00", "-121.00"),
    ("PAY-0314", "payment", "-314.87", "-314.87"),
    ("DISC-0019", "credit", "-19.23", "-19.23"),
    ("2605", "invoice", "320.00", "230.00"),
]
TWO = {("amount-differs", "2551", "40.00"), ("amount-differs", "2605", "90.00")}


def test_a_statement_line_by_line(tmp_path: Path) -> None:
    found = _run(tmp_path, [_account("kestrel", LINES)])
    told = found.balance("supplier-account", "kestrel (statement)")
    items = [(item["what"], item["name"], item["amount"]) for item in told["items"]]
    assert items == sorted(TWO)
    assert "swapped" in told["items"][1]["text"]
    assert "swapped" not in told["items"][0]["text"]
    assert (told["left"], told["right"], told["verdict"]) == ("894.02", "894.02", "agrees")


def test_a_document_that_is_left_out_is_the_one_more_item(tmp_path: Path) -> None:
    """Out of the ledger, and out of the statement."""
    accounts, wanted = [], {}
    for at, (document, kind, stated, ours) in enumerate(LINES):
        usual = {item for item in TWO if item[1] != document}
        for side, line, more in (
            ("ledger", (document, kind, stated, ""), ("not-in-records", document, stated)),
            ("statement", (document, kind, "", ours), ("not-stated", document, ours)),
        ):
            name = f"{side} {at}"
            accounts.append(_account(name, [*LINES[:at], line, *LINES[at + 1 :]]))
            wanted[name] = usual | {more}
    found = _run(tmp_path, accounts)
    assert {name: _items(found, name) for name in wanted} == wanted


# Supplier statement, balance: ICAN, Financial Accounting, May 2025, L1 Q3b; 164,481 is recomputed.

ICAN = [
    ("A-1613", "invoice", "161325.00", "161325.00"),
    ("A-0359", "invoice", "35975.00", ""),
    ("CN-0123", "credit", "-12300.00", ""),
    ("PAY-0205", "payment", "", "-20519.00"),
]


def test_a_statement_and_a_ledger_come_to_the_same_balance(tmp_path: Path) -> None:
    left_out = {f"without {line[0]}": line for line in ICAN if line[2]}
    accounts = [_account("kestrel", ICAN, "185000.00")]
    accounts += [
        _account(name, [each for each in ICAN if each != line], "185000.00")
        for name, line in left_out.items()
    ]
    found = _run(tmp_path, accounts)
    told = found.balance("supplier-account", "kestrel (statement)")
    items = {(item["name"], item["side"], item["amount"]) for item in told["items"]}
    assert items == {
        ("A-0359", "left", "35975.00"),
        ("CN-0123", "left", "-12300.00"),
        ("PAY-0205", "right", "-20519.00"),
    }
    assert (told["left"], told["right"], told["verdict"]) == ("164481.00", "164481.00", "agrees")
    closing = next(
        each["right"]
        for each in found.value["balances"]
        if (each["check"], each["account"]) == ("supplier-account", "kestrel")
    )
    assert closing == "140806.00"
    # The closing balance has it, and no line says so: exactly that is not explained.
    for name, (_, _, stated, _) in left_out.items():
        lost = found.balance("supplier-account", f"{name} (statement)")
        assert (lost["verdict"], cents(lost["difference"])) == ("differs", -cents(stated))
        assert ("not-explained", "", lost["difference"]) in _items(found, name)


# Ageing: Heintz & Parry, Tallahassee Seminole Shop, 31 December, terms n/30 (title from memory).
# The customers of the example are suppliers here: the arithmetic is the same.

ACCOUNTS = {
    "Borthick": {"10-07": 2300, "11-15": 1200, "12-18": 3000},
    "Clark": {"06-01": 1200, "08-15": 2500},
    "Copley": {"09-23": 4500, "10-22": 2300, "12-23": 2800},
    "Davis": {"12-15": 1500},
    "Heagy": {"09-09": 200},
    "O'Keefe": {"11-20": 3300, "12-10": 1400},
    "Pasewark": {"12-02": 5500},
    "Schroeder": {"12-15": 2300},
    "Shockley": {"11-18": 800, "12-08": 3000},
    "Wilkerson": {"08-21": 300, "11-15": 1100, "12-08": 1700},
}
BUCKETS = ["not due", "1-30", "31-60", "61-90", "over 90", "total"]


def _bill(supplier: str, at: int, day: str, amount: int) -> Row:
    dated = date.fromisoformat(f"2026-{day}")
    return {
        "supplier": supplier, "invoice_no": f"{supplier}-{at}", "invoice_date": dated,
        "due_date": dated + timedelta(days=30), "order_ref": f"LL-{supplier}-{at}", "sku": "LAMP",
        "qty": 1, "unit_cost": f"{amount}.00", "currency": "EUR",
    }  # fmt: skip


def _aged(folder: Path, bills: list[Row]) -> dict[str, list[int]]:
    extra = '[month_end]\nageing = [0, 30, 60, 90]\nageing_from = "due"\n'
    found = month_end(write_shop(folder, {"invoices": bills}, extra), "2026-12")
    rows = found.value["ageing"]["rows"]
    return {row["supplier"]: [cents(row[name]) for name in BUCKETS] for row in rows}


def test_ageing_by_the_due_date(tmp_path: Path) -> None:
    bills = [
        _bill(name, at, day, amount)
        for name, some in ACCOUNTS.items()
        for at, (day, amount) in enumerate(some.items())
    ]
    rows = _aged(tmp_path, bills)
    sums = [text(sum(row[at] for row in rows.values())) for at in range(len(BUCKETS))]
    assert sums == ["21200.00", "6400.00", "4600.00", "4700.00", "4000.00", "40900.00"]
    assert sorted(rows) == sorted(ACCOUNTS)


def test_a_bill_that_is_left_out_is_missing_from_its_bucket_alone(tmp_path: Path) -> None:
    whole = [(day, amount) for some in ACCOUNTS.values() for day, amount in some.items()]
    bills = [_bill("whole", at, *bill) for at, bill in enumerate(whole)]
    for out in range(len(whole)):
        bills += [_bill(f"without {out}", at, *bill) for at, bill in enumerate(whole) if at != out]
    rows = _aged(tmp_path, bills)
    for out, (_, amount) in enumerate(whole):
        gaps = [a - b for a, b in zip(rows["whole"], rows[f"without {out}"], strict=True)]
        assert sorted(gaps) == [0, 0, 0, 0, amount * 100, amount * 100]


# Rounding half up, where binary floats fail: 2.675, 1.005, 0.285 are 2.68, 1.01, 0.29; and EN 16931
# (BR-CO-10): each line is rounded, then they are added.

HALVES = {"2.675": "2.68", "1.005": "1.01", "0.285": "0.29"}


def test_lines_are_rounded_half_up_and_then_added(tmp_path: Path) -> None:
    accounts = []
    for left_out in ("none", *HALVES):
        name = f"without {left_out}"
        whole: Records = _account(name, [("A-0001", "invoice", "3.98", "")])
        for at, unit in enumerate(HALVES):
            if unit != left_out:
                line: Row = {"supplier": name, "currency": "EUR", "invoice_no": "A-0001"}
                line |= {"invoice_date": DAY, "order_ref": f"{name} {at}", "sku": f"LAMP-{at}"}
                whole["invoices"].append(line | {"qty": 1, "unit_cost": unit, "kind": "invoice"})
        accounts.append(whole)
    found = _run(tmp_path, accounts)
    assert _items(found, "without none") == set()
    for unit, rounded in HALVES.items():
        assert _items(found, f"without {unit}") == {("amount-differs", "A-0001", rounded)}


# Splitting 10.00 over 19.99, 5.00 and 7.49 in proportion, the largest remainder first.


def test_an_amount_of_an_order_is_split_over_its_lines(tmp_path: Path) -> None:
    orders: list[Row] = [
        {"order_ref": "LL-1001", "ordered_at": DAY, "sku": f"LAMP-{at}", "qty": 1, "line_no": at,
         "unit_price": price, "currency": "EUR", "customer_paid_at": DAY, "customer_paid": "10.00",
         "supplier": "kestrel"}
        for at, price in enumerate(("19.99", "5.00", "7.49"))
    ]  # fmt: skip
    invoices: list[Row] = [
        {"supplier": "kestrel", "invoice_no": "A-0001", "invoice_date": DAY, "sku": row["sku"],
         "order_ref": "LL-1001", "qty": 1, "unit_cost": "1.00", "currency": "EUR"}
        for row in orders
    ]  # fmt: skip
    found = month_end(write_shop(tmp_path, {"orders": orders, "invoices": invoices}), "2026-09")
    paid = {row["name"]: row["customer_paid"] for row in found.value["margin"]["SKU"]}
    assert paid == {"LAMP-0": "6.15", "LAMP-1": "1.54", "LAMP-2": "2.31"}
