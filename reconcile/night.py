"""Read, match and check: what every command that looks at a whole shop begins with."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory, mkdtemp

import pandas as pd

from reconcile.allocator import give_back, give_back_at_once, keep_freed
from reconcile.checks.catalogue import Rule
from reconcile.checks.evidence import Places
from reconcile.checks.exceptions import find_exceptions
from reconcile.checks.patterns import patterns_of
from reconcile.checks.verdicts import Setting
from reconcile.decided import with_decisions
from reconcile.errors import FaultError
from reconcile.intake.load import Intake, load
from reconcile.lean import Texts
from reconcile.matching.groups import GROUPED
from reconcile.matching.ledger import Ledger
from reconcile.matching.match import Matched, match_with_ledger
from reconcile.memory.rows import Rows, numbered
from reconcile.portions.check import check_in_portions, inputs_of, terms_of
from reconcile.portions.shelf import Shelf
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
    every rule, in reading order, before the history and decisions have been asked; ``texts`` has
    what of them may be on disk. ``setting``: what the rules were judged by. ``ledger``: money by
    row, and ``rows``: all rows with their digests, as if no night had been before and nothing
    stood behind anything; both where they were asked for.
    """

    shop: Shop
    as_of: date
    intake: Intake
    matched: Matched
    tables: Mapping[str, pd.DataFrame]
    exceptions: pd.DataFrame
    setting: Setting
    texts: Texts = field(default_factory=Texts)
    ledger: Ledger | None = None
    rows: Rows | None = None


@dataclass(frozen=True)
class Room:
    """How much memory a run may take, in bytes, and the folder where portions wait meanwhile."""

    memory: int
    folder: Path

    def portions(self, rows: int) -> int:
        """How many portions the rows of all records are matched in.

        Measured: matching takes about 1.2 kB a row. A quarter of the memory is for the portion at
        work, the rest for what is found and for writing it.
        """
        return max(-(-rows * 1200 * 4 // self.memory), 1)


@contextmanager
def folder_for_portions() -> Iterator[Path]:
    """A folder that only this user can read, and that goes with the run; FaultError without one."""
    try:
        made = TemporaryDirectory(prefix="reconcile-")
    except OSError as error:
        raise FaultError(f"No folder for portions could be made: {error.strerror}.") from error
    with made as folder:
        yield Path(folder)


def read_and_match(
    shop: Shop, rules: dict[str, Rule], as_of: date, clock: Clock
) -> tuple[Intake, Matched]:
    """Read every file of the shop and match it; RefusedError for the files."""
    intake = _read(shop, rules, as_of, clock)
    matched, _ = _match(shop, rules, intake, clock)
    return intake, matched


def _read(shop: Shop, rules: dict[str, Rule], as_of: date, clock: Clock) -> Intake:
    keep_freed()
    with clock.stage("reading"):
        return with_decisions(shop, rules, as_of, load(shop, as_of))


def _match(
    shop: Shop, rules: dict[str, Rule], intake: Intake, clock: Clock, *, ledger: bool = False
) -> tuple[Matched, Ledger | None]:
    with clock.stage("matching", sum(intake.records.counts().values())):
        matched, ledger_now = match_with_ledger(
            intake.records,
            intake.parts,
            intake.rejected_keys,
            intake.brought,
            shop.suppliers,
            shop.tolerance,
            shop.home_currency,
            patterns_of(rules, "tracking-invalid"),
        )
        return matched, ledger_now() if ledger else None


def check(
    shop: Shop,
    rules: dict[str, Rule],
    as_of: date,
    clock: Clock,
    *,
    ledger: bool = False,
    digests: bool = False,
    room: Room | None = None,
) -> Night:
    """Read every file of the shop, match, and run all rules; RefusedError for the files.

    With ``ledger`` the money of every row is kept too, which takes some room; with ``digests`` all
    rows are told apart meanwhile. With ``room`` in portions that fit into it, without either.
    """
    if room is not None:
        return _check_in_portions(shop, rules, as_of, clock, room)
    intake = _read(shop, rules, as_of, clock)
    with ThreadPoolExecutor(max_workers=1) as aside:
        rows = aside.submit(told_apart, intake, rules) if digests else None
        matched, kept = _match(shop, rules, intake, clock, ledger=ledger)
        terms = terms_of(shop, rules, as_of, intake)
        with clock.stage("checking", len(matched.lines)):
            tables = {**matched.tables, "inputs": inputs_of(matched, intake, terms)}
            places = Places(terms.files, matched.places, matched.links)
            found = find_exceptions(rules, tables, matched.orders, places, terms.setting)
            give_back()
    apart = None if rows is None else rows.result()
    return Night(
        shop, as_of, intake, matched, tables, found, terms.setting, ledger=kept, rows=apart
    )


def told_apart(intake: Intake, rules: Mapping[str, Rule]) -> Rows:
    """All rows with their digests, before anything is known of them but what the files say."""
    needs = {name: rule.needs for name, rule in rules.items()}
    return numbered(intake.records, intake.files, needs)


def _check_in_portions(
    shop: Shop, rules: dict[str, Rule], as_of: date, clock: Clock, room: Room
) -> Night:
    give_back_at_once()
    folder = Path(mkdtemp(dir=room.folder))
    shelf = Shelf(GROUPED, folder)
    with clock.stage("reading"):
        intake = with_decisions(shop, rules, as_of, load(shop, as_of, shelf))
    terms = terms_of(shop, rules, as_of, intake)
    rows = sum(shelf.counts().values())
    with clock.stage("portions", rows):
        found = check_in_portions(intake, shelf, terms, room.portions(rows), folder)
        give_back()
    matched, tables, exceptions, texts = found
    return Night(shop, as_of, intake, matched, tables, exceptions, terms.setting, texts)
