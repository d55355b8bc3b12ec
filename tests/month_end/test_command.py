"""The command ``reconcile month-end``: what it reads, what it writes, what it refuses."""

from __future__ import annotations

import zipfile
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from reconcile.cli import commands
from tests.intake.test_statements_xml import CLOSING, OPENING, details, entry, statement
from tests.month_end.clean import MAIN, MONTH, booking, clean, closing, rebalance, row_of
from tests.month_end.shops import Row, month_end, write_shop


def test_late_files_for_a_closed_month_are_shown_as_changes_to_it(tmp_path: Path) -> None:
    records = clean()
    late = row_of(records, "payments", "payment_ref", "KP-1002")
    records["payments"].remove(late)
    write_shop(tmp_path, records)
    first = month_end(tmp_path, MONTH)
    assert first.value["restated"] == []
    records["payments"].append(late)
    write_shop(tmp_path, records)
    for _ in range(2):  # it is told against the first check, however often it is asked
        told = {
            (row["check"], row["account"], row["figure"]): (row["before"], row["now"])
            for row in month_end(tmp_path, MONTH).value["restated"]
        }
        assert told["payments-to-bank", "", "difference"] == ("-20.26", "0.00")
        assert told["payments-to-bank", "", "verdict"] == ("differs", "agrees")
        assert ("margin", "", "left") not in told


def test_the_month_is_that_of_the_shops_zone(tmp_path: Path) -> None:
    records = clean()
    row = row_of(records, "payments", "payment_ref", "KP-1020")
    row["paid_at"] = "2026-10-31T23:30:00Z"  # Dublin has left summer time: still the 31st
    bank = next(each for each in records["bank"] if "KP-1020" in str(each["reference"]))
    bank["booked_on"] = "2026-11-02"
    write_shop(tmp_path, records)
    in_transit = month_end(tmp_path, MONTH).items("payments-to-bank", "timing")
    assert in_transit == [("in-transit", "KP-1020", "22.60")]
    row["paid_at"] = "2026-10-31T23:30:00-02:00"  # the 1st of November in Dublin
    write_shop(tmp_path, records)
    assert month_end(tmp_path, MONTH).items("payments-to-bank", "timing") == []


def test_rows_in_another_order_say_the_same(tmp_path: Path) -> None:
    records = clean()
    there = month_end(write_shop(tmp_path / "a", records), MONTH).value
    for name in ("orders", "invoices", "payments", "payouts", "statements", "shipments"):
        records[name].reverse()
    records["bank"].reverse()  # as banks list it that begin with the newest
    back = month_end(write_shop(tmp_path / "b", records), MONTH).value
    names = ("check", "account", "currency", "left", "right", "difference", "verdict")
    told = [
        [[each[name] for name in names] for each in value["balances"]] for value in (there, back)
    ]
    assert told[0] == told[1]


def test_a_statement_in_xml_is_a_bank_account(tmp_path: Path) -> None:
    payment: Row = {"supplier": "kestrel", "payment_ref": "PAY-0007", "paid_at": "2026-10-14"}
    payment |= {"amount": "100.50", "currency": "EUR"}
    account = "IE29AIBK93115212345678"
    book: Row = {"account": account, "date": "2026-10-31", "balance": "899.50", "currency": "EUR"}
    folder = write_shop(tmp_path, {"payments": [payment], "balances": [book]})
    xml = statement(
        OPENING,
        CLOSING.format(amount="899.50", side="CRDT"),
        entry("100.50", "DBIT", f"<NtryDtls>{details('PAY-0007')}</NtryDtls>"),
        entry("30.00", "CRDT", status="PDNG"),
    )
    (folder / "october.xml").write_text(xml, encoding="utf-8")
    with (folder / "shop.toml").open("a", encoding="utf-8") as settings:
        settings.write('\n[[source]]\nname = "bank"\nrecord = "bank"\nfiles = ["*.xml"]\n')
    found = month_end(folder, MONTH)
    for check in ("statement-runs", "bank-to-books", "payments-to-bank"):
        assert found.balance(check)["verdict"] == "agrees", check
    assert found.figures("statement-runs") == ("899.50", "899.50", "0.00", "agrees")
    assert found.value["bridge"][0]["opening"] == "1000.00"


