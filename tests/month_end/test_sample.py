"""The sample shop's months say what its README lists, and nothing else."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from tests.month_end.clean import cents
from tests.month_end.shops import Found, month_end
from tests.shops.sample import FOLDER, MONEY_FILE
from tests.shops.sample_money import MONTHS

KEYS = ("check", "account", "currency")
Rows = list[dict[str, str]]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sample") / "shop"
    ignored = shutil.ignore_patterns("out", "history.db")
    return Path(shutil.copytree(FOLDER, folder, ignore=ignored))


def _told(month: str) -> Rows:
    with MONEY_FILE.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["month"] == month]


def _items(found: Found) -> list[tuple[str, ...]]:
    """Every item that is no ordinary part of a figure."""
    return sorted(
        (*(each[key] for key in KEYS), item["what"], item["name"], str(cents(item["amount"])))
        for each in found.value["balances"]
        for item in each["items"]
        if item["nature"] != "listed"
    )


@pytest.mark.parametrize("month", MONTHS)
def test_a_month_says_what_the_readme_lists(shop: Path, month: str) -> None:
    found, told = month_end(shop, month), _told(month)
    keys = (*KEYS, "what", "name", "amount")
    assert _items(found) == sorted(tuple(row[key] for key in keys) for row in told if row["what"])
    apart = {(row["check"], row["account"], "differs") for row in told if row["differs"] == "True"}
    lost = {(row["check"], row["account"], "unknown") for row in told if int(row["amount"]) == 0}
    said = {(check, account, word) for (check, account, _), word in found.verdicts.items()}
    assert {each for each in said if each[2] != "agrees"} == apart | lost


def test_the_readme_has_every_line_of_the_list() -> None:
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    months = page.split("## The cash check")[1].split("### ")[1:]
    for month, part in zip(MONTHS, months, strict=True):
        told = _told(month)
        assert part.startswith(month)
        for row in told:
            assert f"| {row['story']} |" in part
            assert f"`{row['check']}`" in part
            if row["name"] and sum(each["story"] == row["story"] for each in told) == 1:
                assert row["name"] in part
