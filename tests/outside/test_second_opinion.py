"""The command and DuckDB SQL, written apart from each other, find the same in the same files."""

from __future__ import annotations

from collections import Counter
from datetime import date
from pathlib import Path

import pytest

from reconcile.checks.catalogue import load_catalogue
from tests.outside.mistakes import CURRENCIES, with_mistakes
from tests.outside.second_opinion import SQL, Finding, findings
from tests.outside.shop_folder import exceptions, finding, nightly, read_rows
from tests.shops import Truth, build_shop, rename_files, shuffle_rows, split_overlapping
from tests.shops.edits import Tables

pytestmark = pytest.mark.no_cover

CASES = sorted(path.parent for path in Path(__file__).parent.glob("cases/*/expected.csv"))
# What the SQL leaves to other tests, and why.
NOT_IN_SQL = {
    "payment-unmatched": "whether a payment without a reference has one explanation is a bounded "
    "search over sets of all open orders; one on an invoice is unknown by the same search",
    "possible-double-payment": "rests on the same search, and on texts that are alike",
    "rows-rejected": "about rows that the SQL leaves out, and about no order",
    "totals-differ": "about rows of totals, which have no place in a table of records",
    "repeat-changed": "about rows of two files, one of which the SQL drops",
    "key-collision": "about references; what follows from it is in the case of references",
    "stale-source": "about files, and about no order",
}
RULES = tuple(sorted(set(load_catalogue()) - NOT_IN_SQL.keys()))
# The hand-made cases were worked out for these.
BY_HAND = (
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
# The built shops have no case of these; with_mistakes() makes some.
NOT_BUILT = {
    "currency-differs",
    "invoice-arithmetic",
    "not-ordered",
    "small-differences-add-up",
}
SIZES = [(300, 11), (3_000, 12)]  # orders and seed


def _as_of(case: Path) -> date:
    return date.fromisoformat((case / "as_of.txt").read_text(encoding="utf-8").strip())


def _command(shop: Path, as_of: date, out: Path) -> Counter[Finding]:
    rows = exceptions(nightly(shop, as_of, out), *RULES)
    return Counter(finding(row) for row in rows)


def _open(found: Counter[Finding], *rules: str) -> Counter[Finding]:
    """What is to be acted on, of some rules or of all."""
    return Counter(
        {
            each: times
            for each, times in found.items()
            if each.verdict == "open" and (not rules or each.rule in rules)
        }
    )


def test_every_rule_is_in_the_sql_or_named_with_a_reason() -> None:
    assert set(load_catalogue()) >= NOT_IN_SQL.keys()
    views = SQL[-1].read_text(encoding="utf-8")
    assert views.count("SELECT * ") == len(RULES)
    assert all(f"'{rule}' AS rule" in "".join(_texts()) for rule in RULES)


def _texts() -> list[str]:
    return [path.read_text(encoding="utf-8") for path in SQL]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_sql_finds_what_was_worked_out_by_hand(case: Path) -> None:
    expected = Counter(finding(row) for row in read_rows(case / "expected.csv"))
    found = [each for each in findings(case, _as_of(case)) if each.rule in BY_HAND]
    assert Counter(each._replace(document="") for each in found) == expected


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_command_agrees_with_sql_on_hand_made_shops(case: Path, tmp_path: Path) -> None:
    as_of = _as_of(case)
    assert _command(case, as_of, tmp_path) == Counter(findings(case, as_of))


@pytest.mark.parametrize(("orders", "seed"), SIZES)
def test_command_agrees_with_sql_on_built_shops(orders: int, seed: int, tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    truth = build_shop(shop, orders=orders, seed=seed)
    found = Counter(findings(shop, truth.as_of))
    assert {each.rule for each in found} == set(RULES) - NOT_BUILT
    assert _command(shop, truth.as_of, tmp_path / "out") == found


def test_command_agrees_with_sql_on_mistakes_in_a_hundred_thousand_orders(tmp_path: Path) -> None:
    truth = build_shop(tmp_path / "built", orders=100_000, seed=16)
    tables = with_mistakes(Tables.read(tmp_path / "built"), seed=16, times=150)
    shop = tables.write(tmp_path / "shop")
    found = _open(Counter(findings(shop, truth.as_of)))
    assert {each.rule for each in found} == set(RULES) - {"currency-differs"}
    assert _open(_command(shop, truth.as_of, tmp_path / "out")) == found


def test_command_agrees_with_sql_on_bills_and_payments_in_other_currencies(
    tmp_path: Path,
) -> None:
    truth = build_shop(tmp_path / "built", orders=1_000, seed=17)
    tables = with_mistakes(Tables.read(tmp_path / "built"), 17, 20, CURRENCIES)
    shop = tables.write(tmp_path / "shop")
    rule = "currency-differs"
    found = _open(Counter(findings(shop, truth.as_of)), rule)
    assert found.total() > 20
    assert _open(_command(shop, truth.as_of, tmp_path / "out"), rule) == found


def test_command_agrees_with_sql_on_shuffled_and_overlapping_exports(tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    truth = build_shop(shop, orders=1_000, seed=13)
    shuffle_rows(shop, seed=13)
    split_overlapping(shop)
    rename_files(shop)
    found = Counter(findings(shop, truth.as_of))
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
    """The builder knows what is wrong with an order, not every symptom that follows from it.

    Nor does it name each document.
    """
    return Counter(each._replace(document="") for each in found if each.verdict != "follows")
