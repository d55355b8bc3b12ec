"""Exports overlap: what several files show is one event, and the newest file has the last word."""

from __future__ import annotations

from pathlib import Path

from reconcile.intake.load import Intake
from tests.intake.folders import ORDERS, column, csv_of, fates, read, rejects, source, write

A = "1,2026-01-02,LAN-1,1,2.50,EUR"
B = "1,2026-01-02,LAN-1,4,2.50,EUR"


def _on(day: str) -> str:
    """A row of its own that dates its file."""
    return f"9{day},2026-01-{day},LAN-9,1,1.00,EUR"


def _files(folder: Path, *files: list[str]) -> Intake:
    named = {f"orders-{n}.csv": csv_of(ORDERS, *rows) for n, rows in enumerate(files, start=1)}
    return read(write(folder, named))


def _quantities(intake: Intake, sku: str = "LAN-1") -> list[object]:
    frame = intake.records["orders"]
    return column(frame[frame["sku"] == sku], "qty")


def test_identical_rows_of_one_file_are_as_many_as_it_shows(tmp_path: Path) -> None:
    found = _files(tmp_path, [A, A, A])
    assert fates(found) == [{"accepted": 3}]


def test_a_row_counts_as_often_as_the_file_that_shows_it_most(tmp_path: Path) -> None:
    found = _files(tmp_path, [A, A, A], [A], [A, A, _on("20")])
    assert _quantities(found) == [1, 1, 1]
    assert sum(fate.get("repeats", 0) for fate in fates(found)) == 3
    assert found.changes.empty


def test_texts_that_differ_in_spaces_or_width_alone_are_one_row(tmp_path: Path) -> None:
    found = _files(tmp_path, [A], ["\uff11, 2026-01-02 ,LAN-1,1,2.50,EUR"])
    assert len(found.records["orders"]) == 1


def test_a_private_column_does_not_make_two_rows_of_one(tmp_path: Path) -> None:
    header = ORDERS + ",phone"
    files = {"orders-1.csv": csv_of(header, A + ",+999"), "orders-2.csv": csv_of(header, A + ",+1")}
    assert len(read(write(tmp_path, files)).records["orders"]) == 1


def test_of_a_changed_row_the_newest_file_wins_whatever_its_name(tmp_path: Path) -> None:
    found = _files(tmp_path, [B, _on("20")], [A, _on("10")])
    assert _quantities(found) == [4]
    [change] = found.changes.to_dict("records")
    assert (change["file"], change["row"]) == ("orders-2.csv", 2)
    assert (change["by_file"], change["by_row"]) == ("orders-1.csv", 2)
    assert (change["order_ref"], change["sku"]) == ("1", "LAN-1")


def test_a_row_that_changed_and_changed_back_stands_as_it_was(tmp_path: Path) -> None:
    found = _files(tmp_path, [A, _on("10")], [B, _on("11")], [A, _on("12")])
    assert _quantities(found) == [1]
    assert fates(found) == [{"repeats": 1, "accepted": 1}, {"repeats": 1, "accepted": 1},
                            {"accepted": 2}]  # fmt: skip
    assert list(found.changes["file"]) == ["orders-2.csv"]


def test_a_file_is_as_new_as_its_newest_date_that_is_known(tmp_path: Path) -> None:
    later = "8,2027-05-05,LAN-8,1,1.00,EUR"
    found = _files(tmp_path, [A, _on("10"), later], [B, _on("20")])
    assert _quantities(found) == [4]


def test_other_lines_of_an_order_are_not_changes(tmp_path: Path) -> None:
    found = _files(tmp_path, [A], [A.replace("LAN-1", "LAN-2")])
    assert found.changes.empty
    assert len(found.records["orders"]) == 2


def test_a_rejected_row_in_overlapping_exports_is_one_reject(tmp_path: Path) -> None:
    bad = '1,2026-01-02,LAN-1,1,"2,50",EUR'
    found = _files(tmp_path, [bad, _on("10")], [bad, _on("20")])
    assert rejects(found) == [("orders-2.csv", 2, "unit_price", "2,50")]
    assert fates(found) == [{"repeats": 1, "accepted": 1}, {"rejected": 1, "accepted": 1}]


def test_a_newer_row_that_cannot_be_read_does_not_replace_the_old_one(tmp_path: Path) -> None:
    found = _files(tmp_path, [A, _on("10")], [A.replace(",1,2", ",x,2"), _on("20")])
    assert _quantities(found) == [1]
    assert found.changes.empty
    assert list(found.rejected_keys["key"]) == ["1"]


def test_two_sources_do_not_share_rows(tmp_path: Path) -> None:
    second = source("orders", files="other").replace('name = "orders"', 'name = "other"')
    files = {"orders.csv": csv_of(ORDERS, A), "other.csv": csv_of(ORDERS, A)}
    found = read(write(tmp_path, files, source("orders") + second))
    assert fates(found) == [{"accepted": 1}, {"accepted": 1}]
