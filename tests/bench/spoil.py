"""``python -m tests.bench.spoil SHOP SPOILED SEED``: the same shop with malformed values.

Of every column of every file one cell in a hundred, and at least one, is made unreadable, wherever
the column stands for anything: its own text with marks in it, a date that no calendar has, an error
of a spreadsheet, a number with two points, an amount in letters. Nearly all are texts of their own.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import polars as pl

SHARE = 0.01


def malformed(texts: Sequence[str], rows: Sequence[int]) -> list[str]:
    """A malformed value in place of each text; ``rows`` make the values differ."""
    return [
        (
            f"{text[: len(text) // 2]}?{row}!{text[len(text) // 2 :]}",
            f"2026-02-{30 + row % 70}",
            "#REF!",
            f"{row}.5.{row % 7}",
            f"about {row}",
        )[at % 5]
        for at, (text, row) in enumerate(zip(texts, rows, strict=True))
    ]


def spoil(folder: Path, into: Path, seed: int) -> None:
    """Write a shop's settings and its spoiled files; the same seed gives the same files."""
    into.mkdir(parents=True)
    shutil.copy(folder / "shop.toml", into)
    for at, path in enumerate(sorted(folder.glob("*.csv"))):
        chance = np.random.default_rng([seed, at])
        table = pl.read_csv(path, infer_schema=False)
        table = table.select(_spoiled(column, chance) for column in table)
        table.write_csv(into / path.name)


def _spoiled(column: pl.Series, chance: np.random.Generator) -> pl.Series:
    many = max(1, round(len(column) * SHARE))
    rows = np.sort(chance.choice(len(column), many, replace=False))
    texts = column.gather(rows).fill_null("").to_list()
    return column.scatter(rows, malformed(texts, rows.tolist()))


if __name__ == "__main__":
    spoil(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
