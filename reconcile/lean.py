"""Exceptions that take little memory: few texts as categories, long ones on disk.

Wherever exceptions are shown their texts are plain again, so that nobody has to know.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.types import union_categoricals

from reconcile.pieces import Pile

PIECE = 100_000  # exceptions that are shown at once
LONG = ("explanation", "evidence")
# Columns of which many rows have few texts; those that a later stage may put there are known.
_FEW: Mapping[str, tuple[str, ...]] = {
    "verdict": ("accepted", "follows", "open", "unknown", "waiting"),
    **dict.fromkeys(
        ("rule", "title", "severity", "class", "list", "currency", "action", "table"), ()
    ),
    **dict.fromkeys(("supplier", "first_seen", "change"), ()),
}


class Texts:
    """The long texts of exceptions, which are in the table itself."""

    def aside(self, rows: pd.DataFrame) -> pd.DataFrame:
        """The rows as they are held."""
        return rows

    def rows(
        self,
        found: pd.DataFrame,
        at: slice | NDArray[np.integer],
        names: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Some of the rows that are held, with all or some columns, as they are shown."""
        chosen = found if names is None else found[[*names]]
        return plain(chosen.iloc[at].reset_index(drop=True))


class TextsOnDisk(Texts):
    """The long texts of exceptions, which wait on disk."""

    def __init__(self, folder: Path) -> None:
        """``folder``: where they are put, and read from later."""
        self._pile = Pile(folder / "texts.arrow")

    def aside(self, rows: pd.DataFrame) -> pd.DataFrame:
        """The rows as they are held; ``text`` is where their long texts are."""
        start = len(self._pile)
        self._pile.add(rows[[*LONG]])
        place = np.arange(start, start + len(rows), dtype=np.int32)
        return lean(rows.drop(columns=[*LONG])).assign(text=place)

    def rows(
        self,
        found: pd.DataFrame,
        at: slice | NDArray[np.integer],
        names: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Some of the rows that are held, with all or some columns, as they are shown."""
        wanted = [*found.columns.drop("text"), *LONG] if names is None else [*names]
        held, long = ([name for name in wanted if (name in LONG) is it] for it in (False, True))
        out = plain(found[held].iloc[at].reset_index(drop=True))
        if long:
            texts = self._pile.take(found["text"].to_numpy()[at], long)
            out[long] = texts.reset_index(drop=True)
        return out[wanted]


def lean(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with categories, in the order of their texts, where few texts are to be expected."""
    few = {name: _category(rows[name], known) for name, known in _FEW.items() if name in rows}
    return rows.assign(**few)


def _category(texts: pd.Series, known: tuple[str, ...]) -> pd.Series:
    if isinstance(texts.dtype, pd.CategoricalDtype):
        return texts
    names = pd.Index(sorted({*known, *texts.unique()}), dtype="str")
    return texts.astype(pd.CategoricalDtype(names))


def plain(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with texts where they have categories."""
    few = rows.select_dtypes("category").columns
    return rows.assign(**{str(name): _texts(rows[name]) for name in few}) if len(few) else rows


def _texts(column: pd.Series) -> pd.Series:
    """The text of each category; as a change of type pandas makes an object of each."""
    names = column.cat.categories.astype("str").array
    return pd.Series(names.take(column.cat.codes.to_numpy(), allow_fill=True), index=column.index)


def looked_up(names: pd.Series, text: Mapping[str, str]) -> pd.Series:
    """What each of few names stands for, as a category; nothing where that is not known."""
    codes, found = pd.factorize(names)
    said = [text.get(str(name), "") for name in found]
    known = sorted({*said, ""})
    place = np.array([*(known.index(each) for each in said), known.index("")], dtype=np.int64)
    categories = pd.Index(known, dtype="str")
    return pd.Series(pd.Categorical.from_codes(place[codes], categories), index=names.index)


def stacked(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Frames of the same columns one below the other, column by column; they are emptied."""
    names = [*frames[0]]
    return pd.DataFrame({n: _stacked([one.pop(n) for one in frames]) for n in names}, copy=False)


def _stacked(columns: Sequence[pd.Series]) -> pd.Series:
    if any(isinstance(column.dtype, pd.CategoricalDtype) for column in columns):
        both = [column.astype("category") for column in columns]
        return pd.Series(union_categoricals(both, sort_categories=True), copy=False)
    return pd.concat(columns, ignore_index=True)
