"""The catalogue: one TOML file per rule, read, checked and set to the shop's settings."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import Any

from reconcile.checks.conditions import COMPARISONS, NUMERIC, Condition
from reconcile.checks.patterns import KEY, Patterns, given_patterns
from reconcile.errors import FaultError, Problem
from reconcile.facts import TABLES, Table
from reconcile.shop import SETTINGS_FILE, nearest

SEVERITIES = ("high", "medium", "low")
CLASSES = ("stop", "claim", "owed", "at-risk", "timing", "info")
LISTS = ("pay", "hold", "chase", "claim", "post", "refund", "collect", "check")
_RECORDS = ("orders", "invoices", "payments", "shipments", "self", "quotes", "candidates")
_KEYS = {
    "title", "stage", "severity", "class", "list", "table", "amount", "event", "needs", "over",
    "evidence", "settings", "patterns", "when", "when_any", "unknown", "waiting", "due",
    "instead", "text", "example",
}  # fmt: skip
_CONDITION_KEYS = ("fact", "is", "value", "of", "setting")
_INSTEAD = ("class", "list")
_TEXTS = ("explanation", "why", "action", "false_alarms")
FIELD = re.compile(r"\{([a-z_]+)\}")  # a fact, a setting or one of these in an explanation
# Two forms of a word in it, (was|were) or unit(|s): the first where the count last told is 1.
FORMS = re.compile(r"\(([a-z]*)\|([a-z]+)\)")
_FIELDS = ("due", "as_of", "supplier", "order_ref", "sku")


@dataclass(frozen=True)
class Setting:
    """A number that the shop may change: its default and value, and what it means."""

    name: str
    default: int
    value: int
    means: str


@dataclass(frozen=True)
class Due:
    """From which date an exception is due, and after how many days; a name is a setting."""

    start: str
    days: str = ""
    business_days: str = ""
    missing: str = ""


@dataclass(frozen=True)
class Rule:
    """One rule: data of its file, with the shop's settings."""

    name: str
    title: str
    stage: str
    severity: str
    money_class: str
    list: str
    table: Table
    amount: str
    event: str
    needs: tuple[str, ...]
    over: tuple[str, ...]
    evidence: tuple[str, ...]
    settings: Mapping[str, Setting]
    patterns: Patterns | None
    when: tuple[Condition, ...]
    when_any: tuple[Condition, ...]
    unknown: tuple[Condition, ...]
    waiting: tuple[Condition, ...]
    due: tuple[Due, ...]
    instead: Condition | None
    instead_class: str
    instead_list: str
    text: Mapping[str, str]
    examples: tuple[Mapping[str, Any], ...]

    def counts(self, field: str) -> bool:
        """Whether a field of the explanation tells how many there are."""
        fact = self.table.facts.get(field)
        return field in self.settings or (fact is not None and fact.kind == "count")


def rules_folder() -> Path:
    """Where the rule files lie: in the installed package, else beside it in the checkout."""
    inside = Path(__file__).parent.parent / "rules"
    return inside if inside.is_dir() else inside.parent.parent / "rules"


def load_catalogue(folder: Path | None = None) -> dict[str, Rule]:
    """Every rule by name, in order of name.

    Raises FaultError where a rule file cannot work: it names the file and the key.
    """
    rules: dict[str, Rule] = {}
    for path in sorted((folder or rules_folder()).glob("*.toml")):
        try:
            data = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise FaultError(f"The rule file {path.name} cannot be read: {error}.") from None
        rules[path.stem] = _rule(path.stem, data)
    if not rules:
        raise FaultError(f"There are no rules in {folder or rules_folder()}: install again.")
    for rule in rules.values():
        for other in rule.over:
            _need(rule.name, "over", other in rules, f"there is no rule {other!r}")
    try:
        TopologicalSorter({rule.name: rule.over for rule in rules.values()}).prepare()
    except CycleError as error:
        first, *_ = circle = error.args[1]
        _need(first, "over", None, f"a circle of causes: {', '.join(circle)}")
    return rules


