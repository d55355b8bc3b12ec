"""A shop gives the same exceptions in whatever clothes its exports come.

Two runs are compared by every column of exceptions.csv but ``evidence``, in the same order, ids
among them: an id comes from cleaned references, so that it is the same however they are written.
``order_ref``, ``sku``, ``document`` and ``explanation`` show references as the files write them;
of those what a way puts around its references (``#``, ``WEB-``, apostrophes, ``="…"``, unseen
characters) is taken off on both sides.
"""

from __future__ import annotations

import csv
import re
import tomllib
import zipfile
from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from itertools import product
from pathlib import Path
from zoneinfo import ZoneInfo

import openpyxl
import pytest

from reconcile.nightly import run_nightly
from reconcile.records import RECORDS
from reconcile.report.contents import Contents
from tests.shops import PRIVATE_MARKS, Truth, build_shop
from tests.shops.renderings import WAYS, names_of, render_as, truth_of
from tests.shops.renderings.cells import date_cell, money_cell
from tests.shops.renderings.grid import header_words
from tests.shops.renderings.looks import LOOKS
from tests.shops.renderings.read_back import Row, Seen, clean_rows, plain, raw_rows, read_back

pytestmark = pytest.mark.no_cover

SEEDS = (25, 8)  # both have orders of more than a thousand, so that marks of groups are seen
# Every way once with its format declared and once found, on one shop each
CASES = ((True, SEEDS[0]), (False, SEEDS[1]))
AS_WRITTEN = ("order_ref", "sku", "document", "explanation")
FATES = ("accepted", "later", "repeats", "rejected")


@dataclass(frozen=True)
class Clean:
    """A shop as it is built, and the exceptions of a run on it."""

    folder: Path
    truth: Truth
    exceptions: list[Row]
    rows: dict[str, list[Row]]


@dataclass(frozen=True)
class Rendering:
    """That shop written one way."""

    way: str
    declared: bool
    folder: Path
    clean: Clean
    seen: list[Seen]


