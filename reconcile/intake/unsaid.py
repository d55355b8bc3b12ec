"""Rows of one event of which one file says more than another: a blank cell in the key.

An export gains a column, or fills a cell in later: the key of a row is then not what it was. A
row that says nothing in a column of its key may be any one row of another file that says
something there and is the same otherwise.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.intake.coded import Bools
from reconcile.intake.repeats import codes_of
from reconcile.intake.sameness import Compared

Ints = NDArray[np.int64]


def fuller(same: Compared, day: Ints, age: Ints, standing: Bools) -> pd.DataFrame:
    """Rows that are one with a row of another file: ``at`` (falls) and ``by`` (stands).

    Of two that say the same the one that says more stands, else the newer one. A file that lacks
    a column of the key says nothing of it; a blank cell of a file that has it may be any other
    only on the same ``day``, and so may the order of a store that is not named. No more rows
    fall than leave as many as the file that shows most. ``age`` ranks the file of each row.
    """
    names = [name for name in same.record.unsaid if name in same.keys]
    lacking = _pattern([same.lacks(name) for name in names], len(day))
    blank = _pattern([same.lacks(name) | (same.keys[name] == 0) for name in names], len(day))
    standing = standing.copy()
    found = [pd.DataFrame({"at": [], "by": []}).astype("int64")]
    for open_ in (lacking, blank):
        for first, second in _by_few(np.unique(open_[standing])):
            unknown = {name for at, name in enumerate(names) if (first | second) >> at & 1}
            dated = open_ is blank or "store" in unknown
            key = codes_of([same.key(unknown), *([day] if dated else [])])
            # Rows of the same content first: nobody can say which of several others is meant.
            for group in (codes_of([key, same.row(unknown)]), key):
                rows = pd.DataFrame({"group": group, "open": open_, "file": same.file, "age": age})
                rows = rows.assign(second=open_ == second, stands=standing)
                falls = _falls(same, _pairs(rows[(open_ == first) | (open_ == second)]))
                standing[falls["at"]] = False
                found.append(falls)
    return pd.concat(found, ignore_index=True)


def _pattern(masks: Sequence[Bools], count: int) -> Ints:
    """Which of the columns say nothing, as the bits of a number."""
    out = np.zeros(count, dtype=np.int64)
    for place, mask in enumerate(masks):
        out |= mask.astype(np.int64) << place
    return out


def _by_few(patterns: Ints) -> Iterator[tuple[int, int]]:
    """Every two patterns, those first that leave fewest columns open."""
    both = combinations(patterns.tolist(), 2)
    yield from sorted(both, key=lambda pair: ((pair[0] | pair[1]).bit_count(), pair))


def _pairs(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of a group, one of each kind and of different files, as many as may be one."""
    shown = rows[rows["stands"]].groupby("group")["second"].agg(["size", "sum"])
    shown = shown[(shown["sum"] > 0) & (shown["sum"] < shown["size"])]
    rows = rows[rows["group"].isin(shown.index)]
    most = rows.groupby(["group", "file"]).size().groupby("group").max()
    kinds = pd.DataFrame({"one": shown["sum"], "other": shown["size"] - shown["sum"]})
    many = kinds.assign(spare=shown["size"] - most).min(axis=1)
    rows = rows[rows["stands"]].sort_values("age", kind="stable")
    rows = rows.assign(nth=rows.groupby(["group", "second"]).cumcount(), at=rows.index)
    rows = rows[rows["nth"].to_numpy() < many.reindex(rows["group"]).to_numpy()]
    pairs = rows[~rows["second"]].merge(rows[rows["second"]], on=["group", "nth"])
    return pairs[pairs["file_x"] != pairs["file_y"]]


def _falls(same: Compared, pairs: pd.DataFrame) -> pd.DataFrame:
    """Which row of each pair falls, and which stands."""
    one, other = pairs["at_x"].to_numpy(np.int64), pairs["at_y"].to_numpy(np.int64)
    left, right = (np.bitwise_count(pairs[name].to_numpy(np.int64)) for name in _OPEN)
    older = (pairs["age_x"] > pairs["age_y"]).to_numpy()
    falls = np.where(same.differs(one, other) | (left == right), older, left > right)
    return pd.DataFrame({"at": np.where(falls, one, other), "by": np.where(falls, other, one)})


_OPEN = ("open_x", "open_y")
