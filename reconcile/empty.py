"""Frames without a row: most steps find nothing in most shops."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import pandas as pd


def without_rows(kinds: Mapping[str, str]) -> pd.DataFrame:
    """A frame of columns of these kinds without a row."""
    return _without_rows(tuple(kinds.items())).copy()


@cache
def _without_rows(kinds: tuple[tuple[str, str], ...]) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in kinds})
