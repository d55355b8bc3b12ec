"""Writing down a decision on one exception."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd

from reconcile.errors import Problem, RefusedError
from reconcile.memory.database import HISTORY_FILE, history_to_read
from reconcile.memory.decision_log import DECISIONS_FILE, Decision, load_log, write_decision
from reconcile.memory.decisions import UNMATCHED
from reconcile.memory.lock import shop_lock
from reconcile.memory.nights import Found, last_seen
from reconcile.money import major_text
from reconcile.references import BETWEEN
from reconcile.shop import Shop
from reconcile.shop_file import read_shop


def decide_on(
    folder: Path,
    id_: str,
    as_of: Callable[[Shop], date],
    reason: str,
    until: date | None,
    decided_by: str,
) -> str:
    """Accept one exception as the history saw it last, up to its amount; in a sentence.

    Raises RefusedError where the shop, the history or the id is not there, or the decision would
    end before it begins.
    """
    shop, problems = read_shop(folder)
    if problems:
        raise RefusedError(problems)
    day, reason, decided_by = as_of(shop), " ".join(reason.split()), " ".join(decided_by.split())
    for name, text in (("--reason", reason), ("--by", decided_by)):
        if not text:
            raise RefusedError([Problem(name, "is blank.", "Write it out.")])
    if until is not None and until < day:
        what = f"{until} is before the day of the decision, {day}."
        raise RefusedError([Problem("--until", what, "Give a later day.")])
    with shop_lock(folder):
        found = _found(folder, id_, day)
        decision = Decision(
            id_, found.rule, found.order_ref, found.amount_minor, found.currency, day, decided_by,
            reason, until, found.order_key if found.rule == UNMATCHED else "",
        )  # fmt: skip
        write_decision(folder, decision)
    limit = "" if found.amount_minor is None else f", up to {_amount(found)}"
    ends = "" if until is None else f", until {until}"
    about = f"{found.rule} of order {found.order_ref}" if found.order_ref else found.rule
    said = f"Accepted: {about}{limit}{ends}, as the night of {found.night} saw it."
    if found.verdict == "follows":
        said += (
            " It followed from another exception then; the decision counts where it stands alone."
        )
    if decision.orders:
        said += (
            f" From the next run on the payment counts for {_orders(decision.orders)}, as long as "
            "nothing else adds up to it."
        )
    return f"{said} Added to {folder / DECISIONS_FILE}."


def _found(folder: Path, id_: str, day: date) -> Found:
    """The exception as the last night up to ``day`` saw it."""
    with history_to_read(folder) as history:
        if history is None:
            what = "there is no history yet, so no exception is known."
            raise RefusedError([Problem(str(folder / HISTORY_FILE), what, "Run nightly first.")])
        load_log(folder).check(history)
        found, ids = last_seen(history, id_, day)
    if found is None:
        what = f"no exception with this id was found up to {day}."
        close = difflib.get_close_matches(id_, ids, n=1)
        near = f" Did you mean {close[0]}?" if close else ""
        raise RefusedError([Problem(id_, what, f"Ids stand in exceptions.csv.{near}")])
    return found


def _orders(keys: str) -> str:
    *first, last = keys.split(BETWEEN)
    return f"orders {', '.join(first)} and {last}" if first else f"order {last}"


def _amount(found: Found) -> str:
    amount = pd.Series([found.amount_minor], dtype="Int64")
    shown = major_text(amount, pd.Series([found.currency]))
    return f"{shown.iloc[0]} {found.currency}"
