"""Days between the files of a source: told where they are more than is usual."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest

from tests.intake.folders import ORDERS, csv_of, read, write

pytestmark = pytest.mark.no_cover

MONDAY = dt.date(2026, 6, 1)


def _daily(folder: Path, days: Iterable[int], *, stated: bool = False) -> list[tuple[str, int]]:
    """The files and days of the gaps between files of a day each, counted from a Monday."""
    files = {}
    for number in days:
        day = MONDAY + dt.timedelta(days=number)
        title = f"Period: {day} to {day}\n" if stated else ""
        files[f"orders-{number:03}.csv"] = title + csv_of(ORDERS, f"{number},{day},A,1,2.50,EUR")
    gaps = read(write(folder, files)).gaps
    assert gaps["before"].dtype == np.dtype("datetime64[s]")
    return list(gaps[["file", "days"]].itertuples(index=False, name=None))


WORKDAYS = [number for number in range(40) if number % 7 < 5]


@pytest.mark.parametrize("stated", [False, True])
def test_weekends_without_files_are_no_gaps(tmp_path: Path, stated: bool) -> None:  # noqa: FBT001
    assert _daily(tmp_path / "a", WORKDAYS, stated=stated) == []
    assert _daily(tmp_path / "b", WORKDAYS[:7], stated=stated) == []
    late = [number for number in WORKDAYS if not 14 <= number < 21]
    assert _daily(tmp_path / "c", late, stated=stated) == [("orders-021.csv", 9)]
    assert _daily(tmp_path / "d", [n for n in WORKDAYS if n != 16], stated=stated) == [
        ("orders-017.csv", 1)
    ]


def test_a_shop_that_is_open_every_day_misses_a_weekend(tmp_path: Path) -> None:
    days = [number for number in range(30) if number not in (12, 13)]
    assert _daily(tmp_path, days) == [("orders-014.csv", 2)]


def test_a_quiet_shop_has_files_on_some_days_only(tmp_path: Path) -> None:
    days = [0, 2, 5, 6, 9, 11, 14, 15, 18, 20, 23, 24, 27, 29]
    assert _daily(tmp_path / "a", days) == []
    assert _daily(tmp_path / "b", [*days, 60]) == [("orders-060.csv", 30)]


def test_two_files_far_apart(tmp_path: Path) -> None:
    assert _daily(tmp_path, [0, 60]) == [("orders-060.csv", 59)]
