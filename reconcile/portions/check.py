"""Matching and checking portions of a shop, and putting together what was found in them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from tempfile import mkdtemp
from typing import TypeVar

import numpy as np
import pandas as pd

from reconcile.allocator import give_back
from reconcile.checks.catalogue import Rule
from reconcile.checks.evidence import Places
from reconcile.checks.exceptions import find_exceptions, in_order
from reconcile.checks.inputs import Told, input_table
from reconcile.checks.patterns import patterns_of
from reconcile.checks.verdicts import Setting
from reconcile.errors import FaultError
from reconcile.intake.load import Intake
from reconcile.lean import Texts, TextsOnDisk, stacked
from reconcile.matching.groups import order_groups
from reconcile.matching.match import Matched, match
from reconcile.matching.shared import Scouted, scouted, shared_groups
from reconcile.matching.thinned import thinned
from reconcile.matching.union import SMALL, Union, moved_on
from reconcile.pieces import Tables
from reconcile.portions.portion import Ints, Portion, hand_out, size_of
from reconcile.portions.shelf import Shelf
from reconcile.shop import Shop

_Found = TypeVar("_Found")
_WHOLE = ("inputs", SMALL)  # tables that stand for the whole shop


@dataclass(frozen=True)
class Terms:
    """What a shop is matched and judged by; small, and the same for every portion."""

    shop: Shop
    rules: Mapping[str, Rule]
    setting: Setting
    brought: Mapping[str, frozenset[str]]
    rejected_keys: pd.DataFrame
    files: tuple[str, ...]


@dataclass(frozen=True)
class Checked:
    """What was found out about a portion: the facts, and the exceptions that stand on them."""

    matched: Matched
    exceptions: pd.DataFrame


def terms_of(shop: Shop, rules: Mapping[str, Rule], as_of: date, intake: Intake) -> Terms:
    """What a shop is matched and judged by, at once or in portions."""
    holidays = {name: supplier.holidays for name, supplier in shop.suppliers.items()}
    setting = Setting(as_of, intake.covered, holidays, shop.tolerance)
    files = tuple(intake.files["file"])
    return Terms(shop, rules, setting, intake.brought, intake.rejected_keys, files)


def check_portion(portion: Portion, terms: Terms) -> Checked:
    """Match a portion and run every rule on it but those about the whole shop.

    A function of its arguments alone, so that portions can be checked anywhere.
    """
    matched = match(
        portion.records,
        portion.parts,
        terms.rejected_keys,
        terms.brought,
        terms.shop.suppliers,
        terms.shop.tolerance,
        terms.shop.home_currency,
        patterns_of(terms.rules, "tracking-invalid"),
    )
    rules = {name: rule for name, rule in terms.rules.items() if rule.table.name not in _WHOLE}
    places = Places(terms.files, matched.places, matched.links)
    found = find_exceptions(rules, matched.tables, matched.orders, places, terms.setting)
    at, table = found["at"].to_numpy(np.int64, copy=True), found["table"].to_numpy()
    kept, moved = thinned(matched, {str(name): at[table == name] for name in pd.unique(table)})
    for name, place in moved.items():
        mine = table == name
        at[mine] = place[at[mine]]
    return Checked(kept, found.assign(at=at))


def scout_portion(portion: Portion, terms: Terms) -> Scouted:
    """What has to be known of a portion to tell which of its groups look at others."""
    return scouted(portion.records, portion.parts, terms.brought, portion.groups)


def check_in_portions(
    intake: Intake, shelf: Shelf, terms: Terms, count: int, folder: Path
) -> tuple[Matched, Mapping[str, pd.DataFrame], pd.DataFrame, Texts]:
    """Match and check a shop in about ``count`` portions; ``shelf`` holds its records.

    Gives the facts, the fact tables, the exceptions and their long texts, which wait in a folder
    of their own inside ``folder``. Those are the same, and in the same order, whatever the count.
    """
    give_back()
    groups = order_groups(shelf, intake.parts)
    give_back()
    size = size_of(groups)
    even = hand_out(np.zeros(size, dtype=bool), count)
    portions = shelf.parted(intake.parts, groups, even, count + 1)
    give_back()
    looks = _one_by_one(portions, lambda portion: scout_portion(portion, terms))
    shared = shared_groups(list(looks), size)
    # Parted anew on disk: rows of groups that look at others never pile up in memory.
    portions = shelf.parted(intake.parts, groups, hand_out(shared, count), count + 1)
    del groups
    give_back()
    each = _one_by_one(portions, lambda portion: (portion.rows, check_portion(portion, terms)))
    return put_together(each, intake, terms, folder)


def _one_by_one(portions: Sequence[Portion], work: Callable[[Portion], _Found]) -> Iterator[_Found]:
    """What is found in each portion, which is gone when the next one is read."""
    for at in range(len(portions)):
        yield work(portions[at])
        give_back()


def put_together(
    found: Iterator[tuple[Mapping[str, Ints], Checked]],
    intake: Intake,
    terms: Terms,
    folder: Path,
) -> tuple[Matched, Mapping[str, pd.DataFrame], pd.DataFrame, Texts]:
    """Everything that was found in the portions, and what is only to be seen in the whole.

    What is large waits in a folder of its own inside ``folder``.
    """
    aside = _folder_in(folder)
    union, texts, pieces = Union(aside), TextsOnDisk(aside), []
    for rows, checked in found:
        starts = union.add(checked.matched, rows)
        pieces.append(texts.aside(_moved(checked.exceptions, starts)))
        del checked
        give_back()
    matched = union.whole()
    give_back()
    inputs, of_all = _of_the_whole(matched, intake, terms)
    pieces = [piece for piece in [*pieces, texts.aside(of_all)] if len(piece)] or pieces[:1]
    found_ones = stacked(pieces)
    give_back()
    exceptions = in_order(found_ones)
    tables = Tables({"inputs": inputs}, matched.tables)
    return matched, tables, exceptions, texts


def _moved(found: pd.DataFrame, starts: Mapping[str, int]) -> pd.DataFrame:
    """The exceptions of a portion with the numbers of the whole."""
    begin = found["table"].map(starts).to_numpy(np.int64)
    return found.assign(
        at=found["at"].to_numpy(np.int64) + begin,
        supplier_order=moved_on(found["supplier_order"], starts["supplier_order"]),
    )


def _folder_in(folder: Path) -> Path:
    try:
        return Path(mkdtemp(prefix="found-", dir=folder))
    except OSError as error:
        raise FaultError(f"{folder}: no folder could be made: {error.strerror}.") from error


def inputs_of(matched: Matched, intake: Intake, terms: Terms) -> pd.DataFrame:
    """The fact table of what is wrong with the files and with references of orders."""
    return input_table(
        Told(intake.rejected, intake.changes, intake.totals, intake.gaps),
        matched.collisions,
        matched.conflicts,
        list(terms.files),
        np.datetime64(terms.setting.as_of, "s"),
    )


def _of_the_whole(
    matched: Matched, intake: Intake, terms: Terms
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What is wrong with the files, and the exceptions of the rules about the whole shop."""
    inputs = inputs_of(matched, intake, terms)
    rules = {name: rule for name, rule in terms.rules.items() if rule.table.name in _WHOLE}
    alone = {
        name: replace(rule, over=tuple(each for each in rule.over if each in rules))
        for name, rule in rules.items()
    }
    tables = {"inputs": inputs, SMALL: matched.tables[SMALL]}
    invoices = _by_number(matched.places["invoices"])
    places = Places(terms.files, {"invoices": invoices}, matched.links)
    return inputs, find_exceptions(alone, tables, matched.orders, places, terms.setting)


def _by_number(places: pd.DataFrame) -> pd.DataFrame:
    """File and row of some rows of a record, at their numbers in the whole record; else 0."""
    at = places.index.to_numpy(np.int64)
    out = np.zeros((2, int(at.max(initial=-1)) + 1), dtype=np.int64)
    out[0, at], out[1, at] = places["file"], places["row"]
    return pd.DataFrame({"file": out[0], "row": out[1]})
