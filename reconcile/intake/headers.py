"""Headers: which canonical column stands where in a file."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass

from reconcile.errors import Problem
from reconcile.records import RECORDS
from reconcile.shop import Source, nearest


@dataclass(frozen=True)
class Layout:
    """Positions of the canonical columns that a file brings; constants stand in the source."""

    positions: dict[str, int]


def find_columns(
    source: Source, path: str, header: Sequence[str], row: int
) -> tuple[Layout, list[Problem]]:
    """The layout of one file, and every problem with its header."""
    record = RECORDS[source.record]
    positions: dict[str, int] = {}
    problems: list[Problem] = []
    for column in record.columns:
        declared = source.columns.get(column.name)
        if column.name in source.constants:
            continue
        found = [name for name in (declared or (column.name,)) if name in header]
        if not found:
            if declared is not None or column.required:
                looked = " or ".join(repr(name) for name in (declared or (column.name,)))
                what = f"there is no column {looked} for {column.name}."
                mend = _advice(column.name, declared, header)
                problems.append(Problem(path, what, mend, row=row))
            continue
        if len(found) > 1 or list(header).count(found[0]) > 1:
            names = ", ".join(repr(name) for name in found)
            what = f"more than one column could be {column.name}: {names} is there twice."
            mend = "Name a header that occurs once, or rename one in the export."
            problems.append(Problem(path, what, mend, row=row, column=found[0]))
            continue
        positions[column.name] = list(header).index(found[0])
    return Layout(positions), problems


def _advice(name: str, declared: tuple[str, ...] | None, header: Sequence[str]) -> str:
    named = [name for name in header if name]
    if not named:
        return "The header row has no names at all."
    if declared:
        return nearest(declared[0], named)
    folded = {word.casefold().replace(" ", "_"): word for word in named}
    near = difflib.get_close_matches(name, list(folded), n=1)
    mend = "Name its header in [source.columns], or give a constant in [source.values]."
    return f"{mend} Is it {folded[near[0]]!r}?" if near else mend
