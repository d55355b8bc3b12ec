"""Totals at the foot of a file: no records, and what they state has to be so."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.nightly import run_nightly
from tests.intake.folders import AS_OF, column, csv_of, fates, orders, read, rejects, source, write

HEADER = "order_ref,ordered_at,sku,qty,unit_price,currency,order_total"
A = "1,2026-01-02,LAN-1,2,2.50,EUR,5.00"
B = "2,2026-01-03,LAN-2,1,7.00,EUR,7.00"


@pytest.mark.parametrize(
    "total",
    [
        "Total,,,3,,,12.00",
        "TOTAL:,,,3,,,12.00",
        "Summe,,,3,,,12.00",
        "Total général,,,3,,,12.00",
        "Suma,,,3,,,12.00",
        "Grand total,,,3,,EUR,12.00",
        ",,Total,3,,,12.00",
        ",Totals,,3,,,12.00",
        ",,,3,,,12.00",
    ],
)
def test_totals_are_no_records_and_agree(tmp_path: Path, total: str) -> None:
    found = orders(tmp_path, A, B, "", total, header=HEADER)
    assert fates(found) == [{"accepted": 2, "totals": 1, "blank": 1}]
    assert found.totals.empty


def test_a_total_that_differs_is_said_with_both_figures(tmp_path: Path) -> None:
    found = orders(tmp_path, A, B, "Total,,,3,,,12.01", header=HEADER)
    [told] = found.totals.to_dict("records")
    assert (told["file"], told["row"], told["column"]) == ("orders.csv", 4, "order_total")
    assert (told["stated"], told["found"]) == ("12.01", "12.00")


def test_a_row_that_was_rejected_is_missing_in_the_total(tmp_path: Path) -> None:
    found = orders(tmp_path, A, B.replace("7.00,EUR,7.00", "7.00,EUR,x"), "Total,,,3,,,12.00",
                   header=HEADER)  # fmt: skip
    assert [told["found"] for told in found.totals.to_dict("records")] == ["5.00"]


def test_a_value_of_the_whole_order_may_be_added_up_once_an_order(tmp_path: Path) -> None:
    rows = (A, A.replace("LAN-1", "LAN-2"), B)
    for total in ("Total,,,5,,,12.00", "Total,,,5,,,17.00"):
        assert orders(tmp_path, *rows, total, header=HEADER).totals.empty
    assert not orders(tmp_path, *rows, "Total,,,5,,,13.00", header=HEADER).totals.empty


@pytest.mark.parametrize("end", ["\n", ""])
def test_totals_with_fewer_cells_than_the_header(tmp_path: Path, end: str) -> None:
    for total, stated in (("Total,,,3", []), ("Summe,,,4", ["4"]), ("Total", [])):
        text = "\n".join([HEADER, A, B, total]) + end
        found = read(write(tmp_path, {"orders.csv": text}))
        assert fates(found) == [{"accepted": 2, "totals": 1}]
        assert list(found.totals["stated"]) == stated


def test_short_rows_that_are_no_totals_are_rejected(tmp_path: Path) -> None:
    for row in ("Total-1,,,3", "3,2026-01-04", "Maren,,"):
        assert fates(orders(tmp_path, A, B, row, header=HEADER)) == [{"accepted": 2, "rejected": 1}]
    assert fates(orders(tmp_path, A, "Total,,,2", B, header=HEADER)) == [
        {"accepted": 2, "rejected": 1}
    ]


def test_a_total_of_one_currency(tmp_path: Path) -> None:
    rows = (A, B.replace("EUR", "USD"), "Total EUR,,,2,,,5.00", "Total USD,,,1,,,7.00")
    assert orders(tmp_path, *rows, header=HEADER).totals.empty


def test_a_total_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    found = orders(tmp_path, A, B, 'Total,,,3,,,"12,x"', header=HEADER)
    assert [told["stated"] for told in found.totals.to_dict("records")] == ["12,x"]


def test_several_totals_at_the_foot(tmp_path: Path) -> None:
    found = orders(tmp_path, A, B, "Subtotal,,,3,,,12.00", "Total,,,3,,,12.00", header=HEADER)
    assert fates(found) == [{"accepted": 2, "totals": 2}]


def test_totals_in_the_form_of_the_column(tmp_path: Path) -> None:
    rows = [row.replace(",", ";").replace(".", ",") for row in (A, B, "Total,,,3,,,12.00")]
    found = orders(tmp_path, *rows, header=HEADER.replace(",", ";"))
    assert found.totals.empty
    assert column(found.records["orders"], "order_total_minor") == [500, 700]


@pytest.mark.parametrize(
    "row",
    [
        "3,2026-01-04,,1,1.00,EUR,1.00",  # a record without its SKU
        ",2026-01-04,LAN-1,1,1.00,EUR,1.00",
        "Total-3,,LAN-1,1,1.00,EUR,1.00",
        "3,,LAN-1,1,1.00,EUR,1.00",
    ],
)
def test_a_record_that_lacks_something_is_rejected_and_no_total(tmp_path: Path, row: str) -> None:
    found = orders(tmp_path, A, B, row, header=HEADER)
    assert fates(found) == [{"accepted": 2, "rejected": 1}]
    assert len(rejects(found)) == 1


@pytest.mark.parametrize(
    "row",
    [
        ",,,4,,,11.99,,",  # numbers alone that do not add up
        ",,,4,,EUR,,,",
        ",,,3,12.00,,,,",  # a line without its names, of as many as there are above
        "3,,,,,EUR,,Total Parcels,",  # words of totals in the name of something
        ",,Total,3,,EUR,12.00,,IE",
        ",,,3,,EUR,12.00,,IE",
        ",,,3,,EUR,12.00,RA1,",
    ],
)
def test_a_row_that_is_not_surely_a_total_is_told(tmp_path: Path, row: str) -> None:
    header = HEADER + ",tracking_no,ship_to_country"
    found = orders(tmp_path, f"{A},,", f"{B},,", row, header=header)
    assert fates(found) == [{"accepted": 2, "rejected": 1}]
    assert [row for _, row, _, _ in rejects(found)] == [4]


def test_numbers_alone_below_totals_by_a_word_add_up_with_the_records(tmp_path: Path) -> None:
    found = orders(tmp_path, A, B, "Total,,,3,,,12.00", ",,,3,,,12.00", header=HEADER)
    assert fates(found) == [{"accepted": 2, "totals": 2}]


def test_payments_without_a_reference_are_no_totals(tmp_path: Path) -> None:
    header = "supplier,payment_ref,paid_at,amount,currency,order_ref"
    rows = ("kestrel,P-1,2026-01-05,5.00,EUR,1", ",,,5.00,EUR,2")
    files = {"payments.csv": csv_of(header, *rows), "orders.csv": csv_of(HEADER, A)}
    found = read(write(tmp_path, files, source("orders") + source("payments")))
    assert fates(found)[1] == {"accepted": 1, "rejected": 1}


def test_prices_for_larger_quantities_are_no_totals(tmp_path: Path) -> None:
    header = "supplier,sku,unit_cost,currency,min_qty,dispatch_days"
    rows = ("kestrel,LAN-1,5.00,EUR,1,3", ",,4.50,EUR,10,3", ",,4.00,EUR,50,3")
    files = {"quotes.csv": csv_of(header, *rows), "orders.csv": csv_of(HEADER, A)}
    found = read(write(tmp_path, files, source("orders") + source("quotes")))
    assert fates(found)[1] == {"accepted": 1, "rejected": 2}


@pytest.mark.parametrize(
    "total",
    ["kestrel,Total,2026-01-31,12.00,EUR", ",Summe,2026-01-31,12.00,", "Total,Total,,12.00,EUR"],
)
def test_a_word_in_the_place_of_the_reference_makes_totals(tmp_path: Path, total: str) -> None:
    header = "supplier,payment_ref,paid_at,amount,currency"
    rows = ("kestrel,P-1,2026-01-05,5.00,EUR", "kestrel,P-2,2026-01-05,7.00,EUR", total)
    files = {"payments.csv": csv_of(header, *rows), "orders.csv": csv_of(HEADER, A)}
    found = read(write(tmp_path, files, source("orders") + source("payments")))
    assert fates(found)[1] == {"accepted": 2, "totals": 1}
    assert found.totals.empty


def test_totals_above_the_last_record_are_rejected(tmp_path: Path) -> None:
    found = orders(tmp_path, A, "Total,,,2,,,5.00", B, header=HEADER)
    assert fates(found) == [{"accepted": 2, "rejected": 1}]


def test_a_night_says_that_totals_differ(tmp_path: Path) -> None:
    text = csv_of(HEADER, A, B, "Total,,,3,,,99.00")
    folder = write(tmp_path / "shop", {"orders.csv": text}, source("orders"))
    contents, _ = run_nightly(folder, lambda _: AS_OF, tmp_path / "out", lambda _: None)
    told = contents.exceptions[contents.exceptions["rule"] == "totals-differ"]
    assert list(told["verdict"]) == ["open"]
    assert "99.00" in told["explanation"].iloc[0]
    assert "12.00" in told["explanation"].iloc[0]
    assert told["evidence"].iloc[0] == "orders.csv row 4"


def test_the_rejected_rows_can_be_mended_and_read_again(tmp_path: Path) -> None:
    header = HEADER.replace("order_ref", "Order") + ",E-mail"
    bad = '=3,2026-01-04,"a ""b"", c",two,1.00,EUR,-1.00,odalys@pigeonpost.example'
    settings = source("orders", '[source.columns]\norder_ref = "Order"')
    folder = write(tmp_path / "shop", {"orders-1.csv": csv_of(header, A + ",", bad)}, settings)
    run_nightly(folder, lambda _: AS_OF, tmp_path / "out", lambda _: None)
    written = tmp_path / "out" / "rejected" / "orders-1.csv"
    text = written.read_text(encoding="utf-8")
    assert "two" in text
    assert "pigeonpost" not in text
    mended = text.replace("two", "2").replace("-1.00", "1.00")
    (folder / "orders-2.csv").write_text(mended, encoding="utf-8")
    found = read(folder).records["orders"]
    assert column(found, "sku") == ["LAN-1", 'a "b", c']
    assert column(found, "order_ref")[1] == "=3"


def test_totals_of_a_part_in_mid_file_are_no_payments(tmp_path: Path) -> None:
    header = "supplier,payment_ref,paid_at,amount,currency"
    rows = (
        "kestrel,P-1,2026-01-05,5.00,EUR",
        "kestrel,Total kestrel,2026-01-31,5.00,EUR",
        "alder,P-2,2026-01-05,7.00,EUR",
    )
    files = {"payments.csv": csv_of(header, *rows), "orders.csv": csv_of(HEADER, A)}
    found = read(write(tmp_path, files, source("orders") + source("payments")))
    assert fates(found)[1] == {"accepted": 2, "rejected": 1}
    assert rejects(found) == [("payments.csv", 3, "payment_ref", "Total kestrel")]
