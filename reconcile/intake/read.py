"""One table of a source once it is read: texts, typed rows, and what was set aside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from reconcile.intake.coded import Coded
from reconcile.intake.formats import Forms
from reconcile.intake.text_table import TextTable
from reconcile.intake.typed import Typed


@dataclass(frozen=True)
class Read:
    """One table of a source once it is read.

    ``columns`` are the canonical columns with the constants of the source, ``positions`` where
    those of the file stand and ``header`` what stands above them there, as it is written.
    ``cells`` is how many cells a header has. ``aside`` counts the rows that are no records, by
    fate, with those above the first record.
    """

    path: str
    sheet: str
    header: tuple[str, ...]
    cells: int
    positions: Mapping[str, int]
    table: TextTable
    columns: Mapping[str, Coded]
    forms: Forms
    typed: Typed
    aside: Mapping[str, int]


def all_parts(read: Sequence[Read]) -> dict[str, pd.DataFrame]:
    """The references of cells that hold several, of all tables: ``at`` (row), ``ref``, ``key``."""
    start, pieces = 0, dict[str, list[pd.DataFrame]]()
    for one in read:
        for name, part in one.typed.parts.items():
            pieces.setdefault(name, []).append(part.assign(at=part["at"] + start))
        start += len(one.table.rows)
    return {name: pd.concat(several, ignore_index=True) for name, several in pieces.items()}
