"""A cell that does not parse rejects its row: where it stands, what is there, what is expected."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.nightly import run_nightly
from tests.intake.folders import (
    AS_OF,
    ORDERS,
    PAYMENTS,
    column,
    csv_of,
    fates,
    orders,
    read,
    rejects,
    source,
    write,
)

pytestmark = pytest.mark.no_cover

GOOD = "1,2026-01-02,LAN-1,1,2.50,EUR"


@pytest.mark.parametrize(
    ("name", "text", "expected"),
    [
        ("order_ref", "", "a value; the cell is empty"),
        ("sku", " ", "a value; the cell is empty"),
        ("qty", "-1", "a whole number, 0 or more"),
        ("qty", "1.5", "a whole number, 0 or more"),
        ("qty", "", "a value; the cell is empty"),
        ("ordered_at", "2026-02-30", "a date, year-first"),
        ("ordered_at", "", "a value; the cell is empty"),
        ("unit_price", "-2.50", "an amount of 0 or more"),
        ("unit_price", "2;50", "an amount such as 1234.50"),
        ("unit_price", "0.1234567", "an amount such as 1234.50"),
        ("currency", "EURO", "a currency code of ISO 4217"),
        ("currency", "XXX", "a currency code of ISO 4217"),
        ("tax", "1.234", "no more decimals than the currency has"),
        ("tax", "1.230", "no more decimals than the currency has"),
        ("tax", "-1", "an amount of 0 or more"),
        ("refunded_qty", "one", "a whole number, 0 or more"),
        ("promised_by", "soon", "a date, year-first"),
    ],
)
def test_where_and_what_and_what_instead(
    tmp_path: Path, name: str, text: str, expected: str
) -> None:
    names = [*ORDERS.split(","), "tax", "refunded_qty", "promised_by"]
    cells = dict(zip(names, [*GOOD.split(","), "", "", ""], strict=True)) | {name: text}
    found = orders(tmp_path, GOOD + ",,,", ",".join(cells.values()), header=",".join(names))
    assert rejects(found) == [("orders.csv", 3, name, text)]
    assert list(found.rejected["expected"]) == [expected]
    assert list(found.rejected["source"]) == ["orders"]
    assert fates(found) == [{"rejected": 1, "accepted": 1}]


def test_the_decimals_of_each_currency(tmp_path: Path) -> None:
    rows = [
        f"{n},2026-01-02,LAN-1,1,1,{currency},{tax}"
        for n, (currency, tax) in enumerate(
            [("EUR", "1.2"), ("EUR", "1.2000"), ("JPY", "12"), ("JPY", "12.00"), ("BHD", "1.234"),
             ("JPY", "12.5"), ("BHD", "1.2345"), ("EUR", "1.234")]
        )
    ]  # fmt: skip
    found = orders(tmp_path, *rows, header=ORDERS + ",tax")
    assert column(found.records["orders"], "tax_minor") == [120, 120, 12, 12, 1234]
    assert [row for _, row, *_ in rejects(found)] == [7, 8, 9]


def test_a_row_with_several_bad_cells_is_rejected_once(tmp_path: Path) -> None:
    found = orders(tmp_path, "1,x,LAN-1,x,x,x", GOOD)
    assert [row for _, row, *_ in rejects(found)] == [2]


def test_rejected_rows_are_listed_by_file_and_row(tmp_path: Path) -> None:
    bad = GOOD.replace(",1,", ",x,")
    files = {
        "orders-b.csv": csv_of(ORDERS, GOOD.replace("1,", "5,", 1), bad.replace("1,", "6,", 1)),
        "orders-a.csv": csv_of(ORDERS, bad, "1,2", GOOD, bad.replace("LAN-1", "LAN-2")),
    }
    found = read(write(tmp_path, files))
    assert [(file, row) for file, row, *_ in rejects(found)] == [
        ("orders-a.csv", 2),
        ("orders-a.csv", 3),
        ("orders-a.csv", 5),
        ("orders-b.csv", 3),
    ]


def test_references_of_rejected_rows_are_kept_so_that_nothing_is_called_missing(
    tmp_path: Path,
) -> None:
    files = {
        "orders.csv": csv_of(ORDERS, GOOD),
        "payments.csv": csv_of(
            PAYMENTS + ",invoice_no",
            "kestrel,P1,2026-01-02,x,EUR,#0001; LL-7,I-1",
            "kestrel,P2,2026-01-02,1,EUR,8,",
        ),
    }
    settings = source("orders") + source("payments", '[source.refs]\nstrip_prefix = ["LL-"]')
    found = read(write(tmp_path, files, settings))
    named = found.rejected_keys[["record", "column", "key"]]
    assert sorted(named.itertuples(index=False, name=None)) == [
        ("payments", "invoice_no", "i-1"),
        ("payments", "order_ref", "1"),
        ("payments", "order_ref", "7"),
    ]


def test_the_parts_of_a_cell_stay_with_their_row(tmp_path: Path) -> None:
    files = {
        "orders.csv": csv_of(ORDERS, GOOD),
        "payments-1.csv": csv_of(
            PAYMENTS,
            "kestrel,P0,2026-01-01,x,EUR,5; 6",
            "kestrel,P1,2026-01-02,1,EUR,1; 2;2",
            "kestrel,P2,2027-01-02,1,EUR,3",
        ),
        "payments-2.csv": csv_of(PAYMENTS, 'kestrel,P3,2026-01-03,1,EUR,"4;\n#0005"'),
    }
    found = read(write(tmp_path, files, source("orders") + source("payments")))
    parts, frame = found.parts["payments", "order_ref"], found.records["payments"]
    owner = frame["payment_ref"].iloc[parts["row_id"]]
    assert list(zip(owner, parts["key"], strict=True)) == [
        ("P1", "1"), ("P1", "2"), ("P3", "4"), ("P3", "5"),
    ]  # fmt: skip


def test_suppliers_are_called_by_their_declared_name(tmp_path: Path) -> None:
    names = '[suppliers.kestrel]\nnames = ["Kestrel Goods Co"]\n'
    files = {
        "orders.csv": csv_of(ORDERS, GOOD),
        "payments.csv": csv_of(
            PAYMENTS,
            "KESTREL,P1,2026-01-02,1,EUR,1",
            "kestrel goods co ,P2,2026-01-02,1,EUR,1",
            "Elsewhere,P3,2026-01-02,1,EUR,1",
        ),
    }
    found = read(write(tmp_path, files, names + source("orders") + source("payments")))
    assert column(found.records["payments"], "supplier") == ["kestrel", "kestrel", "Elsewhere"]


def test_references_as_written_and_as_compared(tmp_path: Path) -> None:
    refs = '[source.refs]\nstrip_prefix = ["LL-"]\nreplacement_suffix = ["-R"]'
    texts = ["#LL-0012", "ll-12", "12.0", "LL-12-r", "\uff11\uff12", "A-01", "LL-", "0"]
    rows = [f"{text},2026-01-02,LAN-1,1,2.50,EUR" for text in texts]
    frame = orders(tmp_path, *rows, settings=source("orders", refs)).records["orders"]
    assert column(frame, "order_ref_key") == ["12", "12", "12", "12", "12", "a-01", "ll-", "0"]
    assert column(frame, "by_suffix") == [text.endswith("-r") for text in texts]
    assert column(frame, "order_ref")[:2] == ["#LL-0012", "ll-12"]


def test_sums_are_of_accepted_rows_by_file_column_and_currency(tmp_path: Path) -> None:
    rows = ["k,P1,2026-01-02,1.10,EUR,1", "k,P2,2026-01-02,2.20,EUR,1", "k,P3,2026-01-02,3,JPY,1",
            "k,P4,2026-01-02,x,EUR,1", "k,P5,2027-01-02,9,EUR,1"]  # fmt: skip
    files = {"orders.csv": csv_of(ORDERS, GOOD), "payments.csv": csv_of(PAYMENTS, *rows)}
    sums = read(write(tmp_path, files, source("orders") + source("payments"))).sums
    shown = sums[["file", "column", "currency", "rows", "sum_minor"]]
    assert list(shown.itertuples(index=False, name=None)) == [
        ("payments.csv", "amount", "EUR", 2, 330),
        ("payments.csv", "amount", "JPY", 1, 3),
    ]


@pytest.mark.parametrize("encoding", ["cp1252", "utf-16", "utf-8"])
@pytest.mark.parametrize(
    "name", ["Price \u00bd", "Price \u00b4", "=Price", "- Price", "Pri\u00a0ce"]
)
def test_rejected_rows_are_written_under_the_headers_of_their_file(
    tmp_path: Path, name: str, encoding: str
) -> None:
    header = ORDERS.replace("unit_price", name)
    form = f'[source.columns]\nunit_price = "{name}"\n[source.format]\nencoding = "{encoding}"'
    settings = source("orders", form)
    files: dict[str, str | bytes] = {
        "orders-1.csv": csv_of(header, GOOD, "2" + GOOD[1:].replace(",1,", ",one,")).encode(
            encoding
        )
    }
    folder = write(tmp_path / "shop", files, settings)
    run_nightly(folder, lambda _: AS_OF, tmp_path / "out", lambda _: None)
    written = (tmp_path / "out" / "rejected" / "orders-1.csv").read_bytes()
    mended = written.decode(encoding).replace("one", "1")
    assert not mended.startswith("=")
    (folder / "orders-2.csv").write_bytes(mended.encode(encoding))
    assert len(read(folder).records["orders"]) == 2
