"""The report folder: its files, their columns, and totals that agree between them."""

from __future__ import annotations

import csv
import errno
import itertools
import json
import os
import time
from collections import Counter
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from reconcile.errors import FaultError
from reconcile.money import minor_digits
from reconcile.report.contents import Contents
from reconcile.report.summary import summary, summary_text
from reconcile.report.write import write_outputs
from tests.report.results import empty_results, results, with_text


def _read(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, strict=True))


def _files(folder: Path) -> dict[str, bytes]:
    paths = [path for path in folder.rglob("*") if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def _major(minor: Any, currency: str) -> str:
    if pd.isna(minor):
        return ""
    digits = minor_digits(currency) or 0
    return f"{Decimal(int(minor)).scaleb(-digits):.{digits}f}"


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report") / "night"
    write_outputs(results(), out)
    return out


def test_files_of_a_night_with_everything(night: Path) -> None:
    lists = ("chase", "check", "claim", "hold", "pay", "post")
    messages = ("alder-chase", "alder-claim", "kestrel-chase", "kestrel-claim")
    assert sorted(_files(night)) == [
        "exceptions.csv",
        *(f"lists/{name}.csv" for name in lists[:4]),
        *(f"lists/messages/{name}.txt" for name in messages),
        *("lists/pay.csv", "lists/post.csv"),
        *("order_lines.csv", "rejected/store-orders-1.csv", "rejected_rows.csv", "report.xlsx"),
        *("run.log", "summary.json"),
    ]


def test_files_of_a_quiet_night_after_one_with_everything(tmp_path: Path) -> None:
    write_outputs(results(), tmp_path / "out")
    write_outputs(empty_results(), tmp_path / "out")
    files = _files(tmp_path / "out")
    assert sorted(files) == [
        *("exceptions.csv", "order_lines.csv", "report.xlsx", "run.log", "summary.json")
    ]
    assert files["exceptions.csv"].count(b"\n") == 1


def test_every_exception_is_in_the_csv_in_its_order(night: Path) -> None:
    rows = _read(night / "exceptions.csv")
    exceptions = results().exceptions
    assert ", ".join(rows[0]) == (
        "id, rule, verdict, severity, class, amount, currency, amount_home, order_ref, sku, "
        "supplier, document, event_date, due_by, age_days, list, cause, explanation, evidence, "
        "first_seen, change"
    )
    for name in ("id", "verdict", "document", "cause", "explanation", "list"):
        assert [row[name] for row in rows] == list(exceptions[name])
    assert [row["amount"] for row in rows] == [
        _major(minor, currency)
        for minor, currency in zip(exceptions["amount_minor"], exceptions["currency"], strict=True)
    ]
    assert [row["amount_home"] for row in rows[:4]] == ["45.00", "1234567.89", "19.00", "30.21"]
    assert [row["due_by"] for row in rows[8:11]] == ["", "", "2026-10-31"]
    assert rows[0]["age_days"] == "11"


def test_order_lines_carry_amounts_and_tracking_numbers_whole(night: Path) -> None:
    rows = _read(night / "order_lines.csv")
    assert ", ".join(rows[0]) == (
        "order_ref, store, line_no, sku, supplier, ordered_date, state, ordered, live, billed, "
        "shipped, posted, delivered_date, currency, agreed, billed_amount, paid"
    )
    assert list(rows[1].values()) == [
        *("LL-1002", "main", "1", "LAMP-2", "kestrel", "2026-10-01", "delivered", "2", "2", "2"),
        *("2", "1111222233334444", "2026-10-15", "EUR", "45.00", "45.00", "90.00"),
    ]
    assert [row["agreed"] for row in rows[2:]] == ["3100", "1.250", ""]


def test_lists_hold_the_open_exceptions_and_what_may_be_done(night: Path) -> None:
    exceptions = results().exceptions
    to_act = exceptions[exceptions["verdict"] == "open"]
    for name in ("hold", "chase", "claim", "check"):
        rows = _read(night / "lists" / f"{name}.csv")
        assert [row["id"] for row in rows] == list(to_act[to_act["list"] == name]["id"])
    assert list(_read(night / "lists" / "claim.csv")[1].values()) == [
        *("LL-1003", "", "alder", "", "3100", "JPY", "2026-10-05", "Paid more than once"),
        "For LL-1003: 2 payments of 90.00 in all.",
        "Write to alder and ask what happened.",
        "double-paid:1003",
    ]
    assert _read(night / "lists" / "pay.csv") == [
        {
            "order_ref": "LL-1001",
            "supplier": "kestrel",
            "invoice_no": "INV-5",
            "amount": "45.00",
            "currency": "EUR",
            "due_by": "2026-10-21",
        }
    ]
    assert [list(row.values()) for row in _read(night / "lists" / "post.csv")] == [
        ["LL-1007", "LAMP-1", "An Post", "1111222233334444"]
    ]
    assert [list(row.values()) for row in _read(night / "rejected_rows.csv")] == [
        ["store-orders", "store/orders-1.csv", "", "7", "qty", "two", "a whole number"]
    ]


def test_csv_files_are_utf_8_with_plain_line_ends(night: Path) -> None:
    for name, data in _files(night).items():
        if name.endswith(".csv"):
            assert data.decode("utf-8").endswith("\n")
            assert b"\r" not in data
            assert not data.startswith(b"\xef\xbb\xbf")


def test_the_summary_adds_up_to_the_exceptions(night: Path) -> None:
    text = (night / "summary.json").read_text(encoding="utf-8")
    found = json.loads(text)
    assert text == json.dumps(found, indent=2, sort_keys=True, ensure_ascii=False) + "\n"
    rows = _read(night / "exceptions.csv")
    keys = ("rule", "verdict", "class", "currency")
    counts = Counter(tuple(row[key] for key in keys) for row in rows)
    sums: dict[tuple[str, ...], Decimal] = {}
    for row in rows:
        if row["amount"]:
            group = tuple(row[key] for key in keys)
            sums[group] = sums.get(group, Decimal(0)) + Decimal(row["amount"])
    groups = found["exceptions"]["groups"]
    shown = {tuple(group[key] for key in keys): group for group in groups}
    assert len(groups) == len(shown)
    assert {key: group["count"] for key, group in shown.items()} == dict(counts)
    assert {
        key: Decimal(value["sum"]) for key, value in shown.items() if value["sum"] is not None
    } == sums
    assert found["exceptions"]["total"] == sum(found["exceptions"]["by_verdict"].values()) == 14
    assert found["order_lines"]["by_state"]["to-pay"] == 1
    assert sum(found["order_lines"]["by_state"].values()) == found["order_lines"]["total"] == 5


def test_the_summary_says_where_each_row_of_each_file_went() -> None:
    found: Any = summary(results())
    orders = found["sources"]["store-orders"]
    assert [file["sha256"] for file in orders["files"]] == ["aa11", "bb22"]
    for source in found["sources"].values():
        for rows in (source["rows"], *(file["rows"] for file in source["files"])):
            assert rows["rows"] == sum(count for name, count in rows.items() if name != "rows")
    assert orders["sums"] == [
        {"column": "unit_price", "currency": "EUR", "rows": 10, "sum": "1235.00"}
    ]
    assert [part["sum"] for part in orders["sums_by_file"]] == ["1234.50", "0.50"]
    assert [(part["left"], part["holds"]) for part in found["proofs"]] == [
        (26, True),
        ("12345.67", True),
    ]


def test_only_the_log_tells_the_time(tmp_path: Path) -> None:
    write_outputs(results(), tmp_path / "one")
    write_outputs(results(seconds={"intake": 99.5}), tmp_path / "two")
    one, two = _files(tmp_path / "one"), _files(tmp_path / "two")
    assert one.pop("run.log") != two.pop("run.log")
    assert one == two


def test_every_file_is_on_the_disk_before_the_night_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_disk, really = set[int](), os.fsync
    seen = list[str]()

    def fsync(handle: int) -> None:
        time.sleep(0.01)  # a disk that is slower than what is written to it
        really(handle)
        on_disk.add(os.fstat(handle).st_ino)

    def keep(_: str) -> None:
        [folder] = tmp_path.glob(".out.new")
        paths = [path for path in folder.rglob("*") if path.is_file()]
        seen.extend(path.name for path in paths if path.stat().st_ino in on_disk)
        assert len(seen) == len(paths)

    monkeypatch.setattr(os, "fsync", fsync)
    write_outputs(results(), tmp_path / "out", keep)
    assert {"exceptions.csv", "report.xlsx", "run.log", "alder-chase.txt"} <= set(seen)


@pytest.mark.parametrize("failing", [1, 5, 14])
def test_a_file_that_the_disk_does_not_take_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int
) -> None:
    calls, really = itertools.count(1), os.fsync

    def fsync(handle: int) -> None:
        if next(calls) == failing:
            raise OSError(errno.EIO, "Input/output error")
        really(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(FaultError, match="Input/output error"):
        write_outputs(results(), tmp_path / "out", pytest.fail)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", " =1"])
def test_no_text_of_any_csv_file_is_a_formula(tmp_path: Path, text: str) -> None:
    write_outputs(with_text(results(), text), tmp_path / "out")
    seen = 0
    for path in (tmp_path / "out").rglob("*.csv"):
        for row in _read(path):
            amounts = ("amount", "amount_home", "agreed", "billed_amount", "paid")
            texts = [value for name, value in row.items() if name not in amounts]
            assert not [value for value in texts if value.lstrip(" ")[:1] in [*"=+-@\t\r\n"]]
            # What follows a control character inside the text is kept from running as well.
            seen += sum(value.replace("'", "") == text for value in texts)
    assert seen > 100


def _many_sums() -> Contents:
    contents = results()
    currencies = ["EUR", "JPY", "BHD", "USD", "GBP", "SEK", "NOK", "DKK", "CHF", "PLN"]
    part = contents.exceptions.head(1)
    tables = [
        part.assign(**{"currency": currency, "class": name})
        for currency in currencies
        for name in ("claim", "owed", "at-risk")
    ]
    return replace(contents, exceptions=pd.concat(tables), shop="Lantern\nLane " * 10)


@pytest.mark.parametrize("contents", [results(), empty_results(), _many_sums()])
def test_the_summary_fits_a_phone(contents: Contents) -> None:
    lines = summary_text(contents).split("\n")
    assert len(lines) <= 25
    assert max(len(line) for line in lines) <= 60
    assert " ".join(lines[-3:]).endswith("A person decides before money moves.")


def test_the_summary_leaves_no_count_out_where_there_are_many() -> None:
    contents = results()
    exceptions = pd.concat([contents.exceptions] * 12_345, ignore_index=True)
    told = " ".join(summary_text(replace(contents, exceptions=exceptions)).split())
    of_each = "waiting 12,345, unknown 12,345, follows 12,345, accepted 12,345"
    assert f"Not open: {of_each}" in told
    assert "…" not in told


@pytest.mark.parametrize(
    ("ends", "told"),
    [
        ({"orders": 8, "bank": 40}, "No rows since: bank 2026-09-21, orders 2026-10-23"),
        ({"orders": 7, "bank": 0}, ""),
        ({"orders": None}, ""),
    ],
)
def test_the_summary_tells_of_exports_that_have_stopped(
    ends: dict[str, int | None], told: str
) -> None:
    contents = results()
    days = {
        name: "" if ago is None else str(contents.as_of - timedelta(days=ago))
        for name, ago in ends.items()
    }
    files = pd.DataFrame({"record": list(days), "covered_to": list(days.values())}, dtype="str")
    files = files.assign(rows=1, rejected=0)
    text = summary_text(replace(contents, files=files))
    assert [line for line in text.split("\n") if "since: " in line] == ([told] if told else [])


def test_the_summary_says_what_matters() -> None:
    text = summary_text(results())
    assert "Open: 10 (4 high, 4 medium, 2 low)" in text
    assert "  claim          1,234,577.88 EUR in 2\n" in text
    assert "Not open: waiting 1, unknown 1, follows 1, accepted 1" in text
    assert "Lists: hold 1, pay 1, chase 3, claim 2, post 1, check 2" in text
    assert "Rows: 26 read, 1 rejected" in text
    contents = results()
    contents.proofs.loc[0, "holds"] = False
    assert "PROOF FAILED: 1 of 2; do not act on this report" in summary_text(contents)
    assert "  and 21 more sums in report.xlsx" in summary_text(_many_sums())
