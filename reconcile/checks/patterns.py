"""Patterns that a shop may give to a rule: what its own tracking numbers look like."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reconcile.errors import Problem
from reconcile.tracking import pattern_problem

if TYPE_CHECKING:
    from reconcile.checks.catalogue import Rule

KEY = "patterns"
_MEND = (
    r"Write a regular expression of RE2 for the whole number, such as 'KX\d{8}P'; it knows "
    "neither back references nor looking around."
)


@dataclass(frozen=True)
class Patterns:
    """What the patterns of a rule mean, and those that the shop gives."""

    means: str
    value: tuple[str, ...] = ()

    @property
    def shown(self) -> str:
        """The setting as it stands in shop.toml."""
        return f"{KEY} = {json.dumps(self.value, ensure_ascii=False)}"


def patterns_of(rules: Mapping[str, Rule], name: str) -> tuple[str, ...]:
    """The patterns that the shop gives to a rule."""
    found = rules[name].patterns
    return () if found is None else found.value


def given_patterns(place: str, value: object, means: str) -> tuple[tuple[str, ...], list[Problem]]:
    """The patterns of a value of shop.toml, a text or a list of texts, and what is wrong."""
    texts = [value] if isinstance(value, str) else value
    if not isinstance(texts, list) or not all(isinstance(text, str) for text in texts):
        what = f"{KEY} = {value!r} is not a list of texts."
        return (), [Problem(place, what, f"It means: {means}.")]
    faults = [(text, pattern_problem(text)) for text in texts]
    problems = [
        Problem(place, f"{KEY}: {text!r} is no regular expression: {fault}.", _MEND)
        for text, fault in faults
        if fault
    ]
    return tuple(text for text, fault in faults if not fault), problems
