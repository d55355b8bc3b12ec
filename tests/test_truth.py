"""The nightly run finds what was put into a shop, once each, and nothing else.

Beyond the truth a paid order that was refunded in full may have ``overpaid`` too, as long as it
follows.
"""

from __future__ import annotations

import csv
import json
import shutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from reconcile.checks.catalogue import load_catalogue
from reconcile.nightly import run_nightly
from reconcile.shop_file import load_shop
from tests.shops import PRIVATE_MARKS, build_shop, rename_files, shuffle_rows, split_overlapping
from tests.shops.sample import FOLDER, INPUT_FILE, SCENARIO, TRUTH_FILE

pytestmark = pytest.mark.no_cover

SAID = ("rule", "verdict", "order_ref", "sku", "supplier", "amount", "currency", "list", "class")
WHOLE = ("exceptions.csv", "order_lines.csv")
# What the built shops have no case of: no stated totals, no tolerance, one currency a supplier,
# no two payments of one amount that say nothing
NOT_BUILT = {
    "currency-differs",
    "invoice-arithmetic",
    "not-ordered",
    "possible-double-payment",
    "small-differences-add-up",
}
VARIANTS: dict[str, Callable[[Path], None]] = {
    "shuffled": lambda shop: shuffle_rows(shop, seed=23),
    "renamed": rename_files,
    "split": split_overlapping,
}
Row = dict[str, str]


@dataclass(frozen=True)
class Night:
    """A shop, what it has to give, and the outputs of a run on it."""

    shop: Path
    as_of: date
    truth: list[Row]
    out: Path


def run(shop: Path, as_of: date, out: Path) -> Path:
    """Run the nightly check; a proof that does not hold fails here."""
    contents, target = run_nightly(shop, lambda _: as_of, out, lambda _: None)
    assert contents.proofs["holds"].all(), contents.proofs.to_string()
    return target


def rows(path: Path) -> list[Row]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def built(folder: Path, orders: int, seed: int) -> Night:
    """Build a shop and run on it."""
    truth = build_shop(folder / "shop", orders=orders, seed=seed)
    listed = truth.exceptions.astype(str).to_dict("records")
    expected = [{str(key): str(cell) for key, cell in row.items()} for row in listed]
    out = run(folder / "shop", truth.as_of, folder / "out")
    return Night(folder / "shop", truth.as_of, expected, out)


