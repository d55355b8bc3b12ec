"""A file that is typed block by block and put on disk reads as one that is typed at once."""

from __future__ import annotations

from dataclasses import fields
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from reconcile.intake.load import Intake, load
from reconcile.matching.groups import GROUPED
from reconcile.portions.shelf import Shelf
from reconcile.shop import Shop
from reconcile.shop_file import load_shop
from tests.bench.processes import REPOSITORY
from tests.bench.spoil import spoil
from tests.intake.folders import ORDERS, PAYMENTS, SHIPMENTS, csv_of, source, write
from tests.shops import build_shop

pytestmark = pytest.mark.no_cover

NIGHT = date(2026, 1, 10)
_ORDERS = ORDERS + ",store,ship_to_country,customer_paid_at,customer_paid,supplier,tracking_no"


def both(
    shop: Shop, as_of: date, rows: int, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> tuple[Intake, Intake]:
    """The shop read at once, and in blocks of so many rows; those wait on disk."""
    monkeypatch.setattr(Shelf, "at_once", rows)
    folder.mkdir()
    return load(shop, as_of), load(shop, as_of, Shelf(GROUPED, folder))


def same(whole: Intake, blocks: Intake) -> None:
    """Everything that is known of the files is the same."""
    assert list(whole.records) == list(dict.fromkeys([*whole.records, *blocks.records]))
    for name, frame in whole.records.items():
        pd.testing.assert_frame_equal(blocks.records[name], frame)
    assert whole.parts.keys() == blocks.parts.keys()
    for key, part in whole.parts.items():
        pd.testing.assert_frame_equal(blocks.parts[key], part)
    for one, other in zip(whole.originals, blocks.originals, strict=True):
        pd.testing.assert_frame_equal(other.rows, one.rows)
        assert (one.file, one.delimiter, one.above) == (other.file, other.delimiter, other.above)
    for each in fields(Intake):
        one, other = getattr(whole, each.name), getattr(blocks, each.name)
        if isinstance(one, pd.DataFrame):
            pd.testing.assert_frame_equal(other, one, obj=each.name)
        elif each.name in ("covered", "brought"):
            assert one == other


def test_the_sample_shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Several sources of a record, and several files of a source among them."""
    shop = load_shop(REPOSITORY / "sample_exports")
    same(*both(shop, date(2026, 10, 31), 200, tmp_path / "aside", monkeypatch))


def test_a_shop_with_malformed_values(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    truth = build_shop(tmp_path / "shop", orders=600, seed=7, fault_rate=0.004)
    spoil(tmp_path / "shop", tmp_path / "bad", seed=3)
    shop = load_shop(tmp_path / "bad")
    whole, blocks = both(shop, truth.as_of, 101, tmp_path / "aside", monkeypatch)
    assert len(whole.rejected) > 100
    assert len(whole.notes) > 5
    same(whole, blocks)


def test_rows_that_count_elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A date to come that stands in another block, totals, ragged and blank rows, notes."""
    paid = "2,2026-01-02,LAN-1,1,2.50,EUR,north,IE,{},9.00,Kestrel,"
    orders = csv_of(
        _ORDERS,
        paid.format("2026-01-05"),
        "1,2026-01-02,LAN-1,1,2.50,EUR,,Nowhere,,,Kestrel,1.23E+11",
        "3,2026-01-03,LAN-1,1,2.50,EUR",
        ",,,,,,,,,,,",
        "1,2026-01-02,LAN-2,x,2.50,EUR,,Elsewhere,,,Kestrel,",
        "4,2026-01-11,LAN-2,1,2.50,EUR,,IE,,,Kestrel,",
        paid.format("2026-01-12"),
        "6,2026-01-05,LAN-2,1,2.50,EUR,,Somewhere,,,Kestrel,",
        "5,2026-01-04,LAN-2,1,2.50,EURO,,Nowhere,,,Kestrel,",
        "Total,,,7,,,,,,18.00,,",
    )
    payments = csv_of(
        PAYMENTS,
        "Kestrel,P-1,2026-01-05,2.50,EUR,1;2",
        "Kestrel,P-2,2026-01-05,2.50,EUR,1E+11",
        "Kestrel,P-3,2026-01-06,2.50,EUR,2;3;4",
    )
    sent = csv_of(SHIPMENTS, *(f"Kestrel,{n},2026-01-0{n}" for n in range(1, 6)))
    files = {"orders.csv": orders, "payments.csv": payments, "shipments.csv": sent}
    settings = "".join(map(source, ("orders", "payments", "shipments")))
    shop = load_shop(write(tmp_path, files, settings))
    whole, blocks = both(shop, NIGHT, 2, tmp_path / "aside", monkeypatch)
    frame = whole.records["orders"]
    assert frame.loc[frame["order_ref"] == "2", "customer_paid_minor"].isna().sum() == 2
    assert whole.notes["text"].tolist() == ["Nowhere", "Somewhere", "1E+11"]
    assert len(whole.rejected) > 2
    same(whole, blocks)


def test_sources_that_bring_other_columns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [f"{n},2026-01-02,LAN-1,1,2.50,EUR" for n in range(5)]
    more = [
        f"N{n},2026-01-02,LAN-1,1,2.50,EUR,north,IE,2026-01-03,9,Kestrel,T{n}" for n in range(3)
    ]
    sent = csv_of(SHIPMENTS, "Kestrel,1,2026-01-03", "Kestrel,2,2026-01-03")
    again = csv_of(SHIPMENTS + ",qty,replacement", "Kestrel,3,2026-01-03,2,yes")
    files = {"a.csv": csv_of(ORDERS, *rows), "b.csv": csv_of(_ORDERS, *more)}
    files |= {"s.csv": sent, "t.csv": again}
    sources = zip("abst", ("orders", "orders", "shipments", "shipments"), strict=True)
    settings = "".join(
        f'[[source]]\nname = "{name}"\nrecord = "{record}"\nfiles = ["{name}.csv"]\n'
        for name, record in sources
    )
    shop = load_shop(write(tmp_path, files, settings))
    same(*both(shop, NIGHT, 2, tmp_path / "aside", monkeypatch))


def test_files_that_overlap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Repeats, a row that changed, and a date to come that stands in the other file."""
    head = ORDERS + ",cancelled_at"
    first = [f"{n},2026-01-0{n},LAN-1,1,2.50,EUR," for n in range(1, 6)]
    second = [f"{n},2026-01-0{n},LAN-1,1,2.50,EUR," for n in (3, 5, 6)]
    second += ["4,2026-01-04,LAN-1,2,2.50,EUR,", "2,2026-01-02,LAN-9,1,2.50,EUR,2026-01-12"]
    files = {"orders-1.csv": csv_of(head, *first), "orders-2.csv": csv_of(head, *second)}
    whole, blocks = both(
        load_shop(write(tmp_path, files)), NIGHT, 2, tmp_path / "aside", monkeypatch
    )
    assert whole.files["repeats"].sum() == 3
    assert whole.changes["order_ref"].tolist() == ["4"]
    same(whole, blocks)
