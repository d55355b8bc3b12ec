"""One cause, one amount: what a root cause explains follows it."""

from __future__ import annotations

from collections.abc import Mapping
from graphlib import TopologicalSorter

import pandas as pd

from reconcile.checks.catalogue import Rule

_STANDS = ("open", "accepted", "follows")


def follow(found: pd.DataFrame, rules: Mapping[str, Rule]) -> pd.DataFrame:
    """Exceptions whose cause is open too get the verdict ``follows`` and the id of the root.

    Two exceptions meet on one row of one fact table, or on one supplier order. Rules are taken
    causes first, so that a symptom of a symptom names the root of both.
    """
    out = found.copy()
    out["root"] = out["id"]
    graph: dict[str, set[str]] = {name: set() for name in rules}
    for rule in rules.values():
        for symptom in rule.over:
            graph[symptom].add(rule.name)
    for name in TopologicalSorter(graph).static_order():
        for symptom in rules[name].over:
            _mark(out, name, symptom, same_table=rules[name].table is rules[symptom].table)
    return out.drop(columns="root")


def _mark(out: pd.DataFrame, rule: str, symptom: str, *, same_table: bool) -> None:
    causes = out[(out["rule"] == rule) & out["verdict"].isin(_STANDS)]
    rows = out[(out["rule"] == symptom) & (out["verdict"] != "follows")]
    key = "at" if same_table else "supplier_order"
    # Of several causes the one whose id sorts first: the same in any order of rows.
    causes = causes[causes[key] >= 0].sort_values([key, "id"]).drop_duplicates(key)
    root = rows[key].map(causes.set_index(key)["root"])
    hit = root.dropna().index
    if len(hit):
        out.loc[hit, "verdict"] = "follows"
        out.loc[hit, "cause"] = root[hit]
        out.loc[hit, "root"] = root[hit]
