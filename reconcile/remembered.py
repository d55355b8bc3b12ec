"""A night beside the nights before: changes, decisions, and what is kept of it."""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import reconcile
from reconcile.checks.catalogue import Rule
from reconcile.memory.compare import (
    Compared,
    Rows,
    carried,
    compared,
    nothing_before,
)
from reconcile.memory.decision_log import Log, load_log
from reconcile.memory.decisions import accepted, in_one_table, named_in
from reconcile.memory.keep import keep_night
from reconcile.memory.nights import (
    Run,
    amounts_then,
    contents_before,
    night_before,
    nights_before,
)
from reconcile.memory.roll import roll_proofs
from reconcile.memory.rows import SHARED, all_links, contents, digests, rows_behind
from reconcile.night import Night
from reconcile.shop import ReportSettings

_NIGHTS = 30  # nights that the report draws
_NO_PROOFS = pd.DataFrame({"proof": [], "unit": [], "left": [], "right": []})


@dataclass(frozen=True)
class Remembered:
    """A night's exceptions with what history and decisions say of them.

    ``before`` is the night that it was compared with, None where there is none. ``nights``: what
    was open on the last 30 nights and is tonight. ``proofs``: empty where there is no history.
    """

    compared: Compared
    run: Run
    before: date | None
    nights: pd.DataFrame
    proofs: pd.DataFrame
    log: Log

    def keep(self, history: sqlite3.Connection, night: Night, *, proofs_hold: bool) -> None:
        """Write the night into the history; nothing stands until that is committed."""
        keep_night(
            history,
            night.as_of,
            self.run,
            night.intake.files,
            self.compared,
            proofs_hold=proofs_hold,
        )
        self.log.keep(history)


def remember(
    night: Night, rules: dict[str, Rule], history: sqlite3.Connection | None
) -> Remembered:
    """Ask the history, where there is one, and the decisions about a night's exceptions."""
    found, day = night.exceptions, night.as_of
    log = load_log(night.shop.folder)
    decided, logged = night.intake.records.get("decisions"), log.decisions
    run = _run(night, rules)
    if history is None:
        found = accepted(found, in_one_table(logged, decided, found, None), day)
        alone = nothing_before(found)
        tonight = alone.open_items.assign(night=str(day))
        return Remembered(alone, run, None, tonight, _NO_PROOFS, log)
    log.check(history)
    before = night_before(history, day, found["id"])
    rows = _rows(night, rules, contents_before(history, day))
    found, cleared = carried(found, before, rows, run, day)
    amounts = amounts_then(history, named_in(decided, found), day)
    found = accepted(found, in_one_table(logged, decided, found, amounts), day)
    all_of = compared(found, cleared, before, rows, day)
    tonight = all_of.open_items.assign(night=str(day))
    nights = pd.concat([nights_before(history, day, _NIGHTS - 1), tonight], ignore_index=True)
    proofs = roll_proofs(before, all_of.moves)
    return Remembered(all_of, run, before.night, nights, proofs, log)


def _run(night: Night, rules: dict[str, Rule]) -> Run:
    """What decides a night besides its files; where the folder is and how outputs look do not."""
    settings = replace(night.shop, folder=Path(), report=ReportSettings())
    digest = [hashlib.sha256(repr(part).encode()).hexdigest() for part in (settings, rules)]
    return Run(reconcile.__version__, night.shop.home_currency, *digest)


def _rows(night: Night, rules: dict[str, Rule], known: NDArray[np.int64]) -> Rows:
    records, files = night.intake.records, night.intake.files
    shared = [
        pd.DataFrame({"record": name, "content": contents(name, records[name])}).assign(
            file=records[name]["file"].to_numpy(np.int64), row=records[name]["row"].to_numpy()
        )
        for name in SHARED
        if name in records
    ]
    nothing = pd.DataFrame({"record": [], "content": [], "file": [], "row": []})
    return Rows(
        rows=digests(records, files),
        shared=pd.concat(shared, ignore_index=True) if shared else nothing.astype("int64"),
        files=tuple(files["file"]),
        links=all_links(night.matched.links),
        behind=rows_behind(night.exceptions, night.tables, night.matched.links, files["file"]),
        telling={name: rule.needs for name, rule in rules.items()},
        known=known,
    )
