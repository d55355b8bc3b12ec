"""Everything known of one order, invoice, payment or tracking number."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from reconcile.checks.catalogue import configured, load_catalogue
from reconcile.checks.exceptions import in_order
from reconcile.errors import Problem, RefusedError
from reconcile.intake.load import file_problems
from reconcile.memory.database import history_to_read
from reconcile.night import Clock, Say, check
from reconcile.references import plain
from reconcile.remembered import remember
from reconcile.report.summary import CAUTION
from reconcile.shop import Shop
from reconcile.shop_file import read_shop
from reconcile.story.as_json import plain_looked, plain_near, plain_rejected, plain_story
from reconcile.story.as_text import (
    looked_lines,
    near_lines,
    rejected_lines,
    story_lines,
    wrapped,
)
from reconcile.story.looked import (
    Looked,
    Near,
    Rejected,
    looked_at,
    nearest_to,
    not_searched,
    rejected_rows,
)
from reconcile.story.named import Named, all_named
from reconcile.story.tell import Story, tell


@dataclass(frozen=True)
class Trace:
    """What was found for a reference: a story of each thing that it names.

    ``near`` is empty where something was found. ``nights`` tells whether there is a history.
    """

    shop: str
    as_of: date
    reference: str
    stories: list[Story]
    rejected: list[Rejected]
    looked: list[Looked]
    not_searched: int
    near: list[Near]
    nights: bool

    @property
    def found(self) -> bool:
        """Whether any row names the reference."""
        return bool(self.stories or self.rejected)


def trace(folder: Path, reference: str, as_of: Callable[[Shop], date], say: Say) -> Trace:
    """Trace a reference through a shop folder, its history and its decisions; writes nothing.

    ``as_of`` gives the day to look from once the shop's zone is known. Raises RefusedError for
    the settings, the files and the history.
    """
    shop, problems = read_shop(folder)
    day = as_of(shop)
    rules, unset = configured(load_catalogue(), shop.rules)
    if problems or unset:
        raise RefusedError([*problems, *unset, *file_problems(shop)])
    asked = plain(reference)
    if not asked:
        raise RefusedError([Problem("REFERENCE", "is blank.", "Give an order or a document.")])
    with history_to_read(folder) as history:
        night = check(shop, rules, day, Clock(say), ledger=True)
        ledger = night.ledger
        if ledger is None:
            raise RuntimeError("a night without its ledger")
        found = in_order(remember(night, rules, history).compared.found)
        stories = [
            tell(night, ledger, named, rules, found, history)
            for named in all_named(night, ledger, asked)
        ]
        rejected = rejected_rows(night, asked)
        if not stories and history is not None:
            past = tell(night, ledger, Named("past", asked, "", "", (), {}), rules, found, history)
            stories = [past] if past.events else []
        return Trace(
            shop=shop.name,
            as_of=day,
            reference=asked,
            stories=stories,
            rejected=rejected,
            looked=looked_at(night),
            not_searched=not_searched(night),
            near=[] if stories or rejected else nearest_to(night, asked),
            nights=history is not None,
        )


def trace_json(found: Trace) -> str:
    """The trace as JSON, the same bytes on every run over the same files."""
    data = {
        "shop": found.shop,
        "as_of": found.as_of.isoformat(),
        "reference": found.reference,
        "found": found.found,
        "history": found.nights,
        "stories": [plain_story(story) for story in found.stories],
        "rejected_rows": plain_rejected(found.rejected),
        "looked_at": plain_looked(found.looked),
        "rows_not_searched": found.not_searched,
        "nearest": plain_near(found.near),
    }
    return json.dumps(data, ensure_ascii=False, indent=2)


def trace_text(found: Trace) -> str:
    """The trace for a terminal of 80 columns."""
    lines = wrapped(f"{found.shop}, as of {found.as_of}")
    if not found.found:
        lines += wrapped(f"Nothing is called {found.reference!r}. Looked at:")
        lines += looked_lines(found.looked, found.not_searched)
        return "\n".join([*lines, *near_lines(found.near)])
    if len(found.stories) > 1:
        lines += wrapped(f"{found.reference} names {len(found.stories)} things; each is told.")
    for story in found.stories:
        lines += ["", *story_lines(story)]
    if found.rejected:
        lines += ["", "Rejected rows that name it", *rejected_lines(found.rejected)]
    if not found.nights:
        lines += ["", *wrapped("There is no history of nights: what was found before is not told.")]
    return "\n".join([*lines, "", *wrapped(CAUTION)])
