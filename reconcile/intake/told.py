"""What is said of single cells: which rows, what stands there, and why."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from reconcile.empty import without_rows
from reconcile.intake.coded import Bools, Coded

_HIDDEN = ""


@dataclass
class Told:
    """What is said of single cells, column by column: which rows, what stands there, and why."""

    parts: list[pd.DataFrame] = field(default_factory=list)

    def texts(
        self, name: str, column: Coded, where: Bools, why: str, *, hide: bool = False
    ) -> None:
        """Note the rows whose text is one of those where ``where`` holds."""
        if where.any():
            self.rows(name, column, column.take(where), why, hide=hide)

    def rows(self, name: str, column: Coded, where: Bools, why: str, *, hide: bool = False) -> None:
        """Note the rows where ``where`` holds."""
        at = np.flatnonzero(where)
        if len(at):
            part = pd.DataFrame({"at": at, "column": name, "why": why})
            part["text"] = _HIDDEN if hide else column.some(at).series()
            self.parts.append(part)

    def frame(self) -> pd.DataFrame:
        """One row for each cell: ``at``, ``column``, ``why``, ``text``."""
        if not self.parts:
            return without_rows({"at": "int64", "column": "str", "why": "str", "text": "str"})
        return pd.concat(self.parts, ignore_index=True)