def run(shop: Path, as_of: date, out: Path) -> tuple[Contents, list[Row]]:
    contents, target = run_nightly(shop, lambda _: as_of, out, lambda _: None)
    with (target / "exceptions.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        del row["evidence"]
        row |= {name: plain(row[name]) for name in AS_WRITTEN}
    return contents, rows


@pytest.fixture(scope="module")
def cleans(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Clean]:
    """Shops of 300 orders, by their seeds."""
    made = {}
    for seed in SEEDS:
        folder = tmp_path_factory.mktemp("clean")
        truth = build_shop(folder / "shop", orders=300, seed=seed)
        _, exceptions = run(folder / "shop", truth.as_of, folder / "out")
        made[seed] = Clean(folder / "shop", truth, exceptions, clean_rows(folder / "shop"))
    return made


@pytest.fixture(
    scope="module",
    params=list(product(WAYS, CASES)),
    ids=lambda param: f"{param[0]}-{'declared' if param[1][0] else 'found'}-{param[1][1]}",
)
def rendering(
    cleans: dict[int, Clean],
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
) -> Rendering:
    """The shops written each way, with and without their format in shop.toml."""
    way, (declared, seed) = request.param
    folder = tmp_path_factory.mktemp(way)
    render_as(way, cleans[seed].folder, folder, declared=declared)
    return Rendering(way, declared, folder, cleans[seed], read_back(way, folder))


# End to end


def test_rendering_gives_the_exceptions_of_the_clean_shop(
    rendering: Rendering, tmp_path: Path
) -> None:
    clean = rendering.clean
    contents, found = run(rendering.folder, clean.truth.as_of, tmp_path / "out")
    assert contents.proofs["holds"].all(), contents.proofs.to_string()
    beyond = [row for row in found if row not in clean.exceptions]
    missing = [row for row in clean.exceptions if row not in found]
    assert (beyond[:3], missing[:3]) == ([], [])
    assert [row["id"] for row in found] == [row["id"] for row in clean.exceptions]
    assert len(found) > 80
    assert_nobody_is_named(tmp_path / "out")
    seen = {one.file: one for one in rendering.seen}
    files = contents.files.set_index("file")
    assert sorted(files.index) == sorted(seen)
    for name, one in seen.items():
        counts = files.loc[name]
        assert counts["rows"] == one.total
        assert counts["totals"] == one.totals
        assert counts["rejected"] == 0
        assert counts[list(FATES)].sum() == len(one.rows)
    for record, kept in files.groupby("record")[["accepted", "later"]].sum().iterrows():
        assert kept.sum() == len(clean.rows[str(record)]), record


def assert_nobody_is_named(out: Path) -> None:
    """No output holds anything of a customer; workbooks are looked into unpacked."""
    for path in out.rglob("*.*"):
        contents = [path.read_bytes()]
        if path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as packed:
                contents = [packed.read(name) for name in packed.namelist()]
        for mark in PRIVATE_MARKS.values():
            assert all(mark.encode() not in content for content in contents), (path.name, mark)


# The rows, read with other means


def test_rendering_holds_the_rows_of_the_clean_shop(rendering: Rendering) -> None:
    seen = rendering.seen
    assert {one.source for one in seen} == set(rendering.clean.rows)
    for source, rows in rendering.clean.rows.items():
        names = set(names_of(rendering.folder)[source])
        expected = Counter(_key(row, names) for row in rows)
        files = [
            Counter(_key(row, names) for row in one.rows) for one in seen if one.source == source
        ]
        # A row counts as often as the file that shows it most
        most = Counter[tuple[str, ...]]()
        for file in files:
            most |= file
        assert most == expected, source
        assert names == set(rows[0]) - set(PRIVATE_MARKS)


def _key(row: Row, names: set[str]) -> tuple[str, ...]:
    return tuple(row[name] for name in sorted(names))


def test_declared_says_the_format_and_the_zone_is_always_said(rendering: Rendering) -> None:
    settings = tomllib.loads((rendering.folder / "shop.toml").read_text(encoding="utf-8"))
    way = WAYS[rendering.way]
    for source in settings["source"]:
        told = source.get("format", {})
        zone = {"time_zone"} if way.time_zone and not way.dates.zoned else set()
        assert zone <= set(told)
        assert (set(told) == zone) != rendering.declared
        assert set(truth_of(rendering.folder)[source["name"]]) <= set(
            RECORDS[source["record"]].names
        )


# What each way looks like, in the bytes and cells themselves


@pytest.fixture(scope="module")
def one_of_each(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One shop, written each way, in folders of their names."""
    folder = tmp_path_factory.mktemp("each")
    build_shop(folder / "clean", orders=300, seed=SEEDS[0])
    for way in WAYS:
        render_as(way, folder / "clean", folder / way, declared=True)
    return folder


@pytest.mark.parametrize("way", LOOKS)
def test_files_look_as_the_way_says(one_of_each: Path, way: str) -> None:
    for file, encoding, pattern in LOOKS[way]:
        text = (one_of_each / way / file).read_bytes().decode(encoding)
        assert re.search(pattern, text), (file, pattern)


def test_byte_order_marks_and_packing(one_of_each: Path) -> None:
    starts = {
        "spanish/rates.txt": b"\xff\xfeF\0",
        "american/rates.csv": b"\xef\xbb\xbfDate",
        "swiss/rates.csv.gz": b"\x1f\x8b\x08",
        "xlsx/rates.xlsx": b"PK",
        "ods/rates.ods": b"PK",
    }
    for name, start in starts.items():
        assert (one_of_each / name).read_bytes().startswith(start)
    rows = [
        str(cell) for row in raw_rows("swiss", one_of_each / "swiss/orders.csv.gz") for cell in row
    ]
    assert any(re.fullmatch(r"1'\d{3}\.\d\d", cell) for cell in rows)
    assert any(re.fullmatch(r"\d\d\.\d\d\.2026 \d\d:\d\d", cell) for cell in rows)


def test_workbook_has_a_title_text_ids_dates_numbers_and_hidden_rows(one_of_each: Path) -> None:
    book = openpyxl.load_workbook(one_of_each / "xlsx" / "invoices.xlsx")
    assert [(sheet.title, sheet.sheet_state) for sheet in book] == [
        ("Export", "visible"),
        ("Settings", "hidden"),
    ]
    sheet = book["Export"]
    rows = list(sheet.iter_rows(values_only=True))
    assert [rows[0][0], rows[1][0]] == ["Lantern Lane, invoices", None]
    head = list(rows[2])
    for header, kinds in (
        ("Facture", {"s"}),
        ("Votre commande", {"s"}),
        ("Facturé le", {"d"}),
        ("Qté", {"n"}),
        ("PU HT", {"n"}),
    ):
        place = head.index(header) + 1
        assert {sheet.cell(row, place).data_type for row in range(4, len(rows) + 1)} == kinds
    hidden = [row for row, look in sheet.row_dimensions.items() if look.hidden]
    assert len(hidden) > 20
    assert all(sheet.cell(row, 1).value for row in hidden)


def test_spreadsheets_keep_every_digit_of_a_unit_cost(one_of_each: Path) -> None:
    for name, pattern in (
        ("xlsx/xl/worksheets/sheet1.xml", r"<v>(\d+\.\d\d5)</v>"),
        ("ods/content.xml", r'office:value="(\d+\.\d\d5)"'),
    ):
        way, _, inner = name.partition("/")
        with zipfile.ZipFile(one_of_each / way / f"invoices.{way}") as packed:
            found = set(re.findall(pattern, packed.read(inner).decode()))
        with (one_of_each / "clean" / "invoices.csv").open(encoding="utf-8") as file:
            costs = {row["unit_cost"] for row in csv.DictReader(file)}
        assert found == {cost for cost in costs if re.fullmatch(r"\d+\.\d\d5", cost)}
        assert len(found) > 5


def test_totals_are_right_and_of_one_currency(one_of_each: Path) -> None:
    seen = {one.file: one for one in read_back("preamble", one_of_each / "preamble")}
    assert {name for name, one in seen.items() if one.totals} == set(seen) - {
        "rates.csv", "quotes-eur.csv", "quotes-usd.csv",
    }  # fmt: skip
    for name, one in seen.items():
        if "currency" in one.rows[0]:
            assert len({row["currency"] for row in one.rows}) == 1
        if one.totals:
            _assert_totals(one, raw_rows("preamble", one_of_each / "preamble" / name))


def _assert_totals(one: Seen, grid: list[list[object]]) -> None:
    """What the last row says is the sum of what stands above it, added up anew."""
    head, body, last = grid[4], grid[5:-1], grid[-1]
    assert last[0] == "Total"
    shown = {str(head[place]): str(cell) for place, cell in enumerate(last) if place and cell}
    assert shown.keys() <= {
        "Qty",
        "Carriage",
        "Line amount",
        "Sum paid",
        "Discount on item",
        "Refunded qty",
    }
    for header, total in shown.items():
        place = head.index(header)
        cells = [str(row[place]) for row in body if row and row != head]
        summed = sum(Decimal(cell.replace(",", "")) for cell in cells if cell)
        assert summed == Decimal(total.replace(",", "")), (one.file, header)
    assert "Qty" in shown or "Sum paid" in shown


def test_monthly_files_overlap_in_equal_rows_and_one_is_there_twice(one_of_each: Path) -> None:
    folder = one_of_each / "overlap"
    for record in ("orders", "payments", "shipments", "invoices"):
        files = {
            path.name: Counter(path.read_bytes().splitlines()[1:])
            for path in folder.glob(f"{record}-*")
        }
        july, august = (files[f"{record}-2026-0{month}.csv"] for month in (7, 8))
        assert len(july & august) > 5
        assert len(july | august) > max(len(july), len(august)) + 20
        [copy] = [name for name in files if "(copy)" in name]
        assert files[copy] == files[copy.replace(" (copy)", "")]


# The vocabulary


def test_headers_name_one_column_each() -> None:
    words = header_words()
    kinds = sorted({kind for kind, _, _ in words})
    assert kinds == ["de-a", "de-b", "en-a", "en-b", "es-a", "es-b", "fr-a", "fr-b"]
    for record, together in product(
        ("orders", "invoices", "payments", "shipments", "quotes", "rates"),
        [*([kind] for kind in kinds), ["en-a", "en-b"]],
    ):
        owner: dict[str, str] = {}
        for (kind, of, column), word in words.items():
            if kind in together and of in (record, ""):
                assert owner.setdefault(word.casefold(), column) == column, (together, record, word)
                assert word == word.strip() != ""


def test_every_language_and_twelve_ways_are_there() -> None:
    assert len(WAYS) >= 12
    used = {way.headers for way in WAYS.values()} | {way.later_headers for way in WAYS.values()}
    assert used - {""} == {kind for kind, _, _ in header_words()}


def test_headers_of_the_truth_stand_in_the_first_file(one_of_each: Path) -> None:
    head = raw_rows("german", one_of_each / "german" / "orders.csv")[0]
    truth = truth_of(one_of_each / "german")["orders"]
    assert set(truth.values()) <= set(map(str, head))
    assert truth["customer_paid_at"] == "Bezahlt am"
    assert "customer_name" not in truth
    assert {"Kunde", "E-Mail", "Telefon", "Anschrift"} <= set(map(str, head))
    renamed = one_of_each / "renamed"
    assert truth_of(renamed)["invoices"]["qty"] == "column I"
    assert names_of(renamed)["orders"]["order_ref"] == ("Order", "Order no.")


# The cells


@pytest.mark.parametrize(
    ("way", "amount", "currency", "text"),
    [
        ("german", "1234567.875", "EUR", "1.234.567,875"),
        ("german", "999.00", "EUR", "999,00"),
        ("french", "1234.50", "USD", "1\xa0234,50\xa0USD"),
        ("spanish", "-1234.50", "EUR", "-1.234,50"),
        ("american", "-1234.125", "USD", "($1,234.125)"),
        ("american", "12.00", "EUR", "EUR 12.00"),
        ("swiss", "1234.56", "EUR", "1'234.56"),
        ("overlap", "-12.00", "EUR", "12.00-"),
        ("serials", "1234.56", "EUR", "1234.56"),
    ],
)
def test_amounts_are_written_whole(way: str, amount: str, currency: str, text: str) -> None:
    assert money_cell(WAYS[way], "unit_cost", amount, currency) == text


@pytest.mark.parametrize(
    ("way", "text", "zone", "shown"),
    [
        ("american", "2026-10-03T15:45:00-04:00", "America/New_York", "10/03/2026 3:45 PM"),
        ("american", "2026-10-03T00:05:00-04:00", "America/New_York", "10/03/2026 12:05 AM"),
        ("american", "2026-10-03T12:05:00-04:00", "America/New_York", "10/03/2026 12:05 PM"),
        ("text-months", "2026-10-03", "America/New_York", "3 Oct 2026"),
        ("serials", "2026-10-03T15:45:00-04:00", "America/New_York", "46298.65625"),
        ("serials", "2026-10-03", "America/New_York", "46298"),
        ("swiss", "2026-09-30T23:30:00-04:00", "Europe/Zurich", "01.10.2026 05:30"),
        ("swiss", "2026-01-30T23:30:00-05:00", "Europe/Zurich", "31.01.2026 05:30"),
        ("overlap", "2026-09-30T23:30:00-04:00", "UTC", "2026-10-01T03:30:00Z"),
        ("german", "", "UTC", ""),
    ],
)
def test_times_are_on_the_clock_of_the_way(way: str, text: str, zone: str, shown: str) -> None:
    assert date_cell(WAYS[way].dates, text, ZoneInfo(zone)) == shown


def test_dates_of_spreadsheets_stay_dates() -> None:
    zone = ZoneInfo("America/New_York")
    dates = WAYS["xlsx"].dates
    assert date_cell(dates, "2026-10-03", zone) == date(2026, 10, 3)
    moment = datetime(2026, 10, 3, 15, 45)  # noqa: DTZ001  (cells have no zone)
    assert date_cell(dates, "2026-10-03T15:45:00-04:00", zone) == moment


def test_same_shop_gives_the_same_text(one_of_each: Path, tmp_path: Path) -> None:
    for way, chosen in WAYS.items():
        if chosen.is_text:
            render_as(way, one_of_each / "clean", tmp_path / way, declared=True)
            for path in (tmp_path / way).iterdir():
                assert path.read_bytes() == (one_of_each / way / path.name).read_bytes()
