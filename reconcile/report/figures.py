"""The figures behind the two charts: open money by age and class, and open exceptions by night."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.report.cells import Column
from reconcile.report.contents import MONEY_CLASSES, Contents
from reconcile.report.layout import Block, Sheet

FIGURES = "Figures"
# The limits of the ages in days, as they are usual for open items (common practice, no source).
_UP_TO = (7, 14, 30, 60, 90)
AGES = ("0-7", "8-14", "15-30", "31-60", "61-90", "over 90")


def open_by_age(contents: Contents) -> pd.DataFrame:
    """Open money in the home currency, minor units: a row per age, a column per class with money.

    What no rate turns into the home currency is left out; what has no date counts as new.
    """
    found = contents.exceptions
    chosen = (found["verdict"] == "open") & found["amount_home_minor"].notna()
    rows = found.loc[chosen, ["age_days", "class", "amount_home_minor"]]
    age = rows["age_days"].fillna(0).to_numpy(dtype=np.int64)
    bucket = np.searchsorted(np.array(_UP_TO), age)
    table = pd.DataFrame({"age": AGES})
    for name in MONEY_CLASSES:
        mine = (rows["class"] == name).to_numpy(dtype=bool)
        sums = np.zeros(len(AGES), dtype=np.int64)
        np.add.at(sums, bucket[mine], rows["amount_home_minor"].to_numpy(np.int64)[mine])
        if sums.any():
            table[name] = pd.Series(sums, dtype="Int64")
    return table


def without_rate(contents: Contents) -> int:
    """How many open amounts the first chart leaves out."""
    found = contents.exceptions
    without = found["amount_minor"].notna() & found["amount_home_minor"].isna()
    return int((without & (found["verdict"] == "open")).sum())


def open_by_night(contents: Contents) -> pd.DataFrame:
    """Open exceptions of each of the last nights: ``night`` (text), ``count``."""
    by_night = contents.nights.groupby("night", sort=True)["count"].sum()
    tonight = int((contents.exceptions["verdict"] == "open").sum())
    by_night[str(contents.as_of)] = tonight
    table = by_night.sort_index().rename_axis("night").reset_index()
    return table.astype({"night": "str", "count": "Int64"})


def figures_sheet(contents: Contents) -> Sheet:
    """Both tables; the charts of the first sheet draw them."""
    home = contents.home_currency
    ages = open_by_age(contents)
    classes = [name for name in ages.columns if name != "age"]
    shown = [
        Column("Days old", "age"),
        *(Column(f"{name}, {home}", name, "amount") for name in classes),
    ]
    left_out = without_rate(contents)
    note = f"Open money by age and class, in {home} at the last rate known"
    note += f"; {left_out:,} without a rate are left out" if left_out else ""
    nights = [Column("Night", "night"), Column("Open exceptions", "count", "number")]
    return Sheet(
        FIGURES,
        [
            Block(note, shown, ages, "OpenByAge"),
            Block("Open exceptions by night", nights, open_by_night(contents), "OpenByNight"),
        ],
    )
