"""The command and DuckDB SQL, written apart from each other, find the same in the same files."""

from __future__ import annotations

from collections import Counter
from datetime import date
from pathlib import Path

import pytest

from tests.outside.second_opinion import Finding, findings
from tests.outside.shop_folder import exceptions, finding, nightly, read_rows
from tests.shops import Truth, build_shop, rename_files, shuffle_rows, split_overlapping

CASES = sorted(path.parent for path in Path(__file__).parent.glob("cases/*/expected.csv"))
RULES = (
    "unpaid",
    "part-paid",
    "double-paid",
    "overpaid",
    "refunded-but-paid",
    "unfunded",
    "billed-twice",
    "unfulfilled",
    "short-shipped",
    "tracking-not-posted",
    "missing-tracking",
)
SIZES = [(300, 11), (3_000, 12)]  # orders and seed


def _as_of(case: Path) -> date:
    return date.fromisoformat((case / "as_of.txt").read_text(encoding="utf-8").strip())


def _bag(found: list[Finding]) -> Counter[Finding]:
    """How often each is found; without currency where there is no amount."""
    return Counter(
        each._replace(currency="" if each.amount is None else each.currency) for each in found
    )


def _command(shop: Path, as_of: date, out: Path) -> Counter[Finding]:
    rows = exceptions(nightly(shop, as_of, out), *RULES)
    return _bag([finding(row) for row in rows])


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_sql_finds_what_was_worked_out_by_hand(case: Path) -> None:
    expected = Counter(finding(row) for row in read_rows(case / "expected.csv"))
    assert _bag(findings(case, _as_of(case))) == expected


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_command_agrees_with_sql_on_hand_made_shops(case: Path, tmp_path: Path) -> None:
    as_of = _as_of(case)
    assert _command(case, as_of, tmp_path) == _bag(findings(case, as_of))


@pytest.mark.parametrize(("orders", "seed"), SIZES)
def test_command_agrees_with_sql_on_built_shops(orders: int, seed: int, tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    truth = build_shop(shop, orders=orders, seed=seed)
    found = _bag(findings(shop, truth.as_of))
    assert {each.rule for each in found} == set(RULES)
    assert _command(shop, truth.as_of, tmp_path / "out") == found


def test_command_agrees_with_sql_on_shuffled_and_overlapping_exports(tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    truth = build_shop(shop, orders=1_000, seed=13)
    shuffle_rows(shop, seed=13)
    split_overlapping(shop)
    rename_files(shop)
    found = _bag(findings(shop, truth.as_of))
    assert _command(shop, truth.as_of, tmp_path / "out") == found


def test_sql_finds_what_the_builder_put_in(tmp_path: Path) -> None:
    truth = build_shop(tmp_path, orders=3_000, seed=14)
    assert _without_symptoms(findings(tmp_path, truth.as_of)) == _expected(truth)


def test_sql_is_indifferent_to_order_names_and_overlap(tmp_path: Path) -> None:
    truth = build_shop(tmp_path, orders=1_000, seed=15)
    shuffle_rows(tmp_path, seed=15)
    split_overlapping(tmp_path)
    rename_files(tmp_path)
    assert _without_symptoms(findings(tmp_path, truth.as_of)) == _expected(truth)


def _expected(truth: Truth) -> Counter[Finding]:
    mine = truth.exceptions[truth.exceptions["rule"].isin(RULES)]
    rows = mine.astype(str).to_dict("records")
    return _without_symptoms(
        [finding({str(key): cell for key, cell in row.items()}) for row in rows]
    )


def _without_symptoms(found: list[Finding]) -> Counter[Finding]:
    """The builder knows what is wrong with an order, not every symptom that follows from it."""
    return Counter(
        {each: times for each, times in _bag(found).items() if each.verdict != "follows"}
    )