def configured(
    rules: Mapping[str, Rule], changes: Mapping[str, Mapping[str, Any]]
) -> tuple[dict[str, Rule], list[Problem]]:
    """The rules with the shop's settings, and what is wrong with those settings."""
    problems: list[Problem] = []
    out = dict(rules)
    for name, table in changes.items():
        place = f"{SETTINGS_FILE} [rules.{name}]"
        if name not in rules:
            what = f"there is no rule {name!r}."
            problems.append(Problem(place, what, nearest(name, rules)))
            continue
        settings, patterns = dict(rules[name].settings), rules[name].patterns
        names = [*settings, *([KEY] if patterns else [])]
        for key, value in table.items():
            if key == KEY and patterns is not None:
                given, wrong = given_patterns(place, value, patterns.means)
                patterns = replace(patterns, value=given)
                problems += wrong
            elif key not in settings:
                known = nearest(key, names) if names else "This rule has no settings."
                problems.append(Problem(place, f"the setting {key!r} is not known.", known))
            elif isinstance(value, bool) or not isinstance(value, int) or value < 0:
                what = f"{key} = {value!r} is not a whole number of 0 or more."
                problems.append(Problem(place, what, f"It means: {settings[key].means}."))
            else:
                settings[key] = replace(settings[key], value=value)
        out[name] = replace(rules[name], settings=settings, patterns=patterns)
    return out, problems


def _need(rule: str, key: str, holds: object, what: str) -> None:
    if not holds:
        raise FaultError(f"The rule file {rule}.toml cannot work: {key}: {what}.")


def _need_known(rule: str, place: str, key: str, known: Collection[str]) -> None:
    if key not in known:  # the advice takes longer than reading all the rules
        _need(rule, place, False, "the key is not known; " + nearest(key, known))  # noqa: FBT003


def _rule(name: str, data: Mapping[str, Any]) -> Rule:
    for key in data:
        _need_known(name, key, key, _KEYS)
    for key in ("title", "stage", "table", "event", "severity", "class", "list"):
        _need(name, key, isinstance(data.get(key), str), "it is missing")
    table = TABLES.get(data["table"])
    if table is None:
        raise FaultError(f"The rule file {name}.toml cannot work: table: no such fact table.")
    settings = {key: _setting(name, key, one) for key, one in data.get("settings", {}).items()}
    for key, kind in (("amount", "money"), ("event", "date")):
        fact = data.get(key, "")
        fits = fact in table.facts and table.facts[fact].kind == kind
        _need(name, key, fits or (key == "amount" and not fact), f"{fact!r} is no {kind} of it")
    instead = data.get("instead")
    rule = Rule(
        name=name,
        title=data["title"],
        stage=data["stage"],
        severity=_one_of(name, "severity", data["severity"], SEVERITIES),
        money_class=_one_of(name, "class", data["class"], CLASSES),
        list=_one_of(name, "list", data["list"], LISTS),
        table=table,
        amount=data.get("amount", ""),
        event=data["event"],
        needs=tuple(_one_of(name, "needs", need, _RECORDS[:4]) for need in data.get("needs", [])),
        over=tuple(data.get("over", [])),
        evidence=tuple(
            _one_of(name, "evidence", one, _RECORDS) for one in data.get("evidence", [])
        ),
        settings=settings,
        patterns=_patterns(name, data[KEY]) if KEY in data else None,
        when=_conditions(name, "when", data, table, settings),
        when_any=_conditions(name, "when_any", data, table, settings),
        unknown=_conditions(name, "unknown", data, table, settings, ("cause",)),
        waiting=_conditions(name, "waiting", data, table, settings),
        due=tuple(_due(name, entry, table, settings) for entry in data.get("due", [])),
        instead=_condition(name, "instead", instead, table, settings, _INSTEAD)
        if instead
        else None,
        instead_class=_one_of(name, "class", instead["class"], CLASSES) if instead else "",
        instead_list=_one_of(name, "list", instead["list"], LISTS) if instead else "",
        text=data.get("text", {}),
        examples=tuple(data.get("example", [])),
    )
    _need(name, "when", rule.when, "a rule without conditions would always fire")
    for key in _TEXTS:
        _need(name, f"text.{key}", rule.text.get(key), "it is missing")
    said = rule.text["explanation"]
    for field in FIELD.findall(said):
        known = field in table.facts or field in settings or field in _FIELDS
        _need(name, "text.explanation", known, f"{table.name} has no fact {field!r}")
    if forms := FORMS.search(said):
        counted = any(map(rule.counts, FIELD.findall(said[: forms.start()])))
        _need(name, "text.explanation", counted, f"no count is told before {forms[0]!r}")
    return rule


