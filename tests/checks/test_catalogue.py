"""A rule file that cannot work stops the run before it starts, and says which key is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.checks.catalogue import FIELD, Rule, configured, load_catalogue
from reconcile.checks.describe import describe_all, describe_one
from reconcile.errors import FaultError, Problem

RULE = """
title    = "Paid too late"
stage    = "supplier payment"
severity = "high"
class    = "owed"
list     = "pay"
table    = "supplier_orders"
amount   = "payable"
event    = "customer_paid_date"
needs    = ["payments"]
over     = []
evidence = ["orders"]

[settings.grace_days]
default = 1
means   = "days until it is due"

[[when]]
fact = "funded"
is = "yes"
[[when]]
fact = "payable"
is = "above"
value = 0
[[when]]
fact = "unpaid_rest"
is = "beyond-tolerance"
of = "payable"

[[unknown]]
fact = "undecided"
is = "above"
value = 0
cause = "a payment that could not be allocated"

[[due]]
from = "prepay_date"
days = "grace_days"

[instead]
fact  = "live"
is    = "at-most"
value = 0
class = "info"
list  = "check"

[text]
explanation  = "{payable} has been due to {supplier} since {due}; {grace_days} day(|s) given."
why          = "It is late."
action       = "Pay it."
false_alarms = "None."
"""

BROKEN = [
    ("a key that no rule has", 'over     = []', 'ower     = []', "ower"),
    ("no title", 'title    = "Paid too late"', "", "title"),
    ("a title that is a number", 'title    = "Paid too late"', "title = 7", "title"),
    ("an unknown severity", '"high"', '"urgent"', "severity"),
    ("an unknown class", '"owed"', '"lost"', "class"),
    ("an unknown list", 'list     = "pay"', 'list     = "payy"', "list"),
    ("an unknown table", '"supplier_orders"', '"supplier_order"', "table"),
    ("an amount that is no fact", 'amount   = "payable"', 'amount   = "payble"', "amount"),
    ("an amount that is no money", 'amount   = "payable"', 'amount   = "live"', "amount"),
    ("an event that is no fact", '"customer_paid_date"', '"customer_paid"', "event"),
    ("an event that is no date", '"customer_paid_date"', '"paid"', "event"),
    ("a need that is no record", '["payments"]', '["payment"]', "needs"),
    ("a symptom that is no rule", "over     = []", 'over     = ["unfulfilled"]', "over"),
    ("a rule that explains itself", "over     = []", 'over     = ["late"]', "over"),
    ("evidence of no record", '["orders"]', '["order"]', "evidence"),
    ("a setting without default", "default = 1", "", "settings"),
    ("a setting that is a text", "default = 1", 'default = "1"', "settings"),
    ("a setting below zero", "default = 1", "default = -1", "settings"),
    ("a setting without meaning", 'means   = "days until it is due"', "", "settings"),
    ("a condition on no fact", 'fact = "funded"', 'fact = "fundet"', "when"),
    ("a condition without fact", 'fact = "funded"', "", "when"),
    ("an unknown comparison", 'is = "yes"', 'is = "true"', "when"),
    ("a comparison with no number", "value = 0\n[[when]]", 'value = "0,5 x"\n[[when]]', "when"),
    ("money that is asked whether", 'is = "above"\nvalue = 0\n[[w', 'is = "yes"\n[[w', "when"),
    ("a flag that is compared", 'is = "yes"', 'is = "above"\nvalue = 0', "when"),
    ("a tolerance of no fact", 'of = "payable"', 'of = "payble"', "when"),
    ("a tolerance of nothing", 'of = "payable"', "", "when"),
    ("an unknown key of a condition", 'of = "payable"', 'of = "payable"\noff = 1', "when"),
    ("a value of no setting", 'value = 0\n[[when]]', 'setting = "grace"\n[[when]]', "when.setting"),
    ("a flag and a setting", 'is = "yes"', 'is = "yes"\nsetting = "grace_days"', "when.setting"),
    (
        "a day within no setting",
        'fact = "funded"\nis = "yes"',
        'fact = "customer_paid_date"\nis = "within-days"',
        "when.setting",
    ),
    ("an unknown fact of a doubt", 'fact = "undecided"', 'fact = "decided"', "unknown"),
    ("a doubt without cause", 'cause = "a payment that could not be allocated"', "", "unknown"),
    ("a due date that is no date", 'from = "prepay_date"', 'from = "paid"', "due.from"),
    ("days of no setting", 'days = "grace_days"', 'days = "grace"', "due.days"),
    ("days of a number", 'days = "grace_days"', "days = 1", "due.days"),
    ("business days of no setting", 'days = "gr', 'business_days = "gg', "due.business_days"),
    ("an unknown key of a due date", 'days = "grace_days"', 'dayz = "grace_days"', "due"),
    ("another class that is unknown", 'class = "info"', 'class = "lost"', "class"),
    ("another class that is missing", 'class = "info"', "", "instead.class"),
    ("another list on no fact", 'fact  = "live"', 'fact  = "lives"', "instead"),
    ("no action", 'action       = "Pay it."', "", "text.action"),
    ("a sentence about no fact", "{payable} has", "{payble} has", "text.explanation"),
    ("two forms and no count", "{grace_days} day(|s)", "some day(|s)", "text.explanation"),
]  # fmt: skip


def _load(folder: Path, text: str) -> dict[str, Rule]:
    (folder / "late.toml").write_text(text, encoding="utf-8")
    return load_catalogue(folder)


def test_rule_of_these_tests_is_sound(tmp_path: Path) -> None:
    rule = _load(tmp_path, RULE)["late"]
    assert rule.settings["grace_days"].value == 1
    assert [condition.fact for condition in rule.when] == ["funded", "payable", "unpaid_rest"]


@pytest.mark.parametrize(
    ("old", "new", "key"), [row[1:] for row in BROKEN], ids=[row[0] for row in BROKEN]
)
def test_broken_rule_file_is_refused(old: str, new: str, key: str, tmp_path: Path) -> None:
    assert old in RULE
    with pytest.raises(FaultError) as refused:
        _load(tmp_path, RULE.replace(old, new, 1))
    message = str(refused.value)
    assert message.startswith("The rule file late.toml cannot work: " + key)


def test_rule_without_conditions_is_refused(tmp_path: Path) -> None:
    head, _, rest = RULE.partition("[[when]]")
    with pytest.raises(FaultError, match=r"late\.toml cannot work: when: "):
        _load(tmp_path, head + "[[unknown]]" + rest.rpartition("[[unknown]]")[2])


def test_nearest_key_is_offered(tmp_path: Path) -> None:
    with pytest.raises(FaultError, match="Did you mean 'severity'"):
        _load(tmp_path, RULE.replace("severity", "severty"))


@pytest.mark.parametrize("content", [b"title = ", b"\xff\xfe", b"[a]\n[a]\n"])
def test_file_that_is_no_toml_is_refused(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "late.toml").write_bytes(content)
    with pytest.raises(FaultError, match=r"The rule file late\.toml cannot be read"):
        load_catalogue(tmp_path)


def test_rules_that_explain_each_other_are_refused(tmp_path: Path) -> None:
    (tmp_path / "first.toml").write_text(RULE.replace("over     = []", 'over = ["late"]'))
    with pytest.raises(FaultError, match="over"):
        _load(tmp_path, RULE.replace("over     = []", 'over = ["first"]'))


def test_folder_without_rules_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FaultError, match="no rules"):
        load_catalogue(tmp_path)


def test_shop_changes_a_setting() -> None:
    rules, problems = configured(load_catalogue(), {"unpaid": {"grace_days": 4}})
    assert problems == []
    setting = rules["unpaid"].settings["grace_days"]
    assert (setting.value, setting.default) == (4, 1)
    assert rules["part-paid"].settings["grace_days"].value == 1
    assert "grace_days = 4 (default 1)" in describe_one(rules["unpaid"])


def test_a_limit_of_zero_is_a_setting() -> None:
    rules, problems = configured(load_catalogue(), {"unpaid": {"grace_days": 0}})
    assert problems == []
    assert rules["unpaid"].settings["grace_days"].value == 0


@pytest.mark.parametrize("value", [-1, 1.5, "2", True, None, [1]])
def test_setting_that_is_no_number_of_days_is_a_problem(value: object) -> None:
    _, problems = configured(load_catalogue(), {"unpaid": {"grace_days": value}})
    [problem] = problems
    assert problem.place == "shop.toml [rules.unpaid]"
    assert problem.what.startswith(f"grace_days = {value!r} is not")
    assert "days after the customer's payment" in problem.mend


def test_unknown_rules_and_settings_are_problems_with_the_nearest_name() -> None:
    changes = {"unpayd": {"grace_days": 2}, "unpaid": {"grace_day": 2}, "overpaid": {"x": 1}}
    _, problems = configured(load_catalogue(), changes)
    assert problems == [
        Problem("shop.toml [rules.unpayd]", "there is no rule 'unpayd'.", "Did you mean 'unpaid'?"),
        Problem(
            "shop.toml [rules.unpaid]",
            "the setting 'grace_day' is not known.",
            "Did you mean 'grace_days'?",
        ),
        Problem(
            "shop.toml [rules.overpaid]",
            "the setting 'x' is not known.",
            "This rule has no settings.",
        ),
    ]


def test_catalogue_is_described_with_every_rule_and_case() -> None:
    rules = load_catalogue()
    page = describe_all(rules)
    for rule in rules.values():
        assert rule.title in page
        one = describe_one(rule)
        assert all(str(case["name"]) in one for case in rule.examples)
        assert rule.text["action"].split()[0] in one


def test_every_sentence_stands_alone() -> None:
    """It names the order or document, a day, and how much: nobody has to look at the row."""
    for rule in load_catalogue().values():
        fields = set(FIELD.findall(rule.text["explanation"]))
        if rule.table.name == "inputs":
            assert fields == {"detail"}, rule.name
            continue
        kinds = {rule.table.facts[name].kind for name in fields if name in rule.table.facts}
        dated = "date" in kinds or fields & {"due", "as_of", "month"}
        assert dated, rule.name
        assert "supplier" in fields or rule.table.name == "orders", rule.name
        assert fields & {"order_ref", "document", "references", "month"}, rule.name
        if rule.amount and rule.name != "unknown-order":  # a parcel has no amount
            assert "money" in kinds, rule.name
