"""Patterns as a setting of a rule: declared in its file, given by the shop, refused if wrong."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from reconcile.checks.catalogue import configured, load_catalogue
from reconcile.checks.describe import describe_one
from reconcile.checks.patterns import patterns_of
from reconcile.errors import FaultError
from tests.checks.test_catalogue import RULE
from tests.intake.folders import AS_OF, ORDERS, csv_of, everything, read, source, write

RULES = load_catalogue()
NAME = "tracking-invalid"
PLACE = f"shop.toml [rules.{NAME}]"
OWN = r"KX\d{8}P"


def test_rule_has_no_patterns_before_the_shop_gives_some() -> None:
    assert patterns_of(RULES, NAME) == ()
    assert patterns_of(RULES, "unpaid") == ()
    assert "\n  patterns = []: regular expressions" in describe_one(RULES[NAME])


@pytest.mark.parametrize(
    ("value", "expected"), [([OWN, "AS"], (OWN, "AS")), (OWN, (OWN,)), ([], ())]
)
def test_shop_gives_patterns(value: object, expected: tuple[str, ...]) -> None:
    rules, problems = configured(RULES, {NAME: {"patterns": value}})
    assert problems == []
    assert patterns_of(rules, NAME) == expected
    assert patterns_of(RULES, NAME) == ()


def test_patterns_are_shown_as_they_stand_in_the_settings() -> None:
    rules, _ = configured(RULES, {NAME: {"patterns": [OWN, "AS"]}})
    assert r'  patterns = ["KX\\d{8}P", "AS"]: regular' in describe_one(rules[NAME])


@pytest.mark.parametrize("value", [7, True, {"a": "b"}, [1], [OWN, 1], [[OWN]]])
def test_value_that_is_no_list_of_texts_is_a_problem(value: object) -> None:
    _, [problem] = configured(RULES, {NAME: {"patterns": value}})
    assert problem.place == PLACE
    assert problem.what == f"patterns = {value!r} is not a list of texts."
    assert "regular expressions" in problem.mend


def test_every_pattern_that_is_none_is_a_problem_that_names_it() -> None:
    rules, problems = configured(RULES, {NAME: {"patterns": ["KX[", OWN, "(?=K)X", ""]}})
    assert {problem.place for problem in problems} == {PLACE}
    for problem, wrong in zip(problems, ("'KX['", "'(?=K)X'", "''"), strict=True):
        assert problem.what.startswith(f"patterns: {wrong} is no regular expression: ")
        assert r"KX\d{8}P" in problem.mend
    assert patterns_of(rules, NAME) == (OWN,)


def test_nearest_setting_is_offered() -> None:
    _, [problem] = configured(RULES, {NAME: {"pattern": [OWN]}})
    assert problem.what == "the setting 'pattern' is not known."
    assert problem.mend == "Did you mean 'patterns'?"


def test_rules_without_patterns_take_none() -> None:
    _, problems = configured(RULES, {"unpaid": {"patterns": [OWN]}, "overpaid": {"patterns": []}})
    assert [problem.what for problem in problems] == ["the setting 'patterns' is not known."] * 2


@pytest.mark.parametrize("table", ["", "means = 7", 'mean = "x"', 'means = "x"\ndefault = []'])
def test_broken_patterns_of_a_rule_file_are_refused(table: str, tmp_path: Path) -> None:
    text = RULE.replace("[settings.grace_days]", f"[patterns]\n{table}\n[settings.grace_days]")
    (tmp_path / "late.toml").write_text(text, encoding="utf-8")
    with pytest.raises(FaultError, match=r"The rule file late\.toml cannot work: patterns"):
        load_catalogue(tmp_path)


# The command


def _run(shop: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "reconcile", "nightly", str(shop), "--as-of", str(AS_OF)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def _shop(folder: Path, patterns: str) -> Path:
    files = {
        "orders.csv": csv_of(ORDERS, "1,2026-10-02,LAN-1,1,2.50,EUR"),
        "shipments.csv": csv_of(
            "supplier,order_ref,shipped_at,tracking_no",
            *(f"kestrel,1,2026-10-0{day},{number}" for day, number in enumerate(("KX1", "AS1"), 3)),
        ),
    }
    settings = source("orders") + source("shipments")
    return write(folder, files, f"{settings}\n[rules.{NAME}]\npatterns = {patterns}\n")


def test_run_with_a_pattern_that_is_none_is_refused(tmp_path: Path) -> None:
    shop = _shop(tmp_path / "shop", r'["KX\\d", "KX["]')
    before = everything(shop)
    run = _run(shop)
    assert run.returncode == 2
    assert run.stdout == ""
    [first, line] = run.stderr.splitlines()
    assert first == "Refused; nothing has been written."
    assert line.startswith(f"- {PLACE}: patterns: 'KX[' is no regular expression: missing ]: [.")
    assert everything(shop) == before


def test_run_with_patterns_tells_what_fits_none_and_shows_them(tmp_path: Path) -> None:
    shop = _shop(tmp_path / "shop", r'["KX\\d"]')
    assert set(read(shop).records) == {"orders", "shipments"}
    run = _run(shop)
    assert run.returncode == 0, run.stderr
    out = shop / "out" / str(AS_OF) / "exceptions.csv"
    told = [line for line in out.read_text("utf-8").splitlines() if NAME in line]
    assert len(told) == 1
    assert "AS1 has none of the shapes that the shop allows" in told[0]