def test_nobody_is_named(tmp_path: Path) -> None:
    records = clean()
    row = booking(MAIN, date(2026, 10, 9), -3300, "Refund Mary Quill 12 mary9@example.org")
    records["bank"] += [row | {"counterparty": "Mary Quill"}, row | {"amount": "Mary Quill"}]
    for order in records["orders"]:
        order["customer_name"] = "Mary Quill"
    folder = write_shop(tmp_path, records)
    found = month_end(folder, MONTH)
    out = folder / "out" / MONTH
    texts = [found.text, (out / "cash_check.json").read_text(encoding="utf-8")]
    with zipfile.ZipFile(out / "cash-check.xlsx") as book:
        texts += [book.read(name).decode("utf-8", "replace") for name in book.namelist()]
    assert [text for text in texts if "quill" in text.casefold() or "mary9" in text] == []


def test_open_items_roll_forward_with_the_history(tmp_path: Path) -> None:
    records = clean()
    records["orders"] += [
        row_of(records, "orders", "order_ref", "LL-1001")
        | {"order_ref": f"LL-{ref}", "ordered_at": day, "customer_paid_at": day}
        for ref, day in (("2001", "2026-09-10"), ("2002", "2026-09-11"), ("2003", "2026-10-20"))
    ]
    quote: Row = {"sku": "LAMP-1001", "supplier": "kestrel", "unit_cost": "9.00", "currency": "EUR"}
    records["quotes"].append(quote)
    for order in records["orders"][-3:]:
        order["supplier"] = "kestrel"
    folder = write_shop(tmp_path, records)
    run = CliRunner().invoke(commands, ["nightly", str(folder), "--as-of", "2026-09-30"])
    assert run.exit_code == 0, run.output
    paid: Row = {"supplier": "kestrel", "payment_ref": "KP-2001", "paid_at": "2026-10-05"}
    paid |= {"amount": "9.00", "currency": "EUR", "order_ref": "LL-2001"}
    records["payments"].append(paid | {"kind": "payment", "status": "settled"})
    write_shop(tmp_path, records)
    run = CliRunner().invoke(commands, ["nightly", str(folder), "--as-of", "2026-10-31"])
    assert run.exit_code == 0, run.output
    found = month_end(folder, MONTH)
    owed = found.balance("open-items", "owed EUR")
    what = {item["what"]: item["amount"] for item in owed["items"]}
    assert owed["verdict"] == "agrees"
    assert (what["cleared"], what["new"]) == ("-9.00", "9.00")
    assert owed["right"] == "18.00"
    assert found.balance("open-items", "owed EUR (count)")["left"] == "2"


def test_a_night_and_a_month_share_a_folder(tmp_path: Path) -> None:
    folder = write_shop(tmp_path / "shop", clean())
    out = tmp_path / "both"
    night = ["nightly", str(folder), "--as-of", "2026-10-31", "--out", str(out)]
    month = ["month-end", str(folder), "--month", MONTH, "--out", str(out)]
    for command in (month, night):
        run = CliRunner().invoke(commands, command)
        assert run.exit_code == 0, run.output
    there = {path.name for path in out.iterdir()}
    assert {"report.xlsx", "summary.json", "cash-check.xlsx", "cash_check.json"} <= there


@pytest.mark.parametrize("month", ["2026-13", "October", "2026-10-01"])
def test_what_is_no_month_is_refused(tmp_path: Path, month: str) -> None:
    write_shop(tmp_path, {})
    result = CliRunner().invoke(commands, ["month-end", str(tmp_path), "--month", month])
    assert result.exit_code == 2
    assert not (tmp_path / "out").exists()


def test_a_month_of_a_shop_with_nothing_but_orders_is_all_unknown(tmp_path: Path) -> None:
    found = month_end(write_shop(tmp_path, {}), MONTH)
    told = {each["check"]: each["verdict"] for each in found.value["balances"]}
    known = {check for check, verdict in told.items() if verdict != "unknown"}
    assert known <= {"cut-off", "exchange"}
    assert "differs" not in told.values()


def test_wrong_settings_of_the_month_end_are_refused(tmp_path: Path) -> None:
    extra = '[month_end]\nageing = [30, 7]\nageing_from = "birth"\ndays = 3\n'
    write_shop(tmp_path, {}, extra)
    command = ["month-end", str(tmp_path), "--month", MONTH]
    result = CliRunner().invoke(commands, command)
    assert type(result.exception).__name__ == "RefusedError"
    for word in ("ageing = [30, 7]", "ageing_from", "days"):
        assert word in str(result.exception)


def test_the_clean_books_are_those_of_the_bank() -> None:
    records = clean()
    before = closing(records, MAIN)
    rebalance(records, MAIN)
    assert closing(records, MAIN) == before
