"""What the rules say of a story: those that fire, and those that just missed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.checks.catalogue import Rule
from reconcile.checks.standing import Standing, just_missed, numbers, standings
from reconcile.night import Night
from reconcile.story.named import cleaned
from reconcile.story.past import document_keys, is_about, order_keys_of
from reconcile.story.scope import Scope

_OF_ORDERS = ("orders", "order_lines", "supplier_orders", "supplier_order_lines", "sales")
_OF_ROWS = {"invoice_lines": "invoices", "payments": "payments", "shipments": "shipments"}
_GATHERED = ("small_differences", "possible_doubles")


@dataclass(frozen=True)
class Missed:
    """A rule that did not fire for a row because of one condition alone.

    ``about``: which row, where there are several. ``lacking``: what did not hold; of conditions
    of which one is enough all. ``beside``: the other numbers that the rule's sentence names.
    """

    rule: str
    title: str
    about: tuple[str, ...]
    lacking: tuple[Standing, ...]
    held: tuple[Standing, ...]
    beside: tuple[str, ...]


def table_rows(night: Night, scope: Scope, table: str, *, own: bool = False) -> np.ndarray:
    """The positions in a fact table of the rows that the story is about.

    With ``own``, of a thing that concerns several orders only what it is itself.
    """
    frame = night.tables[table]
    told = scope.rows if scope.whole or not own else scope.named.rows
    if table in _OF_ORDERS:
        if scope.whole:
            return np.flatnonzero((frame["order"] == scope.named.orders[0]).to_numpy())
        owners = [] if own or table == "orders" else scope.supplier_orders
        return np.flatnonzero(frame["supplier_order"].isin(owners).to_numpy())
    if table in _OF_ROWS:
        rows = told.get(_OF_ROWS[table], ())
        return np.flatnonzero(frame["row_id"].isin(rows).to_numpy())
    pairs = {(record, row) for record, rows in told.items() for row in rows}
    if table == "documents":
        found = zip(frame["record"], frame["row_id"], strict=True)
        return np.flatnonzero(np.array([pair in pairs for pair in found], dtype=bool))
    if table in _GATHERED:
        link = night.matched.links[table]
        hit = [pair in pairs for pair in zip(link["record"], link["row_id"], strict=True)]
        return np.unique(link["at"].to_numpy(np.int64)[np.array(hit, dtype=bool)])
    return _inputs(night, scope, frame)


def _inputs(night: Night, scope: Scope, frame: pd.DataFrame) -> np.ndarray:
    """What was found about the files and names the order or the document."""
    refs = {scope.named.reference}
    if scope.whole:
        refs |= set(night.matched.orders["order_ref"].iloc[list(scope.named.orders)])
    sources = night.shop.sources
    prefixes = tuple(sorted({one for source in sources for one in source.refs.strip_prefix}))
    wanted = {cleaned(ref, prefixes) for ref in refs} | {cleaned(ref) for ref in refs}
    named = zip(frame["order_ref"], frame["document"], strict=True)
    hit = [bool(wanted & {cleaned(text, prefixes) for text in texts if text}) for texts in named]
    return np.flatnonzero(np.array(hit, dtype=bool))


def fired(night: Night, scope: Scope, found: pd.DataFrame) -> pd.DataFrame:
    """The exceptions that the story is about, in reading order; also those whose rows are gone."""
    mine = np.zeros(len(found), dtype=bool)
    for table in sorted(set(found["table"])):
        rows = table_rows(night, scope, table)
        here = ((found["table"] == table) & (found["at"] >= 0)).to_numpy(dtype=bool)
        mine |= here & found["at"].isin(rows).to_numpy()
    lost = (found["at"] < 0).to_numpy(dtype=bool)
    if lost.any():
        keys, wanted = order_keys_of(night, scope), document_keys(night, scope)
        named = zip(found["order_key"], found["document"], found["supplier"], strict=True)
        hit = [key in keys or is_about(paper, supplier, wanted) for key, paper, supplier in named]
        mine |= lost & np.array(hit, dtype=bool)
    return found[mine]


def missed(night: Night, scope: Scope, rules: Mapping[str, Rule]) -> list[Missed]:
    """Rules that just missed, in order of name; one entry for what is said of several rows."""
    out: dict[tuple[str, tuple[str, ...], tuple[str, ...]], Missed] = {}
    for rule in rules.values():
        if rule.table.name == "inputs":
            continue
        frame = night.tables[rule.table.name]
        rows = table_rows(night, scope, rule.table.name, own=True)
        for at in rows:
            row = frame.iloc[[at]]
            stand = standings(rule, row, night.setting)
            lacking = just_missed(stand)
            if not lacking:
                continue
            said = tuple(one.said for one in lacking)
            beside = tuple(numbers(rule, row, {one.fact for one in lacking}))
            about = (_about(row),) if len(rows) > 1 else ()
            before = out.get((rule.name, said, beside))
            held = tuple(one for one in stand if one.holds)
            out[rule.name, said, beside] = Missed(
                rule=rule.name,
                title=rule.title,
                about=(*before.about, *about) if before else about,
                lacking=tuple(lacking),
                held=held,
                beside=beside,
            )
    return list(out.values())


def _about(row: pd.DataFrame) -> str:
    """What tells one row of a fact table from the others of the story."""
    names = [name for name in ("document", "sku") if name in row and row[name].iloc[0]]
    if not names:
        names = [name for name in ("supplier", "currency") if name in row and row[name].iloc[0]]
    return " ".join(str(row[name].iloc[0]) for name in names)
