"""Where a header stands: under titles, in two lines, in any delimiter, and again in mid-file."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from reconcile.nightly import run_nightly
from tests.intake.folders import (
    AS_OF,
    ORDERS,
    SHIPMENTS,
    column,
    csv_of,
    fates,
    only_problem,
    orders,
    read,
    refused,
    rejects,
    source,
    write,
)

ROW = "1,2026-01-02,LAN-1,1,2.50,EUR"
COLUMNS = "[source.columns]\n"


@pytest.mark.parametrize("mark", [",", ";", "\t", "|", ":", "^", "~"])
def test_any_delimiter_is_found(tmp_path: Path, mark: str) -> None:
    text = csv_of(ORDERS, ROW).replace(",", mark)
    found = read(write(tmp_path, {"orders.csv": text}))
    assert column(found.records["orders"], "unit_price_micro") == [2_500_000]
    assert f"delimiter {mark!r}" in found.files["format"][0]


def test_a_delimiter_inside_the_titles_is_not_taken(tmp_path: Path) -> None:
    text = "Orders; all; of; them; and; more; of; them\n\n" + csv_of(ORDERS, ROW)
    assert fates(read(write(tmp_path, {"orders.csv": text}))) == [{"accepted": 1}]


def test_rows_above_the_header_are_counted_with_it(tmp_path: Path) -> None:
    text = "Orders of the shop\nPrinted by nobody\n\n" + csv_of(ORDERS, ROW, "", "2" + ROW[1:])
    found = read(write(tmp_path, {"orders.csv": text}))
    assert list(found.files["header"]) == [4]
    assert list(found.files["blank"]) == [1]
    assert column(found.records["orders"], "row") == [5, 7]


def test_a_title_that_repeats_some_headers_is_no_header(tmp_path: Path) -> None:
    text = "order_ref,sku\n" + csv_of(ORDERS, ROW)
    assert column(read(write(tmp_path, {"orders.csv": text})).records["orders"], "row") == [3]


def test_the_header_in_mid_file_is_no_record(tmp_path: Path) -> None:
    found = orders(tmp_path, ROW, ORDERS, "2" + ROW[1:], ORDERS)
    assert list(found.files["header"]) == [3]
    assert fates(found) == [{"accepted": 2}]
    assert column(found.records["orders"], "row") == [2, 4]


def test_a_header_of_two_lines(tmp_path: Path) -> None:
    header = "Order,Order,Item,Item,Item,Currency\nno.,date,code,pieces,price,\n"
    settings = source(
        "orders",
        COLUMNS + 'order_ref = "Order no."\nordered_at = "Order date"\nsku = "Item code"\n'
        'qty = "Item pieces"\nunit_price = "Item price"\ncurrency = "Currency"',
    )
    found = read(write(tmp_path, {"orders.csv": header + ROW + "\n"}, settings))
    assert list(found.files["header"]) == [2]
    assert fates(found) == [{"accepted": 1}]


def test_a_name_over_several_columns_holds_for_all_of_them(tmp_path: Path) -> None:
    header = "Order,,Item,,,Currency\nno.,date,code,pieces,price,\n"
    settings = source(
        "orders",
        COLUMNS + 'order_ref = "Order no."\nordered_at = "Order date"\nsku = "Item code"\n'
        'qty = "Item pieces"\nunit_price = "Item price"\ncurrency = "Currency"',
    )
    found = read(write(tmp_path, {"orders.csv": header + ROW + "\n"}, settings))
    assert fates(found) == [{"accepted": 1}]


def test_a_column_without_a_header_by_its_letter(tmp_path: Path) -> None:
    settings = source("orders", COLUMNS + 'sku = "column C"')
    header = ORDERS.replace("sku", "")
    found = orders(tmp_path, ROW, header=header, settings=settings)
    assert column(found.records["orders"], "sku") == ["LAN-1"]


def test_a_letter_does_not_name_a_column_that_has_a_header(tmp_path: Path) -> None:
    settings = source("orders", COLUMNS + 'sku = "column D"')
    problem = only_problem(write(tmp_path, {"orders.csv": csv_of(ORDERS, ROW)}, settings))
    assert "'column D'" in problem.what


def test_one_of_several_names_of_a_column(tmp_path: Path) -> None:
    settings = source("orders", COLUMNS + 'order_ref = ["Order", "Order no."]')
    files = {
        "orders-1.csv": csv_of(ORDERS.replace("order_ref", "Order"), ROW),
        "orders-2.csv": csv_of(ORDERS.replace("order_ref", "Order no."), "2" + ROW[1:]),
    }
    found = read(write(tmp_path, files, settings))
    assert column(found.records["orders"], "order_ref") == ["1", "2"]


@pytest.mark.parametrize("name", ["Order\u00a0no.", "Order  no.", "Order\u200b no.", " Order no. "])
def test_headers_are_compared_as_people_see_them(tmp_path: Path, name: str) -> None:
    settings = source("orders", COLUMNS + 'order_ref = "Order no."')
    header = ORDERS.replace("order_ref", name)
    assert fates(orders(tmp_path, ROW, header=header, settings=settings)) == [{"accepted": 1}]


def test_a_delimiter_behind_every_row(tmp_path: Path) -> None:
    for rows in ((ORDERS, ROW + ","), (ORDERS + ",", ROW), (ORDERS + ",", ROW + ",")):
        found = read(write(tmp_path, {"orders.csv": csv_of(*rows)}))
        assert fates(found) == [{"accepted": 1}]


def test_rows_longer_or_shorter_than_most_are_rejected(tmp_path: Path) -> None:
    found = orders(tmp_path, ROW, "2" + ROW[1:] + ",", "3,2026-01-02", "4" + ROW[1:])
    assert fates(found) == [{"accepted": 2, "rejected": 2}]
    assert [row for _, row, _, _ in rejects(found)] == [3, 4]


def test_a_delimiter_inside_a_cell_moves_no_cells(tmp_path: Path) -> None:
    header = "order_ref,ordered_at,sku,address,qty,unit_price,currency"
    row = "{n},2026-01-02,LAN-1,1 Nowhere Crescent{cut},1,2.50,EUR,"
    rows = [row.format(n=n, cut="") for n in range(1, 130)]
    for at in (3, 120):  # among the rows by which a header is found, and below them
        rows[at] = row.format(n=at + 1, cut=", Elsewhere").removesuffix(",")
    found = orders(tmp_path, *rows, header=header)
    assert fates(found) == [{"accepted": 127, "rejected": 2}]
    assert rejects(found) == [("orders.csv", 5, "", ""), ("orders.csv", 122, "", "")]
    assert list(found.rejected["expected"]) == ["7 cells, as many as the header has"] * 2


@pytest.mark.parametrize("count", [1, 3, 120])
def test_rows_that_all_have_more_cells_than_the_header_are_refused(
    tmp_path: Path, count: int
) -> None:
    rows = [f'"{n}",2026-01-02,LAN-1,1,2,50,EUR' for n in range(1, count + 1)]
    problem = only_problem(write(tmp_path, {"orders.csv": csv_of(ORDERS, "", *rows)}))
    assert (problem.place, problem.row) == ("orders.csv", 3)
    assert problem.what.startswith("this row has more cells than the header")


def test_most_rows_with_more_cells_far_below_the_header_are_refused(tmp_path: Path) -> None:
    rows = [f"{n},2026-01-02,LAN-1,1,2.50,EUR," for n in range(1, 101)]
    rows += [f"{n},2026-01-02,LAN-1,1,2,50,EUR" for n in range(101, 300)]
    problem = only_problem(write(tmp_path, {"orders.csv": csv_of(ORDERS, *rows)}))
    assert (problem.place, problem.row) == ("orders.csv", 102)


def test_a_column_behind_the_header_may_be_declared_by_its_letter(tmp_path: Path) -> None:
    settings = source("orders", COLUMNS + 'line_no = "column G"')
    found = orders(tmp_path, ROW + ",7", "2" + ROW[1:] + ",8", settings=settings)
    assert column(found.records["orders"], "line_no") == ["7", "8"]


@pytest.mark.parametrize(
    ("title", "day"),
    [
        ("Period: 2026-01-01 to 2026-01-20", date(2026, 1, 20)),
        ("Zeitraum 01.01.2026 - 20.01.2026", date(2026, 1, 20)),
        ("Période du 1 janvier 2026 au 20 janvier 2026", date(2026, 1, 20)),
        ("Printed on 2026-01-20", date(2026, 1, 16)),
        ("Period: 2026-01-20 to 2026-01-01", date(2026, 1, 16)),
    ],
)
def test_a_stated_period_is_what_the_file_covers(tmp_path: Path, title: str, day: date) -> None:
    rows = ("1,16.01.2026,LAN-1,1,2.50,EUR", "2,02.01.2026,LAN-1,1,2.50,EUR")
    text = f"{title}\n" + csv_of(ORDERS, *rows)
    assert read(write(tmp_path, {"orders.csv": text})).covered["orders"] == day


def test_a_declared_cover_counts_before_a_stated_period(tmp_path: Path) -> None:
    text = "Period: 2026-01-01 to 2026-01-20\n" + csv_of(ORDERS, ROW)
    settings = source("orders", 'covered_to = "last-row"')
    found = read(write(tmp_path, {"orders.csv": text}, settings))
    assert found.covered["orders"] == date(2026, 1, 2)


@pytest.mark.parametrize("header", ["E-mail", "Customer name", "Telefon", "Straße", "Teléfono"])
def test_a_column_about_a_person_is_refused(tmp_path: Path, header: str) -> None:
    settings = source("orders", COLUMNS + f'recipient_key = "{header}"')
    files = {"orders.csv": csv_of(f"{ORDERS},{header}", f"{ROW},odalys@pigeonpost.example")}
    problem = only_problem(write(tmp_path, files, settings))
    assert "about a person" in problem.what
    assert "pigeonpost" not in str(problem)


@pytest.mark.parametrize("header", ["E-mail", "Phone", "Straße", "Ville", "Customer name"])
def test_no_name_of_a_firm_excuses_an_address(tmp_path: Path, header: str) -> None:
    private = "odalys@pigeonpost.example"
    settings = source("orders", f'{COLUMNS}store = "{header}"')
    settings += source("shipments", f'{COLUMNS}supplier = "{header}"\ncarrier = "{header}"')
    parcels = SHIPMENTS.replace("supplier", header)
    files = {
        "orders.csv": csv_of(f"{ORDERS},{header}", f"{ROW},{private}"),
        "shipments.csv": csv_of(parcels, f"{private},1,2026-01-03"),
    }
    problems = refused(write(tmp_path, files, settings))
    assert [problem.what.split()[0] for problem in problems] == ["store", "carrier", "supplier"]
    assert all("about a person" in problem.what for problem in problems)
    assert "pigeonpost" not in str(problems)


@pytest.mark.parametrize("header", ["Company", "Firma", "Nom", "Name"])
def test_a_column_of_names_may_be_that_of_firms(tmp_path: Path, header: str) -> None:
    settings = source("orders", COLUMNS + f'supplier = "{header}"')
    found = orders(tmp_path, f"{ROW},kestrel", header=f"{ORDERS},{header}", settings=settings)
    assert column(found.records["orders"], "supplier") == ["kestrel"]


def test_name_alone_may_be_the_name_of_an_order(tmp_path: Path) -> None:
    settings = source("orders", COLUMNS + 'order_ref = "Name"')
    header = ORDERS.replace("order_ref", "Name")
    assert fates(orders(tmp_path, ROW, header=header, settings=settings)) == [{"accepted": 1}]


def test_two_sources_may_not_count_one_file_twice(tmp_path: Path) -> None:
    twice = source("orders") + source("orders").replace('name = "orders"', 'name = "again"')
    [problem] = refused(write(tmp_path, {"orders.csv": csv_of(ORDERS, ROW)}, twice))
    assert "count twice" in problem.what


def test_a_copy_of_a_file_counts_once_and_is_said(tmp_path: Path) -> None:
    text = csv_of(ORDERS, ROW)
    found = read(write(tmp_path, {"orders-1.csv": text, "orders-2.csv": text}))
    assert fates(found) == [{"repeats": 1}, {"accepted": 1}]
    assert list(found.notes["why"]) == ["it is the same file as orders-1.csv"]


def test_days_between_two_files_that_none_covers(tmp_path: Path) -> None:
    def month(number: int) -> str:
        days = range(1, 29, 3)
        return csv_of(
            ORDERS, *(f"{number}{d},2026-{number:02d}-{d:02d},A,1,2.50,EUR" for d in days)
        )

    folder = write(tmp_path, {f"orders-{n}.csv": month(n) for n in (5, 6, 8)})
    [gap] = read(folder).gaps.to_dict("records")
    assert (gap["file"], gap["days"]) == ("orders-8.csv", 33)
    write(tmp_path, {"orders-7.csv": month(7)})
    assert read(folder).gaps.empty


def test_a_gap_is_told_beside_a_source_without_one(tmp_path: Path) -> None:
    files = {
        f"orders-{n}.csv": csv_of(
            ORDERS, *(f"{n}{d},2026-{n:02d}-{d:02d},A,1,2.50,EUR" for d in (1, 2))
        )
        for n in (5, 8)
    } | {
        f"shipments-{n}.csv": csv_of(SHIPMENTS, *(f"kestrel,{n}{d},2026-06-0{d}" for d in (1, 2)))
        for n in (5, 8)
    }
    settings = source("orders") + source("shipments")
    for several in (settings, source("shipments") + source("orders")):
        folder = write(tmp_path / "shop", files, several)
        contents, _ = run_nightly(folder, lambda _: AS_OF, tmp_path / "out", lambda _: None)
        told = contents.exceptions[contents.exceptions["rule"] == "stale-source"]
        assert list(told["evidence"]) == ["orders-8.csv"]
