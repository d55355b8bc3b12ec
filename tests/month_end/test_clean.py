"""A month in which nothing is wrong: every check agrees to 0.00, and the same bytes come again."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.month_end.clean import MONTH, clean
from tests.month_end.shops import month_end, write_shop

pytestmark = pytest.mark.no_cover


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_shop(tmp_path_factory.mktemp("clean"), clean())


def test_every_check_agrees_to_the_last_cent(shop: Path) -> None:
    found = month_end(shop, MONTH)
    assert found.wrong == {}
    open_items = ("open-items", "", "")
    assert found.verdicts.pop(open_items) == "unknown"
    told = {key: verdict for key, verdict in found.verdicts.items() if key != open_items}
    assert set(told.values()) == {"agrees"}
    assert len({check for check, _, _ in told}) == 10
    assert {each["difference"] for each in found.value["balances"]} - {""} == {"0.00"}
    assert "0 differs, 1 unknown" in found.text


def test_every_unit_of_every_bank_row_is_in_one_place(shop: Path) -> None:
    found = month_end(shop, MONTH)
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
        "paid": "-564.82", "closing": "5409.88",
    }  # fmt: skip


def test_the_same_files_give_the_same_bytes_and_nothing_restated(
    shop: Path, tmp_path: Path
) -> None:
    names = ("cash_check.json", "cash-check.xlsx")
    again = shutil.copytree(shop, tmp_path / "again", ignore=shutil.ignore_patterns("out"))
    for folder in (shop, again, again):
        assert month_end(folder, MONTH).value["restated"] == []
    for name in names:
        first, second = (folder / "out" / MONTH / name for folder in (shop, again))
        assert first.read_bytes() == second.read_bytes(), name
