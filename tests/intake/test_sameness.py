"""Exports overlap and do not write alike: one event counts once, whatever it is written like."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.intake.load import Intake
from tests.intake.folders import ORDERS, column, csv_of, read, source, write

pytestmark = pytest.mark.no_cover

INVOICES = "supplier,invoice_no,invoice_date,order_ref,sku,qty,unit_cost,currency"
PAYMENTS = "supplier,payment_ref,paid_at,amount,currency"
SHIPMENTS = "supplier,order_ref,shipped_at,sku,qty,tracking_no"
KESTREL = '[suppliers.kestrel]\nnames = ["Kestrel Goods Co"]\n'

INVOICE = "kestrel,INV-1,2026-01-05,1001,LAN-1,1,2.50,EUR"
PAYMENT = "kestrel,P-1,2026-01-05,2.50,EUR"
SHIPMENT = "kestrel,1001,2026-01-05,LAN-1,1,RA1"
ORDER = "1001,2026-01-05,LAN-1,1,2.50,EUR"


def _two(folder: Path, record: str, older: str, newer: str, extra: str = "") -> Intake:
    """Two files of a source; the newer one ends with a row of a later date."""
    files = {f"{record}-1.csv": older, f"{record}-2.csv": newer}
    settings = KESTREL + source(record, extra) + ("" if record == "orders" else source("orders"))
    orders = {} if record == "orders" else {"orders.csv": csv_of(ORDERS, ORDER)}
    return read(write(folder, files | orders, settings))


def _counted(found: Intake, record: str) -> int:
    """The rows that count, without the one that dates the newer file."""
    return len(found.records[record]) - 1


def _later(row: str) -> str:
    return row.replace("2026-01-05", "2026-01-20").replace("1", "9", 1)


@pytest.mark.parametrize(
    ("record", "header", "row", "again"),
    [
        ("invoices", INVOICES, INVOICE, INVOICE.replace("kestrel", "Kestrel Goods Co")),
        ("invoices", INVOICES, INVOICE, INVOICE.replace("kestrel", "KESTREL")),
        ("invoices", INVOICES, INVOICE, INVOICE.replace("1001", "#1001")),
        ("invoices", INVOICES, INVOICE, INVOICE.replace("INV-1", "#inv-1")),
        ("shipments", SHIPMENTS, SHIPMENT, SHIPMENT.replace("1001", "01001")),
        ("invoices", INVOICES + ",kind", INVOICE + ",", INVOICE + ",Invoice"),
        ("invoices", INVOICES + ",replacement", INVOICE + ",", INVOICE + ",no"),
        ("payments", PAYMENTS + ",kind", PAYMENT + ",", PAYMENT + ",payment"),
        ("payments", PAYMENTS + ",status", PAYMENT + ",", PAYMENT + ",SETTLED"),
        ("payments", PAYMENTS + ",order_ref", PAYMENT + ",1;2;3", PAYMENT + ",3; #1;02"),
        ("payments", PAYMENTS + ",invoice_no", PAYMENT + ",A-1;A-2", PAYMENT + ",a-2;a-1"),
        ("orders", ORDERS + ",line_no", ORDER + ",1", ORDER + ",01"),
    ],
)
def test_other_spellings_are_repeats(
    tmp_path: Path, record: str, header: str, row: str, again: str
) -> None:
    found = _two(tmp_path, record, csv_of(header, row), csv_of(header, again, _later(row)))
    assert _counted(found, record) == 1
    assert found.changes.empty


@pytest.mark.parametrize(
    ("record", "header", "row", "other"),
    [
        ("orders", ORDERS, ORDER, "#" + ORDER),
        ("payments", PAYMENTS + ",order_ref", PAYMENT + ",1;2", PAYMENT + ",1;3"),
        ("payments", PAYMENTS + ",order_ref", PAYMENT + ",1;2", PAYMENT + ",1;2;3"),
        ("invoices", INVOICES + ",kind", INVOICE + ",", INVOICE + ",credit"),
        ("invoices", INVOICES + ",replacement", INVOICE + ",", INVOICE + ",yes"),
        ("orders", ORDERS + ",line_no", ORDER + ",1", ORDER + ",2"),
        ("orders", ORDERS + ",store", ORDER + ",eu", ORDER + ",us"),
        ("orders", ORDERS + ",store", ORDER + ",", _later(ORDER).replace("9001", "1001") + ",us"),
    ],
)
def test_other_values_are_other_rows(
    tmp_path: Path, record: str, header: str, row: str, other: str
) -> None:
    found = _two(tmp_path, record, csv_of(header, row), csv_of(header, other, _later(row)))
    assert _counted(found, record) == 2


@pytest.mark.parametrize(
    ("record", "header", "row", "name", "value"),
    [
        ("orders", ORDERS, ORDER, "line_no", "1"),
        ("orders", ORDERS, ORDER, "store", "eu"),
        ("invoices", INVOICES, INVOICE, "kind", "credit"),
        ("invoices", INVOICES, INVOICE, "replacement", "yes"),
        ("payments", PAYMENTS, PAYMENT, "kind", "refund"),
        ("payments", PAYMENTS, PAYMENT, "order_ref", "1001"),
        ("payments", PAYMENTS, PAYMENT, "invoice_no", "INV-1"),
        ("shipments", SHIPMENTS, SHIPMENT, "replacement", "yes"),
    ],
)
def test_a_column_of_the_key_that_one_file_lacks(
    tmp_path: Path, record: str, header: str, row: str, name: str, value: str
) -> None:
    lacking, bringing = header, f"{header},{name}"
    for number, (older, newer) in enumerate(
        [
            (csv_of(lacking, row), csv_of(bringing, f"{row},{value}", f"{_later(row)},{value}")),
            (csv_of(bringing, f"{row},{value}"), csv_of(lacking, row, _later(row))),
        ]
    ):
        found = _two(tmp_path / str(number), record, older, newer)
        assert _counted(found, record) == 1
        assert found.changes.empty
        [kept] = found.records[record].query("row == 2").to_dict("records")
        assert str(kept[name]) == value.replace("yes", "True")


@pytest.mark.parametrize(
    ("record", "header", "row", "value"),
    [
        ("payments", PAYMENTS + ",invoice_no", PAYMENT, "INV-1"),
        ("payments", PAYMENTS + ",order_ref", PAYMENT, "1001"),
        ("orders", ORDERS + ",line_no", ORDER, "1"),
        ("orders", ORDERS + ",store", ORDER, "eu"),
    ],
)
def test_a_cell_of_the_key_that_is_filled_in_later(
    tmp_path: Path, record: str, header: str, row: str, value: str
) -> None:
    older, newer = csv_of(header, f"{row},"), csv_of(header, f"{row},{value}", f"{_later(row)},")
    found = _two(tmp_path, record, older, newer)
    assert _counted(found, record) == 1
    assert len(found.changes) == 1


def test_lines_of_one_sku_stay_as_many_as_the_file_shows_that_shows_most(tmp_path: Path) -> None:
    two = [ORDER, ORDER.replace(",1,2.50", ",2,2.50")]
    newer = csv_of(ORDERS + ",line_no", f"{two[0]},1", f"{two[1]},2", f"{_later(ORDER)},1")
    found = _two(tmp_path / "a", "orders", csv_of(ORDERS, *two), newer)
    assert sorted(map(str, column(found.records["orders"], "line_no"))) == ["1", "1", "2"]
    older = csv_of(ORDERS + ",line_no", f"{two[0]},1", f"{two[1]},2")
    found = _two(tmp_path / "b", "orders", older, csv_of(ORDERS, two[1], _later(ORDER)))
    assert _counted(found, "orders") == 2
    assert sorted(map(str, column(found.records["orders"], "qty"))) == ["1", "1", "2"]


def test_a_file_that_shows_both_tells_them_apart(tmp_path: Path) -> None:
    header = PAYMENTS + ",order_ref"
    newer = csv_of(header, f"{PAYMENT},", f"{PAYMENT},1001", f"{_later(PAYMENT)},")
    found = _two(tmp_path, "payments", csv_of(header, f"{PAYMENT},"), newer)
    assert _counted(found, "payments") == 2


def test_a_replacement_told_by_its_suffix_is_no_repeat_of_the_first_parcel(tmp_path: Path) -> None:
    extra = '[source.refs]\nreplacement_suffix = ["-R"]'
    row, again = INVOICE, INVOICE.replace("1001", "1001-R")
    newer = csv_of(INVOICES, again, _later(row))
    found = _two(tmp_path, "invoices", csv_of(INVOICES, row), newer, extra)
    assert _counted(found, "invoices") == 2


def test_a_flag_that_cannot_be_read_is_no_repeat_of_one_that_says_no(tmp_path: Path) -> None:
    header = SHIPMENTS + ",replacement"
    newer = csv_of(header, f"{SHIPMENT},perhaps", f"{_later(SHIPMENT)},no")
    found = _two(tmp_path, "shipments", csv_of(header, f"{SHIPMENT},no"), newer)
    assert _counted(found, "shipments") == 1
    assert len(found.rejected) == 1