@pytest.fixture(scope="module", params=[3_000])
def night(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Night:
    """A shop of 3,000 orders."""
    return built(tmp_path_factory.mktemp("night"), request.param, seed=request.param)


def assert_true(truth: list[Row], found: list[Row]) -> None:
    """Each exception of the truth once, and nothing beyond it but what follows."""
    expected = Counter(_said(row) for row in truth)
    actual = Counter(_said(row) for row in found)
    assert expected - actual == Counter()
    beyond = actual - expected
    assert {(row[0], row[1]) for row in beyond} <= {("overpaid", "follows")}
    assert max(expected.values()) == 1
    _assert_dates(truth, found)


def _said(row: Row) -> tuple[str, ...]:
    return tuple(row[name] for name in SAID)


def _assert_dates(truth: list[Row], found: list[Row]) -> None:
    """Due dates and documents: where the truth has none, it is due on the day it happened."""
    by_key = {_key(row): row for row in found}
    # Two parcels or payments of one order are told apart by their document.
    for row in truth:
        mine = by_key[_key(row)]
        assert mine["due_by"] == (row["due_by"] or mine["event_date"]), row
        assert row["document"] in ("", mine["document"]), row
        assert mine["event_date"] <= mine["due_by"]


def _key(row: Row) -> tuple[str, ...]:
    return (row["rule"], row["order_ref"], row["sku"], row["supplier"])


def test_run_finds_the_truth(night: Night) -> None:
    assert_true(night.truth, rows(night.out / "exceptions.csv"))


def test_run_finds_the_truth_of_a_shop_of_thirty_thousand(tmp_path: Path) -> None:
    large = built(tmp_path, 30_000, seed=5)
    assert_true(large.truth, rows(large.out / "exceptions.csv"))


def test_every_rule_of_orders_has_something_to_find(night: Night) -> None:
    found = {row["rule"] for row in night.truth if row["verdict"] == "open"}
    inputs = {name for name, rule in load_catalogue().items() if rule.table.name == "inputs"}
    assert found | inputs | NOT_BUILT == set(load_catalogue())


def test_ids_are_unique_and_causes_are_ids(night: Night) -> None:
    found = rows(night.out / "exceptions.csv")
    by_id = {row["id"]: row for row in found}
    assert len(by_id) == len(found)
    for row in found:
        if row["verdict"] == "follows":
            cause = by_id[row["cause"]]
            assert cause["order_ref"] == row["order_ref"]
            assert cause["verdict"] == "open"
        else:
            assert (row["cause"] != "") == (row["verdict"] == "unknown")


def test_every_file_and_row_of_the_evidence_is_about_the_order(night: Night) -> None:
    lines = {path.name: path.read_text(encoding="utf-8").splitlines() for path in _exports(night)}
    [unnamed] = [
        row for row in night.truth if row["rule"] == "unpaid" and row["verdict"] == "unknown"
    ]
    [unmatched] = [row for row in night.truth if row["rule"] == "payment-unmatched"]
    for row in rows(night.out / "exceptions.csv"):
        assert row["evidence"] != ""
        number = (row["order_ref"] or unnamed["order_ref"]).removeprefix("LL-")
        for place in row["evidence"].split("; "):
            if place.startswith("and "):
                continue
            file, _, at = place.partition(" row ")
            cells = lines[file][int(at) - 1]
            named = number in cells or row["supplier"] == "alder"  # by invoice number
            named |= file == "quotes.csv" and row["sku"] in cells
            named |= number in unnamed["order_ref"] and unmatched["document"] in cells
            assert named, (row["rule"], place, cells)


def _exports(night: Night) -> list[Path]:
    return sorted(night.shop.glob("*.csv"))


def test_nobody_is_named(night: Night) -> None:
    for path in sorted(night.out.rglob("*")):
        if path.suffix in (".csv", ".json", ".log"):
            content = path.read_text(encoding="utf-8")
            assert [mark for mark in PRIVATE_MARKS if mark in content] == []
    cells = _cells(night.out / "report.xlsx")
    texts = [str(cell) for sheet in cells.values() for row in sheet for cell in row]
    assert [mark for mark in PRIVATE_MARKS if any(mark in text for text in texts)] == []


@pytest.mark.parametrize("name", VARIANTS)
def test_order_names_and_overlap_of_files_change_nothing(
    night: Night, name: str, tmp_path: Path
) -> None:
    shop = tmp_path / "shop"
    shutil.copytree(night.shop, shop)
    VARIANTS[name](shop)
    out = run(shop, night.as_of, tmp_path / "out")
    assert _tables(out) == _tables(night.out)
    assert_true(night.truth, rows(out / "exceptions.csv"))
    assert _sheets(out) == _sheets(night.out)
    one, other = (_summary(folder) for folder in (out, night.out))
    for key in ("exceptions", "order_lines", "proofs_hold"):
        assert one[key] == other[key]


def test_second_run_gives_the_same_bytes(night: Night, tmp_path: Path) -> None:
    out = run(night.shop, night.as_of, tmp_path / "out")
    first, second = _bytes(night.out), _bytes(out)
    assert first.keys() == second.keys()
    assert {name for name in first if first[name] != second[name]} == {"run.log"}
    assert {*WHOLE, "summary.json", "report.xlsx", "lists/pay.csv"} <= set(first)
    assert _cells(out / "report.xlsx") == _cells(night.out / "report.xlsx")


def _bytes(out: Path) -> dict[str, bytes]:
    files = [path for path in out.rglob("*") if path.is_file()]
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in files}


def _tables(out: Path) -> dict[str, list[Row]]:
    """Every CSV file, without the evidence: rows stand elsewhere."""
    found = {path.relative_to(out).as_posix(): rows(path) for path in out.rglob("*.csv")}
    for table in found.values():
        for row in table:
            row.pop("evidence", None)
    return found


def _summary(out: Path) -> dict[str, object]:
    content: dict[str, object] = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    return content


def _cells(path: Path) -> dict[str, list[tuple[object, ...]]]:
    book = openpyxl.load_workbook(path, read_only=True)
    found: dict[str, list[tuple[object, ...]]] = {}
    for sheet in book:
        found[sheet.title] = list(sheet.iter_rows(values_only=True))
    book.close()
    return found


def _sheets(out: Path) -> dict[str, list[tuple[object, ...]]]:
    """The workbook without its evidence, its files and its count of their rows."""
    cells = _cells(out / "report.xlsx")
    for name in ("Inputs", "Input sums", "Proof"):
        del cells[name]
    for name, sheet in cells.items():
        places = ("Evidence", "Files and rows behind it")
        head = next((row for row in sheet[:3] if set(places) & set(row)), ())
        for at in (head.index(place) for place in places if place in head):
            cells[name] = [row[:at] + row[at + 1 :] for row in cells[name]]
    cells["Today"] = [
        row for row in cells["Today"] if not str(row[0]).startswith(("Rows rejected", "Sources"))
    ]
    return cells