def _setting(rule: str, name: str, entry: Mapping[str, Any]) -> Setting:
    key = f"settings.{name}"
    default: Any = entry.get("default")
    means: Any = entry.get("means")
    _need(rule, key, type(default) is int and default >= 0, "default is no whole number from 0")
    _need(rule, key, isinstance(means, str) and means, "what it means is missing")
    return Setting(name, default, default, means)


def _patterns(rule: str, entry: Mapping[str, Any]) -> Patterns:
    _known_keys(rule, KEY, entry, ("means",))
    means: Any = entry.get("means")
    _need(rule, KEY, isinstance(means, str) and means, "what they mean is missing")
    return Patterns(means)


def _one_of(rule: str, key: str, value: str, known: tuple[str, ...]) -> str:
    _need(rule, key, value in known, f"{value!r} is none of {', '.join(known)}")
    return value


def _known_keys(rule: str, place: str, entry: Mapping[str, Any], keys: Collection[str]) -> None:
    for key in entry:
        _need_known(rule, f"{place}.{key}", key, keys)


def _conditions(
    rule: str,
    key: str,
    data: Mapping[str, Any],
    table: Table,
    settings: Collection[str],
    more: tuple[str, ...] = (),
) -> tuple[Condition, ...]:
    return tuple(_condition(rule, key, entry, table, settings, more) for entry in data.get(key, []))


def _condition(
    rule: str,
    key: str,
    entry: Mapping[str, Any],
    table: Table,
    settings: Collection[str],
    more: tuple[str, ...],
) -> Condition:
    """One comparison; ``more`` are keys that have to stand beside it."""
    _known_keys(rule, key, entry, (*_CONDITION_KEYS, *more))
    for name in more:
        _need(rule, f"{key}.{name}", isinstance(entry.get(name), str), "it is missing")
    fact, comparison = entry.get("fact", ""), entry.get("is", "")
    _need(rule, key, fact in table.facts, f"{table.name} has no fact {fact!r}")
    _need(rule, key, comparison in COMPARISONS, f"{comparison!r} is no comparison")
    kind = table.facts[fact].kind
    _need(rule, key, kind in COMPARISONS[comparison], f"{comparison!r} of a {kind} says nothing")
    of, gap = entry.get("of", ""), comparison == "beyond-tolerance"
    of_money = of in table.facts and table.facts[of].kind == "money"
    _need(rule, key, of_money if gap else not of, f"{table.name} has no money {of!r}")
    value, setting = entry.get("value", 0), entry.get("setting", "")
    counted = comparison in NUMERIC or comparison == "within-days"
    fits = setting in settings and counted if setting else comparison != "within-days"
    _need(rule, f"{key}.setting", fits, f"{comparison!r} with the setting {setting!r}")
    if kind == "text":
        return Condition(fact, comparison, str(value), of, entry.get("cause", ""))
    number = isinstance(value, int | float) and not isinstance(value, bool)
    _need(rule, key, number, f"{value!r} is not a number")
    return Condition(fact, comparison, Decimal(str(value)), of, entry.get("cause", ""), setting)


def _due(rule: str, entry: Mapping[str, Any], table: Table, settings: Mapping[str, Setting]) -> Due:
    _known_keys(rule, "due", entry, ("from", "days", "business_days", "missing"))
    start = entry.get("from", "")
    dated = start in table.facts and table.facts[start].kind == "date"
    _need(rule, "due.from", dated, f"{table.name} has no date {start!r}")
    for key in ("days", "business_days"):
        name = entry.get(key, "")
        _need(rule, f"due.{key}", not name or name in settings, f"there is no setting {name!r}")
    return Due(
        start, entry.get("days", ""), entry.get("business_days", ""), entry.get("missing", "")
    )
