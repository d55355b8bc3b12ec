"""Shop folders for the cash check, and the command run on them."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from reconcile.cli import commands

Row = dict[str, object]
Records = dict[str, list[Row]]
SETTINGS = """
[shop]
name = "Lantern Lane"
home_currency = "{home}"
time_zone = "Europe/Dublin"
[suppliers.kestrel]
names = ["Kestrel Goods Co"]
[suppliers.alder]
names = ["Alder Supply"]
terms = "invoice"
"""
SOURCE = """
[[source]]
name = "{record}"
record = "{record}"
files = ["{record}.csv"]
[source.format]
decimal = "."
dates = "year-first"
"""
HEADERS: dict[str, list[str]] = {
    "orders": ["order_ref", "ordered_at", "sku", "qty", "unit_price", "currency"],
}


def write_shop(
    folder: Path, records: Mapping[str, Sequence[Row]], extra: str = "", home: str = "EUR"
) -> Path:
    """Write shop.toml and RECORD.csv for each record; an order export is there always."""
    folder.mkdir(parents=True, exist_ok=True)
    settings = [SETTINGS.format(home=home), extra]
    everything: dict[str, Sequence[Row]] = {"orders": [], **records}
    for record, rows in everything.items():
        headers = list(dict.fromkeys(key for row in rows for key in row)) or HEADERS[record]
        with (folder / f"{record}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, headers, restval="")
            writer.writeheader()
            writer.writerows(rows)
        settings.append(SOURCE.format(record=record))
    (folder / "shop.toml").write_text("\n".join(settings), encoding="utf-8")
    return folder


@dataclass(frozen=True)
class Found:
    """What the command wrote."""

    value: dict[str, Any]
    text: str

    def balance(self, check: str, account: str = "", currency: str = "") -> dict[str, Any]:
        """The one balance of a check, by account and currency where there are several."""
        [one] = [
            each
            for each in self.value["balances"]
            if each["check"] == check
            and account in ("", each["account"])
            and currency in ("", each["currency"])
        ]
        found: dict[str, Any] = one
        return found

    def figures(self, check: str, account: str = "", currency: str = "") -> tuple[str, ...]:
        """Left, right, difference and verdict of a balance."""
        one = self.balance(check, account, currency)
        return one["left"], one["right"], one["difference"], one["verdict"]

    def items(self, check: str, *natures: str) -> list[tuple[str, str, str]]:
        """What, name and amount of the items of a check, of some natures or of all."""
        return sorted(
            (item["what"], item["name"], item["amount"])
            for each in self.value["balances"]
            if each["check"] == check
            for item in each["items"]
            if not natures or item["nature"] in natures
        )

    @property
    def wrong(self) -> dict[str, list[tuple[str, str, str]]]:
        """The errors, entries and doubts of every check that has some."""
        checks = dict.fromkeys(each["check"] for each in self.value["balances"])
        told = {name: self.items(name, "error", "entry", "unknown") for name in checks}
        return {name: items for name, items in told.items() if items}

    @property
    def verdicts(self) -> dict[tuple[str, str, str], str]:
        """The verdict of each balance."""
        return {
            (each["check"], each["account"], each["currency"]): each["verdict"]
            for each in self.value["balances"]
        }


def month_end(folder: Path, month: str) -> Found:
    """Run the command on a folder, hold it to its proofs, and read what it wrote."""
    out = folder / "out" / month
    command = ["month-end", str(folder), "--month", month]
    result = CliRunner().invoke(commands, command, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert (out / "cash-check.xlsx").is_file()
    value = json.loads((out / "cash_check.json").read_text(encoding="utf-8"))
    assert all(proof["holds"] for proof in value["proofs"])
    for each in value["balances"]:
        if each["difference"]:
            said = sum(
                Decimal(item["amount"]) for item in each["items"] if item["side"] == "difference"
            )
            assert said == Decimal(each["difference"]), each
    return Found(value, result.output)
