"""A month in which nothing is wrong: every check agrees to 0.00, and the same bytes come again."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pytest

from tests.month_end.clean import (
    MAIN,
    MONTH,
    WALLET,
    booking,
    clean,
    closing,
    rebalance,
    row_of,
)
from tests.month_end.shops import Found, month_end, write_shop

pytestmark = pytest.mark.no_cover


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_shop(tmp_path_factory.mktemp("clean"), clean())


@pytest.fixture(scope="module")
def found(shop: Path) -> Found:
    return month_end(shop, MONTH)


def test_every_check_agrees_to_the_last_cent(found: Found) -> None:
    assert found.wrong == {}
    open_items = ("open-items", "", "")
    assert found.verdicts[open_items] == "unknown"
    told = {key: verdict for key, verdict in found.verdicts.items() if key != open_items}
    assert set(told.values()) == {"agrees"}
    assert len({check for check, _, _ in told}) == 10
    assert {each["difference"] for each in found.value["balances"]} - {""} == {"0.00"}
    assert "0 differs, 1 unknown" in found.text


def test_a_debit_of_a_prepaid_balance_without_an_order_is_named(tmp_path: Path) -> None:
    records = clean()
    records["bank"].append(booking(WALLET, date(2026, 10, 25), -1200, "Order 9999"))
    rebalance(records, WALLET)
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.wrong == {
        "bank-to-books": [("payment-not-booked", WALLET, "-12.00")],
        "payments-to-bank": [("not-recorded", WALLET, "-12.00")],
    }


def test_without_any_reference_amounts_and_days_tell(tmp_path: Path) -> None:
    records = clean()
    for row in records["bank"]:
        row["reference"] = ""
    found = month_end(write_shop(tmp_path, records), MONTH)
    assert found.wrong == {}
    apart = {check for (check, _, _), verdict in found.verdicts.items() if verdict != "agrees"}
    assert apart == {"open-items"}


def test_what_a_payment_abroad_will_cost_is_not_known_before_it_is_booked(tmp_path: Path) -> None:
    records = clean()
    row_of(records, "payments", "payment_ref", "AP-1019")["paid_at"] = date(2026, 10, 30)
    records["bank"] = [row for row in records["bank"] if "AP-1019" not in str(row["reference"])]
    rebalance(records, MAIN)
    # The books have it already, at a rate of their own.
    bank = month_end(write_shop(tmp_path, records), MONTH).balance("bank-to-books", MAIN)
    assert bank["verdict"] == "unknown"
    assert "AP-1019" in bank["cause"]
    assert [item["what"] for item in bank["items"]] == ["not-explained"]


def test_what_began_before_the_look_back_is_paired_with_its_own(tmp_path: Path) -> None:
    """The check looks back to 1 July; a payment of the day before was booked after it."""
    records = clean()
    paid = row_of(records, "payments", "payment_ref", "KP-1002")
    for ref, day, status in (
        ("OLD-1", date(2026, 6, 30), "settled"),
        ("OLD-2", date(2026, 7, 3), "failed"),
    ):
        more = {"payment_ref": ref, "paid_at": day, "status": status, "order_ref": "LL-900"}
        records["payments"].append(paid | more | {"amount": "77.01"})
    records["bank"].insert(1, booking(MAIN, date(2026, 7, 2), -7701, ""))
    records["bank"][0]["booked_on"] = date(2026, 6, 1)
    rebalance(records, MAIN)
    row_of(records, "balances", "account", MAIN)["balance"] = closing(records, MAIN)
    bank = month_end(write_shop(tmp_path, records), MONTH).balance("bank-to-books", MAIN)
    assert (bank["verdict"], bank["items"]) == ("agrees", [])


def test_every_unit_of_every_bank_row_is_in_one_place(found: Found) -> None:
    places = {
        (place["account"], place["place"]): (place["rows"], place["amount"])
        for place in found.value["places"]
    }
    assert places == {
        ("main", "payments"): (19, "-564.82"),
        ("main", "payouts"): (3, "974.70"),
        ("Kestrel balance", "payments"): (2, "-43.12"),
        ("Kestrel balance", "from suppliers"): (1, "200.00"),
    }
    bridge = {row["account"]: row for row in found.value["bridge"]}
    assert bridge["main"] == {
        "account": "main", "currency": "EUR", "opening": "5000.00", "received": "974.70",
        "paid": "-564.82", "not_explained": "0.00", "closing": "5409.88",
    }  # fmt: skip


def test_the_same_files_give_the_same_bytes_and_nothing_restated(
    shop: Path, found: Found, tmp_path: Path
) -> None:
    assert found.value["restated"] == []
    names = ("cash_check.json", "cash-check.xlsx")
    again = shutil.copytree(shop, tmp_path / "again", ignore=shutil.ignore_patterns("out"))
    for folder in (again, again):
        assert month_end(folder, MONTH).value["restated"] == []
    for name in names:
        first, second = (folder / "out" / MONTH / name for folder in (shop, again))
        assert first.read_bytes() == second.read_bytes(), name
