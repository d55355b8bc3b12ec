"""Worked examples of month-end work, run through the command on files; one item left out shows.

Sources stand beside each. Names of suppliers and documents are ours, figures are those printed.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from tests.month_end.clean import cents, text
from tests.month_end.shops import Found, Records, Row, month_end, write_shop

pytestmark = pytest.mark.no_cover

# Bank reconciliation: IRS Publication 583, Recordkeeping System Example, item 7. Receipts are
# payouts here, checks are payments, and the books are the checkbook. What came before is a receipt.


def _booked(day: int, amount: str, reference: str, balance: str) -> Row:
    row: Row = {"account": "checking", "booked_on": date(2026, 1, day), "amount": amount}
    return row | {"currency": "EUR", "reference": reference, "balance": balance}


def _paid_out(ref: str, day: int, amount: str) -> list[Row]:
    base: Row = {"payout_ref": ref, "paid_on": date(2026, 1, day), "currency": "EUR"}
    return [base | {"kind": "adjustment", "amount": amount},
            base | {"kind": "payout", "amount": f"-{amount}"}]  # fmt: skip


def _bank() -> Records:
    checks = {"CHQ-0001": "66.70", "CHQ-0002": "9.80", "CHQ-0003": "150.00", "CHQ-0004": "300.00"}
    base: Row = {"supplier": "kestrel", "paid_at": date(2026, 1, 29), "currency": "EUR"}
    return {
        "bank": [
            _booked(5, "867.72", "SALES-0001", "867.72"),
            _booked(20, "600.40", "SALES-0002", "1468.12"),
            _booked(30, "-10.00", "Service charge", "1458.12"),
        ],
        "payouts": [
            *_paid_out("SALES-0001", 4, "867.72"),
            *_paid_out("SALES-0002", 19, "594.40"),
            *_paid_out("SALES-0003", 30, "701.33"),
            *_paid_out("SALES-0004", 31, "516.08"),
        ],
        "payments": [base | {"payment_ref": ref, "amount": paid} for ref, paid in checks.items()],
        "balances": [
            {"account": "checking", "date": date(2026, 1, 31), "balance": "2153.03",
             "currency": "EUR"},
        ],
    }  # fmt: skip


IRS_ITEMS = [
    ("amount-differs", "SALES-0002", "6.00"),
    ("charge-not-booked", "checking", "-10.00"),
    ("outstanding", "CHQ-0001", "-66.70"),
    ("outstanding", "CHQ-0002", "-9.80"),
    ("outstanding", "CHQ-0003", "-150.00"),
    ("outstanding", "CHQ-0004", "-300.00"),
    ("receipt-in-transit", "SALES-0003", "701.33"),
    ("receipt-in-transit", "SALES-0004", "516.08"),
]


def test_bank_and_books_come_to_the_same(tmp_path: Path) -> None:
    found = month_end(write_shop(tmp_path, _bank()), "2026-01")
    told = ("2149.03", "2149.03", "0.00", "agrees")
    assert found.figures("bank-to-books") == told
    assert found.items("bank-to-books") == IRS_ITEMS
    sides = {item["name"]: item["side"] for item in found.balance("bank-to-books")["items"]}
    assert {name for name, side in sides.items() if side == "right"} == {"SALES-0002", "checking"}


def _without(records: Records, ref: str) -> None:
    for record, name in (("payments", "payment_ref"), ("payouts", "payout_ref")):
        records[record] = [row for row in records[record] if row[name] != ref]


@pytest.mark.parametrize("item", IRS_ITEMS, ids=[name for _, name, _ in IRS_ITEMS])
def test_an_item_left_out_is_exactly_the_difference(
    tmp_path: Path, item: tuple[str, str, str]
) -> None:
    what, name, amount = item
    records = _bank()
    if what == "charge-not-booked":
        # The bank's rows lack it, its balance does not.
        records["bank"][2] |= {"amount": "0.00", "status": "balance", "reference": ""}
    elif what == "amount-differs":
        for row in records["payouts"]:
            if row["payout_ref"] == name:
                row["amount"] = str(row["amount"]).replace("594.40", "600.40")
    else:
        _without(records, name)
    found = month_end(write_shop(tmp_path, records), "2026-01")
    _, _, difference, verdict = found.figures("bank-to-books")
    assert verdict == "differs"
    side = "left" if what in ("outstanding", "receipt-in-transit") else "right"
    lost = -cents(amount) if side == "left" else cents(amount)
    assert cents(difference) == lost
    assert found.items("bank-to-books", "error")[-1] == ("not-explained", "", difference)


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


def _lines(lines: list[tuple[str, str, str, str]]) -> Records:
    """A statement of these documents, and a ledger with the last amount of each."""
    records: Records = {"invoices": [], "payments": [], "statements": []}
    base: Row = {"supplier": "kestrel", "currency": "EUR"}
    for document, kind, stated, ours in lines:
        day = date(2026, 9, 10)
        if stated:
            line: Row = {"date": day, "document": document, "kind": kind, "amount": stated}
            records["statements"].append(base | line)
        if not ours:
            continue
        amount = ours.lstrip("-")
        if kind == "payment":
            more: Row = {"payment_ref": document, "paid_at": day, "amount": amount}
            records["payments"].append(base | more)
        else:
            more = {"invoice_no": document, "invoice_date": day, "order_ref": f"LL-{document}",
                    "sku": "LAMP", "qty": 1, "unit_cost": amount, "kind": kind}  # fmt: skip
            records["invoices"].append(base | more)
    return {record: rows for record, rows in records.items() if rows}


def _against(folder: Path, lines: list[tuple[str, str, str, str]]) -> Found:
    return month_end(write_shop(folder, _lines(lines)), "2026-09")


def test_a_statement_line_by_line(tmp_path: Path) -> None:
    found = _against(tmp_path, LINES)
    told = found.balance("supplier-account", "kestrel (statement)")
    items = [(item["what"], item["name"], item["amount"]) for item in told["items"]]
    assert items == [("amount-differs", "2551", "40.00"), ("amount-differs", "2605", "90.00")]
    assert "swapped" in told["items"][1]["text"]
    assert "swapped" not in told["items"][0]["text"]
    assert (told["left"], told["right"], told["verdict"]) == ("894.02", "894.02", "agrees")


@pytest.mark.parametrize("at", range(len(LINES)), ids=[line[0] for line in LINES])
def test_a_document_that_is_not_in_the_ledger_is_the_one_more_item(tmp_path: Path, at: int) -> None:
    document, kind, stated, _ = LINES[at]
    lines = [*LINES[:at], (document, kind, stated, ""), *LINES[at + 1 :]]
    told = _against(tmp_path, lines).balance("supplier-account", "kestrel (statement)")
    items = {(item["what"], item["name"], item["amount"]) for item in told["items"]}
    usual = {("amount-differs", "2551", "40.00"), ("amount-differs", "2605", "90.00")}
    usual = {item for item in usual if item[1] != document}
    assert items == usual | {("not-in-records", document, stated)}


# Supplier statement, balance: ICAN, Financial Accounting, May 2025, L1 Q3b; 164,481 is recomputed.

ICAN = [
    ("A-1613", "invoice", "161325.00", "161325.00"),
    ("A-0359", "invoice", "35975.00", ""),
    ("CN-0123", "credit", "-12300.00", ""),
    ("PAY-0205", "payment", "", "-20519.00"),
]


def test_a_statement_and_a_ledger_come_to_the_same_balance(tmp_path: Path) -> None:
    found = _against(tmp_path, ICAN)
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
        if each["check"] == "supplier-account" and each["account"] == "kestrel"
    )
    assert closing == "140806.00"


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


def test_ageing_by_the_due_date(tmp_path: Path) -> None:
    invoices: list[Row] = []
    for supplier, bills in ACCOUNTS.items():
        for at, (day, amount) in enumerate(bills.items()):
            dated = date.fromisoformat(f"2026-{day}")
            invoices.append(
                {"supplier": supplier, "invoice_no": f"{supplier}-{at}", "invoice_date": dated,
                 "due_date": dated + timedelta(days=30), "order_ref": f"LL-{supplier}-{at}",
                 "sku": "LAMP", "qty": 1, "unit_cost": f"{amount}.00", "currency": "EUR"}
            )  # fmt: skip
    extra = '[month_end]\nageing = [0, 30, 60, 90]\nageing_from = "due"\n'
    found = month_end(write_shop(tmp_path, {"invoices": invoices}, extra), "2026-12")
    rows = found.value["ageing"]["rows"]
    buckets = ["not due", "1-30", "31-60", "61-90", "over 90", "total"]
    sums = [text(sum(cents(row[name]) for row in rows)) for name in buckets]
    assert sums == ["21200.00", "6400.00", "4600.00", "4700.00", "4000.00", "40900.00"]
    assert sorted(row["supplier"] for row in rows) == sorted(ACCOUNTS)


# Exchange difference, IAS 21: ACCA SBR, acowtancy, Illustration 1, and Kaplan, ACCA F7, ch. 11
# ex. 1. Both print whole units, so the home currency is one without decimals.


def _foreign(rates: dict[str, str], amount: str, paid: str | None) -> Records:
    bill: Row = {"supplier": "alder", "currency": "USD", "invoice_no": "A-0001"}
    records: Records = {
        "invoices": [
            bill | {"invoice_date": "2026-11-10", "order_ref": "LL-1", "sku": "LAMP", "qty": 1,
                    "unit_cost": amount}
        ],
        "rates": [
            {"date": day, "base": "JPY", "quote": "USD", "rate": rate}
            for day, rate in rates.items()
        ],
        "orders": [
            {"order_ref": "LL-1", "ordered_at": "2026-11-10", "sku": "LAMP", "qty": 1,
             "unit_price": "1", "currency": "JPY", "supplier": "alder"}
        ],
    }  # fmt: skip
    if paid is not None:
        records["payments"] = [
            {"supplier": "alder", "payment_ref": "P-0001", "paid_at": paid, "amount": amount,
             "currency": "USD", "order_ref": "LL-1"}
        ]  # fmt: skip
    return records


def test_a_realised_loss(tmp_path: Path) -> None:
    records = _foreign({"2026-11-10": "10", "2026-12-10": "9"}, "10000.00", "2026-12-10")
    found = month_end(write_shop(tmp_path, records, home="JPY"), "2026-12")
    told = found.balance("exchange", "realised USD")
    assert [(item["what"], item["amount"]) for item in told["items"]] == [("realised-loss", "111")]
    assert told["left"] == "1111"


def test_an_unrealised_gain_on_a_payable(tmp_path: Path) -> None:
    records = _foreign({"2026-11-10": "1.50", "2026-12-31": "1.80"}, "60000.00", None)
    found = month_end(write_shop(tmp_path, records, home="JPY"), "2026-12")
    told = found.balance("exchange", "payables USD")
    items = [(item["what"], item["amount"]) for item in told["items"]]
    assert items == [("unrealised-gain", "-6667")]
    assert told["left"] == "33333"


# Conversion: Council Regulation (EC) No 1103/97, articles 4 and 5. 100 at 6.55957 is 15.24, where
# a rate inverted and cut to three decimals gives 15.20 or 15.25 (Microsoft KB Q231015).


@pytest.mark.parametrize(
    ("foreign", "rate", "booked", "wrong"),
    [
        ("-100.00", "6.55957", "-15.24", ""),
        ("-100.00", "6.55957", "-15.25", "-0.01"),
        ("-24785.00", "1000", "-24.79", ""),  # an exact half, up
        ("-24785.00", "1000", "-24.78", "0.01"),
    ],
)
def test_the_bank_converts_at_its_own_rate(
    tmp_path: Path, foreign: str, rate: str, booked: str, wrong: str
) -> None:
    row: Row = {"account": "main", "booked_on": "2026-10-05", "amount": booked, "currency": "EUR"}
    row |= {"original_amount": foreign, "original_currency": "USD", "rate": rate}
    found = month_end(write_shop(tmp_path, {"bank": [row]}), "2026-10")
    told = found.balance("exchange", "conversions main")
    items = [item["amount"] for item in told["items"]]
    assert (told["verdict"], items) == ("differs" if wrong else "agrees", [wrong] if wrong else [])
