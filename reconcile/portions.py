"""A shop in portions of its orders: each matched and judged by itself, and put together again.

Orders that share a document are of one group, and a group is never parted. So any way to hand the
groups out to portions gives the same exceptions. Groups that look at others, such as those of a
payment that may be for any open order, are one portion of their own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.checks.catalogue import Rule
from reconcile.checks.evidence import Places
from reconcile.checks.exceptions import find_exceptions, in_order
from reconcile.checks.inputs import Told, input_table
from reconcile.checks.patterns import patterns_of
from reconcile.checks.verdicts import Setting
from reconcile.intake.load import Intake
from reconcile.matching.groups import order_groups
from reconcile.matching.match import Matched, match
from reconcile.matching.shared import Scouted, scouted, shared_groups
from reconcile.matching.union import SMALL, Union, moved_on
from reconcile.shop import Shop

Ints = NDArray[np.int64]
_WHOLE = ("inputs", SMALL)  # tables that stand for the whole shop


@dataclass(frozen=True)
class Terms:
    """What every portion is matched and judged by; small, and the same for all."""

    shop: Shop
    rules: Mapping[str, Rule]
    setting: Setting
    brought: Mapping[str, frozenset[str]]
    rejected_keys: pd.DataFrame
    files: tuple[str, ...]


@dataclass(frozen=True)
class Portion:
    """Whole groups of orders with their rows, and the records that all orders share.

    ``rows``: by record the row numbers that its rows have in the whole records. ``groups``: the
    group of each of those rows.
    """

    records: Mapping[str, pd.DataFrame]
    parts: Mapping[tuple[str, str], pd.DataFrame]
    rows: Mapping[str, Ints]
    groups: Mapping[str, Ints]


@dataclass(frozen=True)
class Checked:
    """What was found out about a portion: the facts, and the exceptions that stand on them."""

    matched: Matched
    exceptions: pd.DataFrame


def terms_of(shop: Shop, rules: Mapping[str, Rule], as_of: date, intake: Intake) -> Terms:
    """What a shop's portions are matched and judged by."""
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
    return Checked(matched, found)


def scout_portion(portion: Portion, terms: Terms) -> Scouted:
    """What has to be known of a portion to tell which of its groups look at others."""
    return scouted(portion.records, portion.parts, terms.brought, portion.groups)


def groups_of(intake: Intake) -> dict[str, Ints]:
    """The group of each row of the records that are parted."""
    return order_groups(intake.records, intake.parts)


def parted(
    intake: Intake, groups: Mapping[str, Ints], place: Ints, count: int
) -> Iterator[Portion]:
    """The portions 0 to ``count`` - 1, where ``place`` has the portion of each group.

    The last number of ``place`` is that of rows without any group. Portions without an order
    are left out, unless they have other rows.
    """
    at = {name: place[group] for name, group in groups.items()}
    for number in range(count):
        rows = {name: np.flatnonzero(at[name] == number) for name in at}
        if any(len(row) for row in rows.values()):
            yield _portion(intake, groups, rows)


def _portion(intake: Intake, groups: Mapping[str, Ints], rows: Mapping[str, Ints]) -> Portion:
    records = dict(intake.records)
    parts = dict(intake.parts)
    for name, row in rows.items():
        records[name] = records[name].take(row).reset_index(drop=True)
        place = np.full(len(intake.records[name]), -1, dtype=np.int64)
        place[row] = np.arange(len(row))
        for key in parts:
            if key[0] == name:
                at = place[intake.parts[key]["row_id"].to_numpy(np.int64)]
                parts[key] = intake.parts[key].assign(row_id=at)[at >= 0].reset_index(drop=True)
    mine = {name: groups[name][row] for name, row in rows.items()}
    return Portion(records, parts, dict(rows), mine)


def hand_out(shared: NDArray[np.bool_], count: int) -> Ints:
    """The portion of each group: in turn; of those that look at others, and of no group, the last.

    ``shared`` are the groups that look at others. The number behind all groups is for no group.
    """
    place = np.arange(len(shared), dtype=np.int64) % count
    place[shared] = count
    return np.append(place, count)


def check_in_portions(
    intake: Intake, terms: Terms, count: int
) -> tuple[Matched, dict[str, pd.DataFrame], pd.DataFrame]:
    """Match and check a shop in about ``count`` portions: facts, fact tables and exceptions.

    The exceptions are the same, and in the same order, whatever the count.
    """
    groups = groups_of(intake)
    size = max((int(group.max(initial=-1)) + 1 for group in groups.values()), default=0)
    even = hand_out(np.zeros(size, dtype=bool), count)
    scouts = [scout_portion(each, terms) for each in parted(intake, groups, even, count + 1)]
    place = hand_out(shared_groups(scouts, size), count)
    portions = parted(intake, groups, place, count + 1)
    rows_and_found = ((each.rows, check_portion(each, terms)) for each in portions)
    return put_together(rows_and_found, intake, terms)


def put_together(
    found: Iterator[tuple[Mapping[str, Ints], Checked]], intake: Intake, terms: Terms
) -> tuple[Matched, dict[str, pd.DataFrame], pd.DataFrame]:
    """Everything that was found in the portions, and what is only to be seen in the whole."""
    union, pieces = Union(), []
    for rows, checked in found:
        starts = union.add(checked.matched, rows)
        mine = checked.exceptions
        begin = mine["table"].map(starts).to_numpy(np.int64)
        pieces.append(
            mine.assign(
                at=mine["at"].to_numpy(np.int64) + begin,
                supplier_order=moved_on(mine["supplier_order"], starts["supplier_order"]),
            )
        )
    matched = union.whole()
    inputs, of_all = _of_the_whole(matched, intake, terms)
    pieces = [piece for piece in [*pieces, of_all] if len(piece)] or [of_all]
    exceptions = in_order(pd.concat(pieces, ignore_index=True))
    return matched, matched.tables | {"inputs": inputs}, exceptions


def _of_the_whole(
    matched: Matched, intake: Intake, terms: Terms
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What is wrong with the files, and the exceptions of the rules about the whole shop."""
    inputs = input_table(
        Told(intake.rejected, intake.changes, intake.totals, intake.gaps),
        matched.collisions,
        matched.conflicts,
        list(terms.files),
        np.datetime64(terms.setting.as_of, "s"),
    )
    rules = {name: rule for name, rule in terms.rules.items() if rule.table.name in _WHOLE}
    alone = {
        name: replace(rule, over=tuple(each for each in rule.over if each in rules))
        for name, rule in rules.items()
    }
    tables = {"inputs": inputs, SMALL: matched.tables[SMALL]}
    places = Places(terms.files, matched.places, matched.links)
    return inputs, find_exceptions(alone, tables, matched.orders, places, terms.setting)
