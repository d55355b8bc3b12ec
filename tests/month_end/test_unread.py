"""What a row that could not be read may explain is unknown, with its amount and that row."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests.month_end.clean import MAIN, MONTH, WALLET, booking, clean, row_of
from tests.month_end.shops import SOURCE, Found, month_end, write_shop
from tests.month_end.small import book, books, small

pytestmark = pytest.mark.no_cover

TO_BANK, BOOKS, RUNS = "payments-to-bank", "bank-to-books", "statement-runs"
CUSTOMERS = "customers-to-payouts"


def _cause(found: Found, check: str, account: str = "", currency: str = "") -> str:
    one = found.balance(check, account, currency)
    assert one["verdict"] == "unknown", one
    return str(one["cause"])


def _texts(found: Found, check: str, account: str = "") -> list[str]:
    told = found.balance(check, account)["items"]
    return [item["text"] for item in told if item["nature"] == "unknown"]


def test_a_row_of_the_bank(tmp_path: Path) -> None:
    """Its debit is not proved to be missing, and the balances do not run for its sake."""
    records = small()
    book(records, date(2026, 10, 29), 1, "Habenzinsen")
    records["bank"][2]["amount"] = "-20.00.1"
    found = month_end(write_shop(tmp_path, records), MONTH)
    row = "bank.csv row 4"
    for check, account in ((TO_BANK, ""), (RUNS, MAIN), (BOOKS, MAIN)):
        assert _cause(found, check, account) == f"1 row could not be read: {row}."
        assert row in _texts(found, check, account)[0]
    assert found.figures(TO_BANK) == ("80.00", "60.00", "20.00", "unknown")
    assert found.items(TO_BANK) == [("not-in-bank", "KP-1002", "20.00")]
    assert found.items(TO_BANK, "error") == []
    # The difference is told where the summary is read.
    assert f"- {TO_BANK} differs by 20.00 EUR, and why cannot be told: 1 row" in found.text


def test_a_payment(tmp_path: Path) -> None:
    records = small()
    book(records, date(2026, 10, 29), -700, "LAMP SHADES 77")
    records["payments"][1]["amount"] = "20.0x"
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert "payments.csv row 3" in _cause(found, TO_BANK)
    assert found.items(TO_BANK, "unknown") == [
        ("not-recorded", MAIN, "-20.00"),
        ("not-recorded", MAIN, "-7.00"),
    ]


def test_a_payment_whose_amount_could_be_read(tmp_path: Path) -> None:
    """It is dated by no day that there is; of two debits it could be the one of its amount."""
    records = small()
    book(records, date(2026, 10, 29), -700, "LAMP SHADES 77")
    records["payments"][1]["paid_at"] = "2026-10-32"
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.items(TO_BANK, "unknown") == [("not-recorded", MAIN, "-20.00")]
    assert found.items(TO_BANK, "error") == [("not-recorded", MAIN, "-7.00")]
    assert found.figures(TO_BANK)[2:] == ("-27.00", "differs")
    assert "payments.csv row 3" in _texts(found, TO_BANK)[0]


def test_an_invoice_is_known_by_its_number(tmp_path: Path) -> None:
    """What a supplier states and the records lack: a rejected row is no other document."""
    records = clean()
    row_of(records, "invoices", "invoice_no", "KI-1002")["qty"] = "one"
    records["invoices"] = [row for row in records["invoices"] if row["invoice_no"] != "KI-1006"]
    found = month_end(write_shop(tmp_path, records), MONTH)
    check = "supplier-account"
    assert found.items(check, "unknown") == [("not-in-records", "KI-1002", "20.26")]
    assert found.items(check, "error") == [("not-in-records", "KI-1006", "20.78")]


def test_what_no_such_row_explains_stays_an_error(tmp_path: Path) -> None:
    """A debit without a record is none for the sake of a row of the bank."""
    records = small()
    book(records, date(2026, 10, 29), -700, "LAMP SHADES 77")
    book(records, date(2026, 10, 30), -800, "Fee")
    records["bank"][-1]["amount"] = "-8.00.1"
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.figures(TO_BANK)[2:] == ("-7.00", "differs")
    assert found.items(TO_BANK, "error") == [("not-recorded", MAIN, "-7.00")]


@pytest.mark.parametrize(("day", "verdict"), [
    ("2026-09-02", "differs"), ("2026-09-28", "unknown"), ("2026-11-02", "differs"),
    ("2026-13-02", "unknown"),
])  # fmt: skip
def test_when_the_row_is_dated(day: str, verdict: str, tmp_path: Path) -> None:
    """About the month, or not to be read; what is of another time explains nothing."""
    records = small()
    book(records, date(2026, 10, 29), -700, "LAMP SHADES 77")
    lost = records["payments"][0] | {"payment_ref": "KP-9001", "paid_at": day, "amount": "7.0x"}
    records["payments"].append(lost)
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.figures(TO_BANK)[2:] == ("-7.00", verdict)


def test_a_row_of_another_account(tmp_path: Path) -> None:
    """Two sources of the bank: what one could not read is nothing that the other lacks."""
    records = small()
    book(records, date(2026, 10, 29), -100, "Fee")
    records["bank"][-1]["balance"] = "900.00"
    wallet = booking(WALLET, date(2026, 10, 27), 5000, "Top-up 1", balance="50.00")
    books(records, 5000, WALLET)
    source = SOURCE.format(record="bank").replace('"bank"', '"wallets"', 1)
    folder = write_shop(tmp_path, records, source.replace("bank.csv", "w.csv"))
    rows = [wallet, wallet | {"amount": "5.0x"}]
    lines = [",".join(wallet), *(",".join(map(str, row.values())) for row in rows)]
    (folder / "w.csv").write_text("\n".join(lines), encoding="utf-8")
    found = month_end(folder, MONTH)
    assert found.figures(RUNS, MAIN)[2:] == ("19.00", "differs")
    assert found.items(RUNS, "unknown") == []


def test_rows_of_orders_and_payouts_are_told_by_their_order(tmp_path: Path) -> None:
    """A sale is not missing where the row of its order was rejected; that of another one is."""
    records = clean()
    for name in ("LL-1006", "LL-1007"):
        sale = [
            row for row in records["payouts"] if row["order_ref"] == name and row["kind"] == "sale"
        ]
        sale[0]["kind"] = "adjustment"
    sale[0] |= {"kind": "sale", "amount": "5.0x"}
    found = month_end(write_shop(tmp_path / "payouts", records), MONTH)
    assert found.items(CUSTOMERS, "error") == [("sale-in-no-payout", "LL-1006", "50.42")]
    assert found.items(CUSTOMERS, "unknown") == [("sale-in-no-payout", "LL-1007", "50.49")]
    assert "payouts.csv row" in _texts(found, CUSTOMERS, "sales")[0]
    # The other one is proved to be missing.
    assert found.figures(CUSTOMERS, "sales")[3] == "differs"
    records = clean()
    row_of(records, "orders", "order_ref", "LL-1006")["qty"] = "one"
    records["orders"] = [row for row in records["orders"] if row["order_ref"] != "LL-1007"]
    found = month_end(write_shop(tmp_path / "orders", records), MONTH)
    assert found.items(CUSTOMERS, "error") == [("sale-of-no-order", "LL-1007", "-50.49")]
    assert found.items(CUSTOMERS, "unknown") == [("sale-of-no-order", "LL-1006", "-50.42")]


def test_a_statement_of_a_supplier(tmp_path: Path) -> None:
    records = clean()
    row_of(records, "statements", "document", "KI-1002")["amount"] = "x"
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.items("supplier-account", "error") == []
    # The closing balance has the invoice, the lines that could be read lack it.
    assert found.items("supplier-account", "unknown") == [
        ("not-explained", "", "-20.26"),
        ("not-stated", "KI-1002", "20.26"),
    ]
    assert "statements.csv row" in _cause(found, RUNS, "kestrel", "EUR")
    assert found.figures(RUNS, "alder")[3] == "agrees"
