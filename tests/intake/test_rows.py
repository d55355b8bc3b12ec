"""Headers and rows: where a file begins, how its rows are counted, and which are left out."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.errors import RefusedError
from reconcile.nightly import run_nightly
from tests.intake.folders import (
    AS_OF,
    ORDERS,
    PAYMENTS,
    column,
    csv_of,
    fates,
    only_problem,
    orders,
    read,
    rejects,
    source,
    write,
)

GOOD = "1,2026-01-02,LAN-1,1,2.50,EUR"
BAD = "2,2026-01-02,LAN-1,x,2.50,EUR"


def _read(folder: Path, data: bytes, extra: str = "") -> list[tuple[str, int, str, str]]:
    return rejects(read(write(folder, {"orders.csv": data}, source("orders", extra))))


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_rows_are_counted_as_a_spreadsheet_counts_them(tmp_path: Path, ending: str) -> None:
    text = ending.join([ORDERS, GOOD, "", BAD, ",,,,,", BAD])
    assert _read(tmp_path, text.encode()) == [
        ("orders.csv", 4, "qty", "x"),
        ("orders.csv", 6, "qty", "x"),
    ]


def test_a_quoted_line_break_does_not_begin_a_row(tmp_path: Path) -> None:
    header = ORDERS + ",address"
    found = orders(tmp_path, GOOD + ',"12 Quay\n\nDublin"', BAD + ",", header=header)
    assert rejects(found) == [("orders.csv", 3, "qty", "x")]
    assert fates(found) == [{"rejected": 1, "accepted": 1}]


def test_a_line_break_in_a_cell_that_is_read_rejects_its_row_unshown(tmp_path: Path) -> None:
    found = orders(tmp_path, '1,2026-01-02,"LAN-1\nMaren",1,2.50,EUR', GOOD)
    assert rejects(found) == [("orders.csv", 2, "sku", "")]
    assert "quote" in found.rejected["expected"][0]


@pytest.mark.parametrize("blank", [",,,,,", " , ,,,,", "", "   ", "\u00a0,,,,,"])
@pytest.mark.parametrize("first", [GOOD, BAD])
def test_a_row_of_nothing_is_blank_wherever_it_stands(
    tmp_path: Path, blank: str, first: str
) -> None:
    found = orders(tmp_path, blank, first, blank, blank)
    assert fates(found)[0]["blank"] == 3


def test_ragged_rows_are_rejected_and_their_text_is_not_shown(tmp_path: Path) -> None:
    found = orders(tmp_path, GOOD, "1,2026-01-02", GOOD, GOOD + ",more", BAD)
    assert rejects(found) == [
        ("orders.csv", 3, "", ""),
        ("orders.csv", 5, "", ""),
        ("orders.csv", 6, "qty", "x"),
    ]
    assert found.rejected["expected"][0] == "6 cells, as many as the header has"


def test_row_numbers_hold_beyond_the_first_megabytes(tmp_path: Path) -> None:
    rows = [GOOD] * 200_000
    found = orders(tmp_path, *rows, "1,2", *rows[:3], BAD)
    assert [row for _, row, *_ in rejects(found)] == [200_002, 200_006]


@pytest.mark.parametrize(
    ("data", "extra"),
    [
        (b"\xef\xbb\xbf" + csv_of(ORDERS, GOOD, BAD).encode(), ""),
        (csv_of(ORDERS, GOOD, BAD).encode("utf-16"), '[source.format]\nencoding = "utf-16"'),
        (csv_of(ORDERS, GOOD, BAD).replace(",", ";").encode(), ""),
        (csv_of(ORDERS, GOOD, BAD).replace(",", "\t").encode(), ""),
        (csv_of(ORDERS, GOOD, BAD).replace(",", "~").encode(), '[source.format]\ndelimiter = "~"'),
    ],
)
def test_marks_at_the_beginning_and_between_cells(tmp_path: Path, data: bytes, extra: str) -> None:
    assert _read(tmp_path, data, extra) == [("orders.csv", 3, "qty", "x")]


def test_a_declared_encoding_is_used(tmp_path: Path) -> None:
    data = csv_of("Größe," + ORDERS, "é," + BAD.replace("x", "½")).encode("cp1252")
    extra = '[source.format]\nencoding = "cp1252"'
    # NFKC is for comparing; the cell is shown as it stands
    assert _read(tmp_path, data, extra) == [("orders.csv", 2, "qty", "½")]


def test_a_header_below_title_lines(tmp_path: Path) -> None:
    lines = ['Export, "all"; 5" lamps', "", '"Made by\nnobody", on 1 October', ORDERS, GOOD, BAD]
    extra = "[source.format]\nheader_row = 4"
    found = read(write(tmp_path, {"orders.csv": "\n".join(lines)}, source("orders", extra)))
    assert rejects(found) == [("orders.csv", 6, "qty", "x")]
    assert list(found.files["header"]) == [4]
    assert list(found.files["rows"]) == [6]


def test_headers_are_mapped_trimmed_and_taken_in_any_order(tmp_path: Path) -> None:
    header = "currency, Item ,qty,unit_price,Placed,Order"
    extra = '[source.columns]\norder_ref = "Order"\nordered_at = ["Bought", "Placed"]\nsku = "Item"'
    found = orders(
        tmp_path,
        "EUR,LAN-1,2,1.00,2026-01-02,LL-7",
        header=header,
        settings=source("orders", extra),
    )
    frame = found.records["orders"]
    assert column(frame, "order_ref") == ["LL-7"]
    assert column(frame, "qty") == [2]


def test_one_header_may_serve_two_columns(tmp_path: Path) -> None:
    extra = '[source.columns]\nline_no = "sku"\n'
    frame = orders(tmp_path, GOOD, settings=source("orders", extra)).records["orders"]
    assert column(frame, "line_no") == column(frame, "sku") == ["LAN-1"]


def test_constants_stand_in_for_columns(tmp_path: Path) -> None:
    extra = '[source.values]\ncurrency = "JPY"\nqty = 3\nordered_at = 2026-01-05\n'
    found = orders(
        tmp_path, "1,LAN-1,200", "2,LAN-1,x", header="order_ref,sku,unit_price",
        settings=source("orders", extra),
    )  # fmt: skip
    frame = found.records["orders"]
    assert column(frame, "currency") == ["JPY"]
    assert column(frame, "qty") == [3]
    assert rejects(found) == [("orders.csv", 3, "unit_price", "x")]


@pytest.mark.parametrize("rows", [[], [""], ["", "", ""], [",,,,,"], ["   "]])
def test_a_file_of_a_header_alone_is_a_file_without_rows(tmp_path: Path, rows: list[str]) -> None:
    found = orders(tmp_path, *rows)
    assert found.files["accepted"].sum() == 0
    assert found.records["orders"].empty


def test_a_quote_in_the_middle_of_a_cell_opens_nothing(tmp_path: Path) -> None:
    found = orders(tmp_path, '1,2026-01-02,5" lamp,1,2.50,EUR', GOOD)
    assert column(found.records["orders"], "sku") == ['5" lamp', "LAN-1"]


@pytest.mark.parametrize("before", [GOOD, '1,2026-01-02,5" lamp,1,2.50,EUR', "1,2"])
@pytest.mark.parametrize("opened", [BAD.replace("EUR", '"EUR'), '"' + BAD])
def test_a_quote_that_is_never_closed_refuses_the_file(
    tmp_path: Path, before: str, opened: str
) -> None:
    text = csv_of(ORDERS, before, opened, *[GOOD] * 5)
    with pytest.raises(RefusedError) as caught:
        read(write(tmp_path, {"orders.csv": text}))
    [problem] = caught.value.problems
    assert (problem.place, problem.row) == ("orders.csv", 3)
    assert "quote" in problem.what
    assert "LAN-1" not in str(problem)


def test_columns_that_only_some_files_bring_read_as_blank_in_the_others(tmp_path: Path) -> None:
    head = "supplier,payment_ref,paid_at,amount,currency"
    files = {
        "orders.csv": csv_of(ORDERS, GOOD),
        "payments-1.csv": csv_of(head, "kestrel,P1,2026-01-02,5.00,EUR"),
        "payments-2.csv": csv_of(
            head + ",status,kind,order_ref", "kestrel,P2,2026-01-03,5,EUR,,,7"
        ),
        "shipments-1.csv": csv_of("supplier,order_ref,shipped_at", "kestrel,1,2026-01-02"),
        "shipments-2.csv": csv_of(
            "supplier,order_ref,shipped_at,sku,qty,delivered_at,replacement,tracking_no",
            "kestrel,1,2026-01-03,LAN-1,2,2026-01-04,yes,KX1",
        ),
    }
    settings = source("orders") + source("payments") + source("shipments")
    records = read(write(tmp_path, files, settings)).records
    paid, sent = records["payments"], records["shipments"]
    assert column(paid, "status") == ["settled", "settled"]
    assert column(paid, "kind") == ["payment", "payment"]
    assert column(paid, "order_ref") == ["", "7"]
    assert column(sent, "sku_key") == ["", "lan-1"]
    assert column(sent, "qty") == [None, 2]
    assert column(sent, "replacement") == [False, True]
    assert sent["delivered_date"].isna().tolist() == [True, False]


@pytest.mark.parametrize("text", ["none", "-", "#N/A", "n/a", "null", "#REF!"])
@pytest.mark.parametrize("name", ["status", "kind"])
def test_a_word_for_nothing_is_no_status(tmp_path: Path, name: str, text: str) -> None:
    row = "kestrel,P-{},2026-01-02,1.00,EUR,1,{}"
    files = {
        "orders.csv": csv_of(ORDERS, "1,2026-01-02,LAN-1,1,2.50,EUR"),
        "payments.csv": csv_of(f"{PAYMENTS},{name}", row.format(1, ""), row.format(2, text)),
    }
    plain = source("orders")
    found = read(write(tmp_path, files, plain + source("payments")))
    assert rejects(found) == [("payments.csv", 3, name, text)]
    assert len(found.records["payments"]) == 1


def test_errors_of_a_spreadsheet_never_make_one_order_of_several(tmp_path: Path) -> None:
    """Two customers' orders, paid once each, are no order of two lines that is paid twice."""
    files = {
        "orders.csv": csv_of(
            ORDERS,
            "#REF!,2026-01-02,LAN-1,1,2.50,EUR",
            "#1001,2026-01-02,LAN-1,1,2.50,EUR",
            "########,2026-01-02,LAN-1,1,2.50,EUR",
        ),
        "payments.csv": csv_of(
            PAYMENTS,
            "kestrel,P-1,2026-01-02,1.00,EUR,#REF!",
            "kestrel,P-2,2026-01-02,1.00,EUR,#1001",
            "kestrel,#VALUE!,2026-01-02,1.00,EUR,1001",
            "#NAME?,P-4,2026-01-02,1.00,EUR,1001",
        ),
    }
    found = read(write(tmp_path, files, source("orders") + source("payments")))
    assert rejects(found) == [
        ("orders.csv", 2, "order_ref", "#REF!"),
        ("orders.csv", 4, "order_ref", "########"),
        ("payments.csv", 4, "payment_ref", "#VALUE!"),
        ("payments.csv", 5, "supplier", "#NAME?"),
    ]
    assert column(found.records["orders"], "order_ref") == ["#1001"]
    assert column(found.records["payments"], "order_ref") == ["", "#1001"]
    told = found.notes[["file", "row", "column", "text"]]
    assert list(told.itertuples(index=False, name=None)) == [
        ("payments.csv", 2, "order_ref", "#REF!")
    ]


