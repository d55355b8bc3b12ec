"""Files that cannot be used: empty, binary, of another encoding, or with other headers."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.intake.folders import ORDERS, csv_of, only_problem, read, source, write

ROW = "1,2026-01-02,LAN-1,1,2.50,EUR"
GOOD = {"orders.csv": csv_of(ORDERS, ROW)}
FORMAT = "[source.format]\n"


@pytest.mark.parametrize(
    ("data", "what", "mend"),
    [
        (b"", "the file is empty", "Export it again"),
        (b" \r\n \n", "the file is empty", "Export it again"),
        (b"\xef\xbb\xbf", "the file is empty", "Export it again"),
        (b"PK\x03\x04\x00\x00" * 99, "is a zip archive", "export it again"),
        (bytes(range(128)), "is not text", "as CSV"),
        (b"\x89PNG\r\n\x1a\n", "is a picture", "as CSV"),
    ],
)
def test_files_that_are_no_csv(tmp_path: Path, data: bytes, what: str, mend: str) -> None:
    problem = only_problem(write(tmp_path, {"orders.csv": data}))
    assert problem.place == "orders.csv"
    assert what in problem.what
    assert mend in problem.mend


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig", "cp1252"])
def test_an_encoding_that_is_not_declared_is_found(tmp_path: Path, encoding: str) -> None:
    data = csv_of(ORDERS, ROW.replace("LAN-1", "Öllampe")).encode(encoding)
    found = read(write(tmp_path, {"orders.csv": data}))
    assert list(found.records["orders"]["sku"]) == ["Öllampe"]
    assert f"encoding '{encoding.removesuffix('-sig')}'" in found.files["format"][0]


def test_a_byte_that_does_not_fit_the_declared_encoding(tmp_path: Path) -> None:
    data = csv_of(ORDERS, ROW, "é" + ROW).encode("cp1252")
    settings = source("orders", FORMAT + 'encoding = "utf-8"')
    problem = only_problem(write(tmp_path, {"orders.csv": data}, settings))
    assert problem.row == 3
    assert "byte 0xe9" in problem.what


@pytest.mark.parametrize(
    ("header", "extra", "what", "mend"),
    [
        (ORDERS.replace("sku", "SKU"), "", "no column 'sku' for sku", "Is it 'SKU'?"),
        (ORDERS.replace("order_ref", "Order Ref"), "", "'order_ref'", "Is it 'Order Ref'?"),
        (ORDERS.replace("qty", "pieces"), "", "'qty' for qty", "[source.columns]"),
        (ORDERS.replace("qty", "pieces"), "", "'qty' for qty", "[source.values]"),
        (ORDERS.replace("sku", "Item no"), '[source.columns]\nsku = "Item no."', "'Item no.'",
         "Did you mean 'Item no'?"),
        (ORDERS, '[source.columns]\nsku = ["Article", "Item"]', "'Article' or 'Item'", "sku"),
        (ORDERS, '[source.columns]\nstore = "Shop"', "no column 'Shop' for store", "Known here"),
        (ORDERS + ",sku", "", "more than one column could be sku", "occurs once"),
        (ORDERS + ",Item", '[source.columns]\nsku = ["Item", "sku"]', "'Item', 'sku'", "once"),
    ],
)  # fmt: skip
def test_headers_that_do_not_fit(
    tmp_path: Path, header: str, extra: str, what: str, mend: str
) -> None:
    files = {"orders.csv": csv_of(header, ROW)}
    problem = only_problem(write(tmp_path, files, source("orders", extra)))
    assert (problem.place, problem.row) == ("orders.csv", 1)
    assert what in problem.what
    assert mend in problem.mend


def test_a_header_twice_that_is_not_read_does_no_harm(tmp_path: Path) -> None:
    files = {"orders.csv": csv_of(ORDERS + ",note,note", ROW + ",,")}
    assert list(read(write(tmp_path, files)).files["accepted"]) == [1]


def test_a_header_row_below_the_end(tmp_path: Path) -> None:
    problem = only_problem(write(tmp_path, GOOD, source("orders", FORMAT + "header_row = 9")))
    assert "there is no row 9" in problem.what
