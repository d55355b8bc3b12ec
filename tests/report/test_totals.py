"""The totals of a workbook, worked out anew: they are those of the CSV and of the JSON.

Where LibreOffice is installed it works the formulas out, from a copy without the stored values;
the sums of the cells themselves are held against the stored values in any case.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
import zipfile
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.workbook.workbook import Workbook

from reconcile.nightly import run_nightly
from reconcile.report.write import write_outputs
from tests.report.results import results
from tests.shops.sample import FOLDER as SAMPLE

Key = tuple[str, str, str]
Sums = dict[Key, tuple[int, Decimal]]


def _without_values(source: Path, target: Path) -> Path:
    """A copy in which no formula has its value, so that it has to be worked out."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name.startswith("xl/worksheets/"):
                data = re.sub(rb"</f><v>[^<]*</v>", b"</f>", data)
            new.writestr(name, data)
    return target


def _worked_out(source: Path, folder: Path) -> Workbook:
    """The workbook with its formulas as LibreOffice works them out, else as they are stored."""
    office = shutil.which("soffice")
    if office is None:
        return openpyxl.load_workbook(source, data_only=True)
    bare = _without_values(source, folder / "bare.xlsx")
    profile = f"-env:UserInstallation=file://{folder / 'profile'}"
    command = [office, profile, "--headless", "--convert-to", "xlsx", "--outdir"]
    command += [str(folder / "worked"), str(bare)]
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    return openpyxl.load_workbook(folder / "worked" / "bare.xlsx", data_only=True)


def _formulas(book: Workbook) -> dict[tuple[str, str], Any]:
    return {
        (page.title, cell.coordinate): cell.value
        for page in book.worksheets
        for row in page.iter_rows()
        for cell in row
        if cell.data_type == "f"
    }


def _rows(page: Any, heading: str) -> list[dict[str, Any]]:
    rows = [list(row) for row in page.iter_rows(values_only=True)]
    [top] = [at for at, row in enumerate(rows) if row[0] == heading]
    body = []
    for row in rows[top + 1 :]:
        if row[0] is None and not any(row):
            break
        body.append({str(name): value for name, value in zip(rows[top], row, strict=True) if name})
    return body


def _add(sums: Sums, key: Key, amount: Any) -> None:
    count, total = sums.get(key, (0, Decimal(0)))
    sums[key] = count + 1, total + Decimal(str(amount or 0))


@pytest.mark.parametrize("rows", [20_000, 1])
def test_totals_are_those_of_the_csv_and_the_json(tmp_path: Path, rows: int) -> None:
    write_outputs(results(report_rows=rows), tmp_path / "out")
    _check_totals(tmp_path / "out", tmp_path)


@pytest.mark.no_cover
def test_totals_of_the_sample_shop_are_those_of_the_csv_and_the_json(tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    shutil.copytree(SAMPLE, shop, ignore=shutil.ignore_patterns("out", "history.db*"))
    run_nightly(shop, lambda _: date(2026, 10, 30), None, lambda _: None)
    _, out = run_nightly(shop, lambda _: date(2026, 10, 31), None, lambda _: None)
    _check_totals(out, tmp_path)


def _check_totals(out: Path, tmp_path: Path) -> None:
    stored = openpyxl.load_workbook(out / "report.xlsx", data_only=True)
    worked = _worked_out(out / "report.xlsx", tmp_path)
    formulas = _formulas(openpyxl.load_workbook(out / "report.xlsx"))
    assert len(formulas) > 40
    for sheet, place in formulas:
        assert worked[sheet][place].value == stored[sheet][place].value, (sheet, place)
    cells: Sums = {}
    csv_sums: Sums = {}
    with (out / "exceptions.csv").open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["verdict"] == "open":
                _add(csv_sums, (row["list"], row["class"], row["currency"]), row["amount"])
    totals = {
        (row["List"], row["Class"], row["Currency"] or ""): row
        for row in _rows(worked["Totals"], "List")
    }
    assert {
        key: (row["Rows in all"], Decimal(str(row["Amount in all"] or 0)))
        for key, row in totals.items()
    } == csv_sums
    assert {row["Agrees"] for row in totals.values()} == {"yes"}
    for name in {key[0] for key in totals}:
        for row in _rows(stored[name.capitalize()], "Due by"):
            [alone, *more] = [key for key in totals if key[0] == name]
            key = (name, row.get("Class") or alone[1], row.get("Currency") or "")
            assert "Class" in row or not more
            _add(cells, key, row.get("Amount"))
    for key, row in totals.items():
        here = (row["Rows on the sheet"], Decimal(str(row["Amount on the sheet"] or 0)))
        assert here == cells.get(key, (0, Decimal(0)))
    told = json.loads((out / "summary.json").read_text(encoding="utf-8"))["exceptions"]["groups"]
    by_class: dict[tuple[Any, Any], Decimal] = {}
    for group in told:
        if group["verdict"] == "open" and group["sum"] is not None:
            of = (group["class"], group["currency"])
            by_class[of] = by_class.get(of, Decimal(0)) + Decimal(group["sum"])
    money = _rows(worked["Today"], "Class")
    today = {
        (row["Class"], row["Currency"]): Decimal(str(row["Open now"]))
        for row in money
        if row.get("Currency") and row["Rows"]
    }
    assert today == by_class
