"""Worked examples of month-end work, run through the command on files; one item left out shows.

Sources stand beside each. Names of suppliers and documents are ours, figures are those printed.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.month_end.clean import cents
from tests.month_end.shops import Records, Row, month_end, write_shop

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


def test_without_the_rate_of_the_bill_nothing_is_realised(tmp_path: Path) -> None:
    records = _foreign({"2026-12-10": "9"}, "10000.00", "2026-12-10")
    told = month_end(write_shop(tmp_path, records, home="JPY"), "2026-12").balance("exchange")
    assert (told["verdict"], told["left"], told["items"]) == ("unknown", "0", [])
    assert "no rate for 1 payment" in told["cause"]


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
