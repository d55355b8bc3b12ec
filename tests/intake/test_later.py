"""What is dated after the run's date is not known yet, so that a past night can be run again."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from tests.intake.folders import ORDERS, SHIPMENTS, column, csv_of, fates, read, source, write

NIGHT = date(2026, 1, 10)
WHOLE = ",customer_paid_at,customer_paid,refunded_at,refunded,refunded_qty,cancelled_at"


def _orders(folder: Path, header: str, *rows: str) -> pd.DataFrame:
    return read(write(folder, {"orders.csv": csv_of(header, *rows)}), NIGHT).records["orders"]


def test_rows_after_the_date_are_left_out_and_counted(tmp_path: Path) -> None:
    rows = [f"{n},2026-01-{n},LAN-1,1,2.50,EUR" for n in ("09", "10", "11", "12")]
    found = read(write(tmp_path, {"orders.csv": csv_of(ORDERS, *rows)}), NIGHT)
    assert fates(found) == [{"later": 2, "accepted": 2}]


def test_a_row_is_later_by_the_shops_calendar(tmp_path: Path) -> None:
    rows = ["1,2026-01-10 23:30-05:00,LAN-1,1,2.50,EUR", "2,2026-01-10 23:30Z,LAN-1,1,2.50,EUR"]
    assert column(_orders(tmp_path, ORDERS, *rows), "order_ref") == ["2"]


def test_later_cells_read_as_blank_with_their_companions(tmp_path: Path) -> None:
    early = "1,2026-01-02,LAN-1,1,2.50,EUR,2026-01-10,9.00,2026-01-11,4.00,1,"
    late = "2,2026-01-02,LAN-1,1,2.50,EUR,2026-01-11,9.00,2026-01-10,4.00,1,2026-01-12"
    frame = _orders(tmp_path, ORDERS + WHOLE, early, late)
    assert column(frame, "customer_paid_minor") == [900, None]
    assert frame["customer_paid_date"].isna().tolist() == [False, True]
    assert column(frame, "refunded_minor") == [None, 400]
    assert column(frame, "refunded_qty") == [None, 1]
    assert frame["cancelled_date"].isna().all()


def test_a_later_date_of_the_whole_order_blanks_all_its_rows(tmp_path: Path) -> None:
    head = ORDERS + ",refunded_at,refunded_qty"
    rows = ["1,2026-01-02,LAN-1,2,2.50,EUR,2026-01-11,", "1,2026-01-02,LAN-2,2,2.50,EUR,,2"]
    assert column(_orders(tmp_path, head, *rows), "refunded_qty") == [None, None]


def test_a_later_date_blanks_no_other_order_where_a_file_lacks_the_store(tmp_path: Path) -> None:
    head = ORDERS + ",refunded_at,refunded_qty"
    row = "2026-01-02,LAN-1,2,2.50,EUR,2026-01-{},1"
    files = {
        "orders-1.csv": csv_of(head, f"1,{row.format('09')}", f"2,{row.format('11')}"),
        "orders-2.csv": csv_of(head + ",store", f"3,{row.format('09')},eu"),
    }
    frame = read(write(tmp_path, files), NIGHT).records["orders"].sort_values("order_ref")
    assert column(frame, "refunded_qty") == [1, None, 1]


def test_a_tracking_number_is_not_known_before_it_was_posted(tmp_path: Path) -> None:
    head = ORDERS + ",tracking_no,tracking_posted_at,promised_by"
    row = "LAN-1,1,2.50,EUR,KX1,2026-01-{},2026-02-01"
    rows = [f"{n},2026-01-02,{row.format(day)}" for n, day in ((1, "10"), (2, "11"))]
    frame = _orders(tmp_path, head, *rows)
    assert column(frame, "tracking_no") == ["KX1", ""]
    assert frame["promised_date"].notna().all()


def test_a_later_delivery_is_not_known_and_its_parcel_is(tmp_path: Path) -> None:
    files = {
        "orders.csv": csv_of(ORDERS, "1,2026-01-02,LAN-1,1,2.50,EUR"),
        "shipments.csv": csv_of(SHIPMENTS + ",delivered_at", "kestrel,1,2026-01-05,2026-01-11"),
    }
    settings = source("orders") + source("shipments")
    frame = read(write(tmp_path, files, settings), NIGHT).records["shipments"]
    assert frame["delivered_date"].isna().tolist() == [True]


@pytest.mark.parametrize(
    ("extra", "covered"),
    [
        ("", date(2026, 1, 8)),
        ('covered_to = "last-row"', date(2026, 1, 8)),
        ('covered_to = "as-of"', NIGHT),
        ('covered_to = "2026-01-09"', date(2026, 1, 9)),
        ("covered_to = 2026-01-09", date(2026, 1, 9)),
        ('covered_to = "2026-01-20"', NIGHT),
    ],
)
def test_how_far_a_source_is_complete(tmp_path: Path, extra: str, covered: date) -> None:
    rows = [f"1,2026-01-{day},LAN-{day},1,2.50,EUR" for day in ("02", "08", "15")]
    found = read(
        write(tmp_path, {"orders.csv": csv_of(ORDERS, *rows)}, source("orders", extra)), NIGHT
    )
    assert found.covered == {"orders": covered}


def test_a_record_is_complete_as_far_as_its_least_complete_source(tmp_path: Path) -> None:
    second = source("orders", 'covered_to = "2026-01-05"', files="other")
    second = second.replace('name = "orders"', 'name = "other"')
    row = "1,2026-01-08,LAN-1,1,2.50,EUR"
    files = {"orders.csv": csv_of(ORDERS, row), "other.csv": csv_of(ORDERS)}
    found = read(write(tmp_path, files, source("orders") + second), NIGHT)
    assert found.covered == {"orders": date(2026, 1, 5)}


def test_without_a_row_nobody_knows_how_far_orders_are_complete(tmp_path: Path) -> None:
    found = read(write(tmp_path, {"orders.csv": csv_of(ORDERS)}), NIGHT)
    assert found.covered == {"orders": None}
