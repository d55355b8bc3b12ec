"""What a fact is, and a table of them."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

FactKind = Literal["money", "count", "flag", "date", "text"]


@dataclass(frozen=True)
class Fact:
    """One fact of a table: its name, kind and meaning, and the input without which it is NA.

    ``told_by``: the record without which an amount is 0 although nobody knows it. A rule that
    counts on it names the record among its needs; in amounts and sentences it is not known.
    """

    name: str
    kind: FactKind
    meaning: str
    missing: str = ""
    told_by: str = ""


@dataclass(frozen=True)
class Table:
    """One fact table: what a row of it is, and its facts."""

    name: str
    grain: str
    facts: MappingProxyType[str, Fact]

    def __reduce__(self) -> tuple[object, ...]:
        """How it is passed on to another process: by its facts, since a view is not passed on."""
        return table, (self.name, self.grain, *self.facts.values())


def table(name: str, grain: str, *facts: Fact) -> Table:
    """A table from its facts, in their order."""
    return Table(name, grain, MappingProxyType({fact.name: fact for fact in facts}))