# The sample shop, as it is delivered


@pytest.fixture(scope="module")
def sample_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The outputs of a run on the sample shop."""
    folder = tmp_path_factory.mktemp("sample")
    shutil.copytree(FOLDER, folder / "shop", ignore=shutil.ignore_patterns("out", "history.db"))
    return run(folder / "shop", SCENARIO.as_of, folder / "out")


def test_sample_gives_what_its_readme_says(sample_out: Path) -> None:
    found = rows(sample_out / "exceptions.csv")
    inputs = {row["rule"] for row in rows(INPUT_FILE)}
    assert_true(rows(TRUTH_FILE), [row for row in found if row["rule"] not in inputs])


def test_sample_gives_what_is_wrong_with_its_files(sample_out: Path) -> None:
    expected = rows(INPUT_FILE)
    found = rows(sample_out / "exceptions.csv")
    for rule in ("key-collision", "repeat-changed"):
        refs = {row["order_ref"] for row in expected if row["rule"] == rule}
        mine = [row for row in found if row["rule"] == rule]
        assert sorted(row["order_ref"] for row in mine) == sorted(refs)
        assert {row["verdict"] for row in mine} == {"open"}
    changed = [row for row in expected if row["rule"] == "repeat-changed"]
    [told] = [row for row in found if row["rule"] == "repeat-changed"]
    places = [f"{row['file']} row {row['row']}" for row in changed]
    assert sorted(told["evidence"].split("; ")) == sorted(places)


def test_sample_lists_the_rows_that_cannot_be_read(sample_out: Path) -> None:
    expected = [row for row in rows(INPUT_FILE) if row["rule"] == "rows-rejected"]
    sources = {source.name: source.columns for source in load_shop(FOLDER).sources}
    listed = [
        (row["file"], row["row"], *sources[row["source"]][row["column"]], row["text"])
        for row in rows(sample_out / "rejected_rows.csv")
    ]
    assert sorted(listed) == sorted(
        (row["file"], row["row"], row["column"], row["text"]) for row in expected
    )
    found = rows(sample_out / "exceptions.csv")
    places = [row["evidence"] for row in found if row["rule"] == "rows-rejected"]
    assert sorted(places) == sorted(f"{row['file']} row {row['row']}" for row in expected)


def test_order_whose_row_could_not_be_read_is_not_called_unknown(sample_out: Path) -> None:
    lost = {row["order_ref"] for row in rows(INPUT_FILE) if row["rule"] == "rows-rejected"}
    found = rows(sample_out / "exceptions.csv")
    assert [row for row in found if row["order_ref"] in lost and row["verdict"] == "open"] == []


def test_sample_run_leaves_its_inputs_alone(sample_out: Path, tmp_path: Path) -> None:
    copy = tmp_path / "shop"
    shutil.copytree(FOLDER, copy, ignore=shutil.ignore_patterns("out", "history.db"))
    before = _bytes(copy)
    again = run(copy, SCENARIO.as_of, tmp_path / "out")
    assert {name: data for name, data in _bytes(copy).items() if name != "history.db"} == before
    first, second = _bytes(sample_out), _bytes(again)
    assert {name for name in first if first[name] != second[name]} == {"run.log"}


def test_a_past_night_knows_nothing_of_what_came_later(tmp_path: Path) -> None:
    """Rows dated after the night are taken out of the files: the run is the same."""
    past = date(2026, 8, 20)
    shop = tmp_path / "shop"
    build_shop(shop, orders=300, seed=300)
    whole = run(shop, past, tmp_path / "whole")
    for record, column in (
        ("orders", "ordered_at"),
        ("invoices", "invoice_date"),
        ("payments", "paid_at"),
        ("shipments", "shipped_at"),
        ("rates", "date"),
    ):
        path = shop / f"{record}.csv"
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        # A day of margin: a timestamp may be another day in the shop's zone.
        table[table[column].str[:10] <= "2026-08-21"].to_csv(path, index=False)
    cut = run(shop, past, tmp_path / "cut")
    names = ("exceptions.csv", "order_lines.csv")
    assert [_tables(whole)[name] for name in names] == [_tables(cut)[name] for name in names]
