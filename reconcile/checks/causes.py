"""One cause, one amount: what a root cause explains follows it."""

from __future__ import annotations

from collections.abc import Mapping
from graphlib import TopologicalSorter

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.checks.catalogue import Rule
from reconcile.checks.rows import text_of

_FOLLOWS = "follows"
_STANDS = ("open", "accepted", _FOLLOWS)


def follow(found: pd.DataFrame, rules: Mapping[str, Rule]) -> pd.DataFrame:
    """Exceptions whose cause is open too get the verdict ``follows`` and the id of the root.

    Two exceptions meet on one row of one fact table, or on one supplier order. Rules are taken
    causes first, so that a symptom of a symptom names the root of both.
    """
    graph: dict[str, set[str]] = {name: set() for name in rules}
    for rule in rules.values():
        for symptom in rule.over:
            graph[symptom].add(rule.name)
    met = _Met(found)
    for name in TopologicalSorter(graph).static_order():
        for symptom in rules[name].over:
            met.mark(name, symptom, same_table=rules[name].table is rules[symptom].table)
    out = found.copy()
    hit = met.follows & (met.root != np.arange(len(found)))
    if hit.any():
        ids = text_of(found["id"]).take(pa.array(met.root))
        chosen = pa.array(hit)
        out["cause"] = pd.Series(
            pc.if_else(chosen, ids, text_of(found["cause"])), index=found.index, dtype="str"
        )
        out["verdict"] = pd.Series(
            pc.if_else(chosen, _FOLLOWS, text_of(found["verdict"])), index=found.index, dtype="str"
        )
    return out


class _Met:
    """Exceptions by their numbers: of which rule, whether they stand, and the root of each."""

    def __init__(self, found: pd.DataFrame) -> None:
        rules, names = pd.factorize(found["rule"])
        order = np.argsort(rules, kind="stable")
        ends = np.cumsum(np.bincount(rules, minlength=len(names)))
        self._of_rule = dict(zip(names, np.split(order, ends[:-1]), strict=True))
        self._stands = np.array(found["verdict"].isin(_STANDS), dtype=bool)
        self._keys = {name: found[name].to_numpy(np.int64) for name in ("at", "supplier_order")}
        self._ids = found["id"]
        self.follows = np.array(found["verdict"] == _FOLLOWS, dtype=bool)
        self.root = np.arange(len(found))

    def mark(self, rule: str, symptom: str, *, same_table: bool) -> None:
        """Let the exceptions of a symptom follow those of the rule that they meet."""
        if rule not in self._of_rule or symptom not in self._of_rule:
            return
        key = self._keys["at" if same_table else "supplier_order"]
        causes, rows = self._of_rule[rule], self._of_rule[symptom]
        causes = causes[self._stands[causes] & (key[causes] >= 0)]
        rows = rows[~self.follows[rows]]
        met, first = np.unique(key[causes], return_index=True)
        if not len(met):
            return
        if len(met) < len(causes):
            # Of several causes the one whose id sorts first: the same in any order of rows.
            causes = causes[self._ids.iloc[causes].argsort().to_numpy()]
            met, first = np.unique(key[causes], return_index=True)
        place = np.minimum(np.searchsorted(met, key[rows]), len(met) - 1)
        hit = met[place] == key[rows]
        rows, causes = rows[hit], causes[first[place[hit]]]
        self.root[rows] = self.root[causes]
        self.follows[rows] = True
        self._stands[rows] = True
