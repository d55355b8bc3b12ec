"""A night beside the nights before: changes, decisions, and what is kept of it."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import pandas as pd

import reconcile
from reconcile.allocator import give_back
from reconcile.checks.catalogue import Rule
from reconcile.digests import not_among
from reconcile.lean import Texts
from reconcile.memory.behind import behind_open
from reconcile.memory.compare import (
    Compared,
    carried,
    compared,
    nothing_before,
)
from reconcile.memory.decision_log import Log, load_log
from reconcile.memory.decisions import accepted, in_one_table, named_in, with_orders
from reconcile.memory.keep import Part, keep_night, parts_of_night
from reconcile.memory.nights import (
    Run,
    amounts_then,
    contents_before,
    night_before,
    nights_before,
    seen_earlier,
)
from reconcile.memory.roll import roll_proofs
from reconcile.night import Night, told_apart
from reconcile.shop import ReportSettings

_NIGHTS = 30  # nights that the report draws
_NO_PROOFS = pd.DataFrame({"proof": [], "unit": [], "left": [], "right": []})


@dataclass(frozen=True)
class Remembered:
    """A night's exceptions with what history and decisions say of them.

    ``before`` is the night that it was compared with, None where there is none. ``nights``: what
    was open on the last 30 nights and is tonight. ``proofs``: empty where there is no history.
    ``files``: those that the night has read. ``texts``: of its exceptions, what may be on disk.
    """

    day: date
    files: pd.DataFrame
    texts: Texts
    compared: Compared
    run: Run
    before: date | None
    nights: pd.DataFrame
    proofs: pd.DataFrame
    log: Log

    def parts(self) -> Iterator[Part]:
        """What the history keeps of the night; each part is packed when it is asked for."""
        return parts_of_night(self.files, self.compared, self.texts)

    def keep(
        self, history: sqlite3.Connection, parts: Iterable[Part], *, proofs_hold: bool
    ) -> None:
        """Write the night into the history; nothing stands until that is committed."""
        keep_night(history, self.day, self.run, self.compared, parts, proofs_hold=proofs_hold)
        self.log.keep(history)


def remember(
    night: Night, rules: dict[str, Rule], history: sqlite3.Connection | None
) -> Remembered:
    """Ask the history, where there is one, and the decisions about a night's exceptions."""
    found, day = night.exceptions, night.as_of
    told = (day, night.intake.files, night.texts)
    log = load_log(night.shop.folder)
    run = _run(night, rules)
    if history is None:
        alone = nothing_before(_decided(found, night, log, None))
        tonight = alone.open_items.assign(night=str(day))
        return Remembered(*told, alone, run, None, tonight, _NO_PROOFS, log)
    log.check(history)
    rows = told_apart(night.intake, rules) if night.rows is None else night.rows
    new = not_among(contents_before(history, day), rows.new)
    rows = replace(rows, links=night.matched.links, new=new)
    give_back()
    before = night_before(history, day)
    behind = behind_open(found, night.tables, rows)
    all_of = carried(found, night.texts, behind, before, rows, run, day)
    found = _decided(all_of.found, night, log, history)
    earlier = seen_earlier(history, found["id"][all_of.then < 0], day, before.night)
    both = compared(all_of, found, earlier, before, rows, day)
    nights = [nights_before(history, day, _NIGHTS - 1), both.open_items.assign(night=str(day))]
    proofs = roll_proofs(before, both.moves)
    shown = pd.concat(nights, ignore_index=True)
    return Remembered(*told, both, run, before.night, shown, proofs, log)


def _decided(
    found: pd.DataFrame, night: Night, log: Log, history: sqlite3.Connection | None
) -> pd.DataFrame:
    """The exceptions after the decisions of the log and of a file, if there are any."""
    records, day = with_orders(night.intake.records.get("decisions"), night.shop), night.as_of
    if not log.decisions and (records is None or records.empty):
        return found
    amounts = None if history is None else amounts_then(history, named_in(records, found), day)
    return accepted(found, in_one_table(log.decisions, records, found, amounts), day)


def _run(night: Night, rules: dict[str, Rule]) -> Run:
    """What decides a night besides its files; where the folder is and how outputs look do not."""
    settings = replace(night.shop, folder=Path(), report=ReportSettings())
    digest = [hashlib.sha256(repr(part).encode()).hexdigest() for part in (settings, rules)]
    return Run(reconcile.__version__, night.shop.home_currency, *digest)
