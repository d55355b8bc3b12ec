"""Read, match and check: what every command that looks at a whole shop begins with."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date

import numpy as np
import pandas as pd

from reconcile.checks.catalogue import Rule
from reconcile.checks.evidence import Places
from reconcile.checks.exceptions import find_exceptions
from reconcile.checks.inputs import Told, input_table
from reconcile.checks.patterns import patterns_of
from reconcile.checks.verdicts import Setting
from reconcile.intake.load import Intake, load
from reconcile.matching.match import Matched, match
from reconcile.shop import Shop

Say = Callable[[str], None]


@dataclass
class Clock:
    """Seconds by stage, and a word to whoever is watching when a stage begins."""

    say: Say
    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str, rows: int | None = None) -> Iterator[None]:
        """Measure what is done inside; ``rows`` are those that it is about, for the watcher."""
        self.say(name if rows is None else f"{name} {rows:,} rows")
        begun = time.perf_counter()
        yield
        self.seconds[name] = time.perf_counter() - begun


@dataclass(frozen=True)
class Night:
    """What a shop's files say as of a day.

    ``tables``: the fact tables of matching and ``inputs``. ``exceptions``: every exception of
    every rule, in reading order, before the history and decisions have been asked.
    """

    shop: Shop
    as_of: date
    intake: Intake
    matched: Matched
    tables: dict[str, pd.DataFrame]
    exceptions: pd.DataFrame


def check(shop: Shop, rules: dict[str, Rule], as_of: date, clock: Clock) -> Night:
    """Read every file of the shop, match, and run all rules; RefusedError for the files."""
    with clock.stage("reading"):
        intake = load(shop, as_of)
    with clock.stage("matching", sum(len(frame) for frame in intake.records.values())):
        matched = match(
            intake.records,
            intake.parts,
            intake.rejected_keys,
            intake.brought,
            shop.suppliers,
            shop.tolerance,
            shop.home_currency,
            patterns_of(rules, "tracking-invalid"),
        )
    with clock.stage("checking", len(matched.lines)):
        tables, found = _exceptions(shop, rules, intake, matched, as_of)
    return Night(shop, as_of, intake, matched, tables, found)


def _exceptions(
    shop: Shop, rules: dict[str, Rule], intake: Intake, matched: Matched, day: date
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    files = tuple(intake.files["file"])
    inputs = input_table(
        Told(intake.rejected, intake.changes, intake.totals, intake.gaps),
        matched.collisions,
        matched.conflicts,
        list(files),
        np.datetime64(day, "s"),
    )
    setting = Setting(
        as_of=day,
        covered=intake.covered,
        holidays={name: supplier.holidays for name, supplier in shop.suppliers.items()},
        tolerance=shop.tolerance,
    )
    places = Places(files, matched.places, matched.links)
    tables = matched.tables | {"inputs": inputs}
    return tables, find_exceptions(rules, tables, matched.orders, places, setting)
