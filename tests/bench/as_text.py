"""``python -m tests.bench.as_text SHOP``: reads a shop's files and does nothing with them.

The floor of the benchmark: pyarrow takes every cell as text, and each table is dropped again.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.csv


def as_text(path: Path) -> pa.Table:
    """A CSV file as a table, every column read as text; an empty cell is an empty text."""
    with path.open(encoding="utf-8", newline="") as file:
        names = next(csv.reader(file))
    types = pyarrow.csv.ConvertOptions(column_types=dict.fromkeys(names, pa.string()))
    return pyarrow.csv.read_csv(path, convert_options=types)


def main(shop: Path) -> None:
    """Read every file."""
    for path in sorted(shop.glob("*.csv")):
        as_text(path)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
