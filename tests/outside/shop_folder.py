"""Small shops written to disk, and the nightly command run on them."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.outside.second_opinion import Finding
from tests.proposals.command import reconcile

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

REPOSITORY = Path(__file__).parents[2]

Row = dict[str, str]
# The rows of each record: canonical column names and cells.
Records = dict[str, list[dict[str, object]]]


def write_shop(
    shop: Path,
    records: Records,
    suppliers: Sequence[str] = ("alder",),
    extra: str = "",
) -> Path:
    """Writes shop.toml and RECORD.csv for each record, with the keys of its rows as headers."""
    write_settings(shop, list(records), suppliers, extra)
    for record, rows in records.items():
        headers = list(dict.fromkeys(key for row in rows for key in row))
        with (shop / f"{record}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, headers, restval="")
            writer.writeheader()
            writer.writerows(rows)
    return shop


def write_settings(
    shop: Path, records: Sequence[str], suppliers: Sequence[str], extra: str = ""
) -> None:
    """Writes a shop.toml for one file of each record, all of them covered up to as-of."""
    shop.mkdir(parents=True, exist_ok=True)
    parts = ['[shop]\nname = "Lantern Lane"\nhome_currency = "EUR"\ntime_zone = "Europe/Dublin"']
    parts += [f"[suppliers.{supplier}]" for supplier in suppliers]
    parts += [
        f'[[source]]\nname = "{record}"\nrecord = "{record}"\nfiles = ["{record}.csv"]\n'
        'covered_to = "as-of"'
        for record in records
    ]
    (shop / "shop.toml").write_text("\n\n".join([*parts, extra]) + "\n", encoding="utf-8")


def nightly(shop: Path, as_of: date, out: Path, *options: str, **environment: str) -> Path:
    """Runs the command as a merchant would; the folder of its outputs.

    In a process of its own where that has another environment: to start Python takes a second.
    """
    words = ["nightly", str(shop), "--as-of", as_of.isoformat(), "--out", str(out), *options]
    if environment:
        done = subprocess.run(
            [sys.executable, "-m", "reconcile", *words],
            cwd=REPOSITORY,
            env=os.environ | environment,
            capture_output=True,
            text=True,
            check=False,
        )
    else:
        done = reconcile(*words)
    assert done.returncode == 0, done.stderr
    return out


def read_rows(path: Path) -> list[Row]:
    """The rows of a CSV file as text."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def exceptions(out: Path, *rules: str) -> list[Row]:
    """The rows of exceptions.csv, of some rules or of all."""
    rows = read_rows(out / "exceptions.csv")
    return [row for row in rows if not rules or row["rule"] in rules]


def summary(out: Path) -> dict[str, Any]:
    """The content of summary.json."""
    content: dict[str, Any] = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    return content


def finding(row: Row) -> Finding:
    """A row of exceptions.csv, or of an expected.csv, in the words of the second opinion."""
    amount = Decimal(row["amount"]) if row["amount"] else None
    currency = row["currency"] if row["amount"] else ""
    return Finding(
        rule=row["rule"],
        verdict=row["verdict"],
        order_ref=row["order_ref"],
        sku=row["sku"],
        supplier=row["supplier"],
        amount=amount,
        currency=currency,
        document=row.get("document", ""),
    )
