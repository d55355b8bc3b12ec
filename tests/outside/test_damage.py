"""What spreadsheets do to identifiers, in the files of a shop: it is said, and never matches.

Sources: Microsoft KB 269370 (the last digits of long numbers become zeros), Microsoft, "Excel
specifications and limits" (15 significant digits), Microsoft, "Keeping leading zeros and large
numbers" (00123 becomes 123, 10e5 becomes a number; the page's title is from memory).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.intake.load import Intake
from tests.intake.folders import ORDERS, PAYMENTS, csv_of, read, rejects, source, write
from tests.intake.workbook_files import sheet_xml, xlsx, xlsx_of

Value = str | float
ORDER: list[Value] = ["2026-01-02", "LAN-1", 1, 2.5, "EUR"]
BOTH = source("orders") + source("payments")


def shop(folder: Path, kind: str, ordered: Value, paid: Value) -> Intake:
    """A shop with one sound order, one that may be damaged, and a payment for that one."""
    orders: list[list[Value]] = [[*ORDERS.split(",")], ["LL-1", *ORDER], [ordered, *ORDER]]
    payments: list[list[Value]] = [
        [*PAYMENTS.split(",")],
        ["kestrel", "P1", "2026-01-03", 2.5, "EUR", paid],
    ]
    folder.mkdir()
    tables = {"orders": orders, "payments": payments}
    for name, rows in tables.items():
        if kind == "xlsx":
            xlsx_of(folder / f"{name}.xlsx", rows)
        else:
            lines = [",".join(map(str, row)) for row in rows]
            (folder / f"{name}.csv").write_text(csv_of(*lines), encoding="utf-8")
    return read(write(folder, {}, BOTH))


def keys(intake: Intake) -> tuple[set[str], set[str]]:
    """What orders and payments are compared by."""
    orders = set(intake.records["orders"]["order_ref_key"])
    return orders, set(intake.parts["payments", "order_ref"]["key"])


# What a cell of an .xlsx, or of a CSV that a spreadsheet has saved, holds after the damage.
@pytest.mark.parametrize(
    ("kind", "damaged", "shown", "why"),
    [
        ("xlsx", 1111222233334440, "1.11122223333444E+15", "its last digits are gone"),
        ("csv", "1.11122E+15", "1.11122E+15", "its last digits are gone"),
        ("csv", "1111222233334440", "1111222233334440", "has put zeros behind them"),
        ("xlsx", 9.4e21, "9.4E+21", "its last digits are gone"),
        ("csv", "9.40E+21", "9.40E+21", "its last digits are gone"),
        ("csv", "1.00E+06", "1.00E+06", "its last digits are gone"),
        ("xlsx", 10**15, "1E+15", "its last digits are gone"),
        ("xlsx", "1111222233334440", "1111222233334440", "has put zeros behind them"),
    ],
)
def test_a_damaged_reference_is_said_and_never_matches(
    tmp_path: Path, kind: str, damaged: Value, shown: str, why: str
) -> None:
    intake = shop(tmp_path / "shop", kind, damaged, damaged)
    assert rejects(intake) == [(f"orders.{kind}", 3, "order_ref", shown)]
    assert why in intake.rejected["expected"].iloc[0]
    [note] = intake.notes.to_dict("records")
    assert (note["file"], note["row"], note["column"]) == (f"payments.{kind}", 2, "order_ref")
    assert note["text"] == shown
    assert why in str(note["why"])
    orders, paid = keys(intake)
    assert orders == {"ll-1"}
    assert paid == set()
    assert len(intake.records["payments"]) == 1  # the money stands, for no order


@pytest.mark.parametrize("length", [14, 15])
@pytest.mark.parametrize("kind", ["xlsx", "csv"])
def test_fifteen_digits_are_sound(tmp_path: Path, kind: str, length: int) -> None:
    number = int("123456789012345"[:length])
    intake = shop(tmp_path / "shop", kind, number, str(number))
    assert len(intake.rejected) == len(intake.notes) == 0
    orders, paid = keys(intake)
    assert orders - {"ll-1"} == paid == {str(number)}


def test_sixteen_digits_are_sound_as_text(tmp_path: Path) -> None:
    intake = shop(tmp_path / "shop", "xlsx", "1111222233334444", "1111222233334444")
    assert len(intake.rejected) == len(intake.notes) == 0
    orders, paid = keys(intake)
    assert orders - {"ll-1"} == paid == {"1111222233334444"}


def test_a_damaged_reference_does_not_match_the_sound_one(tmp_path: Path) -> None:
    intake = shop(tmp_path / "shop", "xlsx", "1111222233334444", 1111222233334440)
    orders, paid = keys(intake)
    assert orders - {"ll-1"} == {"1111222233334444"}
    assert paid == set()
    assert list(intake.notes["file"]) == ["payments.xlsx"]


@pytest.mark.parametrize("kind", ["xlsx", "csv"])
def test_lost_zeros_are_told_by_nothing_and_harm_nothing(tmp_path: Path, kind: str) -> None:
    """00123 that has become 123: references are compared without leading zeros."""
    intake = shop(tmp_path / "shop", kind, "00123", 123)
    orders, paid = keys(intake)
    assert orders - {"ll-1"} == paid == {"123"}
    assert intake.records["orders"]["order_ref"].tolist() == ["LL-1", "00123"]
    assert len(intake.rejected) == len(intake.notes) == 0


def test_a_code_with_an_e_is_sound_and_no_number(tmp_path: Path) -> None:
    """10e5 as text stays; once it is a number it is another reference."""
    intake = shop(tmp_path / "shop", "xlsx", "10e5", 10e5)
    orders, paid = keys(intake)
    assert orders - {"ll-1"} == {"10e5"}
    assert paid == {"1000000"}


def test_an_article_and_a_parcel_are_held_to_the_same(tmp_path: Path) -> None:
    header = "supplier,order_ref,shipped_at,sku,tracking_no"
    parcels = [
        "kestrel,LL-1,2026-01-03,1.23457E+12,340434161094000000",
        "kestrel,LL-1,2026-01-04,LAN-1,3.40434E+17",
        "kestrel,LL-1,2026-01-05,LAN-1,RA473124829GB",
    ]
    orders = csv_of(ORDERS, "LL-1,2026-01-02,1.23457E+12,1,2.5,EUR")
    files = {"orders.csv": orders, "shipments.csv": csv_of(header, *parcels)}
    settings = source("orders") + source("shipments")
    intake = read(write(tmp_path / "shop", files, settings))
    assert rejects(intake) == [("orders.csv", 2, "sku", "1.23457E+12")]
    places = intake.notes[["row", "column", "text"]].itertuples(index=False, name=None)
    assert sorted(places) == [(2, "sku", "1.23457E+12")]
    shipments = intake.records["shipments"]
    # A number is kept, since a rule of its own tells which one was damaged.
    numbers = ["340434161094000000", "3.40434E+17", "RA473124829GB"]
    assert shipments["tracking_no"].tolist() == numbers
    assert shipments["tracking_damaged"].tolist() == [True, True, False]
    assert shipments["sku_key"].tolist() == ["", "lan-1", "lan-1"]


def test_a_reference_that_became_a_date(tmp_path: Path) -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(ORDERS.split(","))
        sheet.append(["LL-1", *ORDER])
        sheet.append(["LL-2", *ORDER])
        sheet["A3"] = 46082  # 1 March 2026, as 1-3 is stored
        sheet["A3"].number_format = "d-mmm"

    folder = write(tmp_path / "shop", {}, source("orders"))
    xlsx(folder / "orders.xlsx", fill)
    intake = read(folder)
    assert rejects(intake) == [("orders.xlsx", 3, "order_ref", "2026-03-01")]
    assert "for a date" in intake.rejected["expected"].iloc[0]


def test_more_digits_than_a_spreadsheet_writes(tmp_path: Path) -> None:
    """A program that is no spreadsheet may store all digits; what reads them keeps 15 or 16."""
    names = b"".join(b'<c t="str"><v>%b</v></c>' % name.encode() for name in ORDERS.split(","))
    row = (
        b'<row r="2"><c><v>1111222233334444</v></c><c t="str"><v>2026-01-02</v></c>'
        b'<c t="str"><v>LAN-1</v></c><c><v>1</v></c><c><v>2.5</v></c>'
        b'<c t="str"><v>EUR</v></c></row>'
    )
    folder = write(tmp_path / "shop", {}, source("orders"))
    sheet_xml(folder / "orders.xlsx", b'<row r="1">' + names + b"</row>" + row)
    assert rejects(read(folder)) == [("orders.xlsx", 2, "order_ref", "1.11122223333444E+15")]


def test_rows_are_counted_from_the_top_of_the_sheet(tmp_path: Path) -> None:
    """Empty rows above the header, which python-calamine leaves out unless it is told not to."""

    def fill(sheet: Worksheet) -> None:
        for at, name in enumerate(ORDERS.split(",")):
            sheet.cell(6, 3 + at, name)
            for row in (7, 9):
                sheet.cell(row, 3 + at, ["LL-1", *ORDER][at])
        sheet["C9"] = 9.4e21

    folder = write(tmp_path / "shop", {}, source("orders"))
    xlsx(folder / "orders.xlsx", fill)
    intake = read(folder)
    assert rejects(intake) == [("orders.xlsx", 9, "order_ref", "9.4E+21")]
    assert intake.records["orders"]["row"].tolist() == [7]
    assert intake.files["rows"].tolist() == [9]
    assert "header row '6'" in intake.files["format"].iloc[0]


def test_the_limits_of_a_spreadsheet(tmp_path: Path) -> None:
    """A cell of 32,767 characters is the longest; a text of that length is read whole."""
    folder = write(tmp_path / "shop", {}, source("orders"))
    header = [*ORDERS.split(","), "note"]
    xlsx_of(folder / "orders.xlsx", [header, ["LL-1", *ORDER, "x" * 32_767]])
    assert len(read(folder).records["orders"]) == 1
