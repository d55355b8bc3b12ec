"""Some rows of a table, of which a column is taken only when it is asked for."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.joined import in_one_piece

Positions = NDArray[np.int64]


class Rows:
    """Rows of a table by their positions; ``None`` are all of them.

    A fact table has some fifty columns, and a rule asks for five.
    """

    def __init__(self, frame: pd.DataFrame, at: Positions | None = None) -> None:
        self._frame, self._at = frame, at
        self._own: dict[str, pd.Series] = {}

    def __len__(self) -> int:
        """How many rows were chosen."""
        return len(self._frame) if self._at is None else len(self._at)

    def __contains__(self, name: str) -> bool:
        """Whether there is such a column."""
        return name in self._own or name in self._frame

    def __getitem__(self, name: str) -> pd.Series:
        """A column of the rows chosen, numbered from 0."""
        if name not in self._own:
            column = self._frame[name].array
            taken: Any = column if self._at is None else column.take(self._at)
            self._own[name] = pd.Series(taken, copy=False)
        return self._own[name]

    def __setitem__(self, name: str, column: pd.Series) -> None:
        """Say a column of the rows chosen, instead of the table's."""
        self._own[name] = column

    @property
    def at(self) -> Positions:
        """The positions of the rows in the table."""
        return np.arange(len(self._frame)) if self._at is None else self._at

    def only(self, chosen: NDArray[np.bool_]) -> Rows:
        """Those of the rows that are chosen."""
        return Rows(self._frame, np.flatnonzero(chosen) if self._at is None else self._at[chosen])


def text_of(column: pd.Series, unknown: str = "") -> pa.Array:
    """A column as Arrow texts; what is not known as a text of its own."""
    # pandas makes an object of each number that becomes a text.
    as_is = column.dtype == "str" or pd.api.types.is_integer_dtype(column)
    whole = in_one_piece(column if as_is else column.astype("str"))
    return pc.fill_null(whole, unknown) if whole.null_count else whole


def date_text(column: pd.Series, unknown: str = "") -> pa.Array:
    """Days as YYYY-MM-DD."""
    days = column.to_numpy().astype("datetime64[D]")
    dates = pa.array(days, pa.date32(), mask=np.isnat(days))
    return pc.fill_null(pc.cast(dates, pa.large_string()), unknown)


def one_of(names: list[str], which: NDArray[Any]) -> pd.Series:
    """A column of texts by their numbers."""
    return pd.Series(pa.array(names, pa.large_string()).take(pa.array(which)), dtype="str")
