"""``reconcile month-end``: read, match, check the month, write."""

from __future__ import annotations

import json
import os
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

import reconcile
from reconcile.checks.catalogue import configured, load_catalogue
from reconcile.empty import without_rows
from reconcile.errors import RefusedError
from reconcile.intake.load import file_problems
from reconcile.memory.database import history_to_read
from reconcile.month_end.balance import ITEM
from reconcile.month_end.check import CashCheck, Said, check_month
from reconcile.month_end.nights import nights_of
from reconcile.month_end.period import Month
from reconcile.night import Clock, Say, read_and_match
from reconcile.report.cash_book import book_of
from reconcile.report.cash_contents import KEYS, CashContents, cash_json, restated
from reconcile.report.cash_sheets import cash_sheets
from reconcile.report.folder import check_writable, recover, replace_folder
from reconcile.shop_file import read_shop

_JSON, _BOOK = "cash_check.json", "cash-check.xlsx"


def run_month_end(
    folder: Path, month: Month, out: Path | None, say: Say
) -> tuple[CashContents, Path]:
    """Check a month of a shop folder and write cash-check.xlsx and cash_check.json.

    The month is looked at as of its last day. Gives back what was written and where. Raises
    RefusedError before anything is written, FaultError where writing fails.
    """
    clock = Clock(say)
    with clock.stage("settings"):
        shop, problems = read_shop(folder)
        target = out if out is not None else folder / "out" / str(month)
        rules, unset = configured(load_catalogue(), shop.rules)
        problems = [*problems, *unset, *check_writable(target, folder)]
        if problems:
            raise RefusedError([*problems, *file_problems(shop)])
        recover(target)
    intake, matched = read_and_match(shop, rules, month.last, clock)
    said = Said(shop, intake, matched)
    with clock.stage("checking the month"):
        with history_to_read(folder) as history:
            nights = None if history is None else nights_of(history, month)
        checked = check_month(said, month, nights)
        contents = _contents(said, checked, _earlier(target, month))
    with clock.stage("writing"):
        replace_folder(target, partial(_fill, contents))
    return contents, target


def _earlier(target: Path, month: Month) -> dict[str, Any] | None:
    """The JSON of an earlier check of the month in the same place; None where there is none."""
    try:
        value = json.loads((target / _JSON).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    mine = isinstance(value, dict) and value.get("month") == str(month)
    return value if mine and isinstance(value.get("closed"), dict) else None


def _contents(said: Said, checked: CashCheck, earlier: dict[str, Any] | None) -> CashContents:
    balances, items = _tables(checked)
    names = ["source", "record", "file", "sha256", "rows", "rejected", "accepted", "later"]
    files = said.intake.files[[*names, "covered_to"]]
    changed, closed = restated(earlier, balances, files)
    return CashContents(
        shop=said.shop.name,
        month=str(checked.month),
        first=checked.month.first,
        last=checked.month.last,
        zone=str(said.shop.zone),
        home_currency=said.shop.home_currency,
        version=reconcile.__version__,
        ageing_from=said.shop.month_end.ageing_from,
        balances=balances,
        items=items,
        bridge=checked.bridge,
        places=checked.places,
        proofs=checked.proofs,
        ageing=checked.ageing,
        margins=checked.margins,
        scorecard=checked.scorecard,
        files=files,
        restated=changed,
        closed=closed,
    )


def _tables(checked: CashCheck) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The balances as one table, and the items of all of them as another."""
    rows = [
        {
            "check": balance.check,
            "account": balance.account,
            "currency": balance.currency,
            "left_minor": balance.left,
            "right_minor": balance.right,
            "difference_minor": balance.difference,
            "verdict": balance.verdict,
            "cause": balance.cause,
            "items": len(balance.items),
            "errors": int((balance.items["nature"] == "error").sum()),
            "unexplained_minor": balance.unexplained,
        }
        for balance in checked.balances
    ]
    money = ("left_minor", "right_minor", "difference_minor", "unexplained_minor")
    frame = pd.DataFrame(rows).astype(dict.fromkeys(money, "Int64"))
    pieces = [
        balance.items.assign(
            check=balance.check, account=balance.account, currency=balance.currency
        )
        for balance in checked.balances
        if len(balance.items)
    ]
    none = without_rows(ITEM | dict.fromkeys(KEYS, "str"))
    items = pd.concat(pieces, ignore_index=True) if pieces else none
    return frame, items[[*KEYS, *ITEM]].astype(dict.fromkeys(KEYS, "str"))


def _fill(contents: CashContents, folder: Path) -> None:
    book = book_of(cash_sheets(contents), contents.shop, contents.last, contents.home_currency)
    for name, data in ((_BOOK, book), (_JSON, cash_json(contents))):
        with (folder / name).open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