@pytest.mark.parametrize("text", ["1970-01-01", "1970-01-01T00:00:00Z", "1900-01-01", "1969-12-31"])
def test_a_date_that_stands_for_none(tmp_path: Path, text: str) -> None:
    header = f"{ORDERS},cancelled_at"
    good = "1,2026-01-02,LAN-1,1,2.50,EUR,"
    found = orders(tmp_path, good, f"2{good[1:]}{text}", good.replace("2026-01-02", text),
                   header=header)  # fmt: skip
    assert rejects(found) == [("orders.csv", 4, "ordered_at", text)]
    assert found.records["orders"]["cancelled_date"].isna().tolist() == [True, True]
    assert list(found.notes[["row", "column", "text"]].itertuples(index=False, name=None)) == [
        (3, "cancelled_at", text)
    ]


def test_what_a_run_has_written_is_never_read(tmp_path: Path) -> None:
    settings = source("orders", "").replace('"orders*"', '"**/*.csv"')
    folder = write(tmp_path, {"store/orders.csv": csv_of(ORDERS, GOOD, BAD)}, settings)
    for out in (None, folder / "reports" / "today", None):
        run_nightly(folder, lambda _: AS_OF, out, lambda _: None)
    assert (folder / "out" / str(AS_OF) / "rejected").is_dir()
    assert list(read(folder).files["file"]) == ["store/orders.csv"]
    write(folder, {"out/orders.csv": csv_of(ORDERS, "3" + GOOD[1:])}, settings)
    assert list(read(folder).files["file"]) == ["store/orders.csv"]
    write(folder, {}, settings.replace('"**/*.csv"', '"out/*.csv"'))
    assert list(read(folder).files["file"]) == ["out/orders.csv"]
    write(folder, {}, settings.replace('"**/*.csv"', '"out/*/*.csv"'))
    assert "what a run has written" in only_problem(folder).what
