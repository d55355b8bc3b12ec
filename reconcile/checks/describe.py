"""Rules in words: the catalogue as a list, and one rule with its settings and cases."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping

from reconcile.checks.catalogue import Rule, Setting
from reconcile.checks.conditions import Condition

_WIDTH = 78


def describe_all(rules: Mapping[str, Rule]) -> str:
    """One line per rule: name, severity, money class, list and title."""
    width = max(len(name) for name in rules)
    lines = [f"{'rule':<{width}}  severity  class    list     what it finds"]
    lines += [
        f"{rule.name:<{width}}  {rule.severity:<8}  {rule.money_class:<7}  {rule.list:<7}  "
        f"{rule.title}"
        for rule in rules.values()
    ]
    return "\n".join(lines)


def describe_one(rule: Rule) -> str:
    """Everything about one rule, with the cases that are run as its tests."""
    blocks = [
        f"{rule.name}: {rule.title}",
        f"stage {rule.stage}, severity {rule.severity}, class {rule.money_class}, "
        f"list {rule.list}; one exception for {rule.table.grain}",
        "Why it matters\n" + _wrapped(rule.text["why"]),
        "It fires when\n" + _conditions(rule),
        "What to do\n" + _wrapped(rule.text["action"]),
        "When it would be a false alarm\n" + _wrapped(rule.text["false_alarms"]),
    ]
    shown = [_setting(setting) for setting in rule.settings.values()]
    if rule.patterns:
        shown.append(f"  {rule.patterns.shown}: {rule.patterns.means}")
    if shown:
        blocks.append(f"Settings, under [rules.{rule.name}] in shop.toml\n" + "\n".join(shown))
    if rule.needs:
        blocks.append("Unknown where these end before it is due: " + ", ".join(rule.needs))
    if rule.over:
        blocks.append("Explains, so that these follow it: " + ", ".join(rule.over))
    cases = [f"  {case['gives']:<8} {case['name']}" for case in rule.examples]
    blocks.append("Cases\n" + "\n".join(cases))
    return "\n\n".join(blocks)


def _setting(setting: Setting) -> str:
    usual = "" if setting.value == setting.default else f" (default {setting.default})"
    return f"  {setting.name} = {setting.value}{usual}: {setting.means}"


def _wrapped(text: str) -> str:
    return textwrap.fill(text, _WIDTH, initial_indent="  ", subsequent_indent="  ")


def _conditions(rule: Rule) -> str:
    lines = [f"  {_sentence(rule, condition)}" for condition in rule.when]
    if rule.when_any:
        lines.append("  and at least one of")
        lines += [f"    {_sentence(rule, condition)}" for condition in rule.when_any]
    return "\n".join(lines)


def _sentence(rule: Rule, condition: Condition) -> str:
    meaning = rule.table.facts[condition.fact].meaning
    if condition.comparison in ("yes", "no", "known"):
        said = condition.comparison
    elif condition.comparison == "beyond-tolerance":
        said = f"beyond the tolerance, of {condition.of}"
    else:
        said = f"{condition.comparison.replace('-', ' ')} {condition.setting or condition.value}"
    return f"{condition.fact} is {said} ({meaning})"
