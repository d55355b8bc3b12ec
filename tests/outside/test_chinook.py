"""Chinook (see chinook.py): invoices add up, and nobody guesses which of two alike was paid."""

from __future__ import annotations

from collections import Counter
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from tests.outside.chinook import Chinook, load_chinook, write_chinook_shop
from tests.outside.second_opinion import open_findings
from tests.outside.shop_folder import exceptions, nightly, read_rows

if TYPE_CHECKING:
    from pathlib import Path

AS_OF = date(2013, 12, 31)


@pytest.fixture(scope="module")
def chinook() -> Chinook:
    return load_chinook()


@pytest.fixture(scope="module")
def shop(chinook: Chinook, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_chinook_shop(tmp_path_factory.mktemp("chinook") / "shop", chinook)


@pytest.fixture(scope="module")
def out(shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return nightly(shop, AS_OF, tmp_path_factory.mktemp("chinook-out") / "out")


def test_data_is_the_known_one(chinook: Chinook) -> None:
    assert len(chinook.totals) == 412
    assert sum(len(lines) for lines in chinook.lines.values()) == 2240
    assert sum(chinook.totals.values()) == Decimal("2328.60")
    for number, total in chinook.totals.items():
        assert sum(quantity * price for _, quantity, price in chinook.lines[number]) == total
    lookalikes = chinook.lookalikes()
    assert len(lookalikes) == 114
    assert len({(chinook.dates[n], chinook.totals[n]) for n in lookalikes}) == 57


def test_lookalikes_are_not_settled_by_payments_without_reference(
    chinook: Chinook, out: Path
) -> None:
    unpaid = {row["order_ref"]: row for row in exceptions(out, "unpaid")}
    assert set(unpaid) == {str(number) for number in chinook.lookalikes()}
    assert {row["verdict"] for row in unpaid.values()} <= {"open", "unknown"}
    for number in chinook.lookalikes():
        assert Decimal(unpaid[str(number)]["amount"]) == chinook.totals[number]


def test_payments_with_reference_settle_the_others_to_the_cent(out: Path) -> None:
    rules = ("part-paid", "double-paid", "overpaid", "unfulfilled", "billed-twice", "short-shipped")
    assert exceptions(out, *rules) == []


def test_nothing_is_lost_between_files_and_order_lines(chinook: Chinook, out: Path) -> None:
    lines = read_rows(out / "order_lines.csv")
    assert len(lines) == 2240
    expected = {str(number): len(lines) for number, lines in chinook.lines.items()}
    assert Counter(line["order_ref"] for line in lines) == expected


def test_sql_leaves_the_same_orders_unpaid(chinook: Chinook, shop: Path) -> None:
    found = open_findings(shop, AS_OF)
    assert {each.rule for each in found} == {"unpaid"}
    amounts = {each.order_ref: each.amount for each in found}
    assert amounts == {str(number): chinook.totals[number] for number in chinook.lookalikes()}
