"""What is private never leaves the file it stands in."""

from __future__ import annotations

import csv
import io
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tests.shops import PRIVATE_MARKS, build_shop

pytestmark = pytest.mark.no_cover

MARKS = [mark.encode() for mark in PRIVATE_MARKS.values()]


def _marks_in(data: bytes) -> list[bytes]:
    return [mark for mark in MARKS if mark in data]


def _written(folder: Path) -> dict[str, bytes]:
    """Every file below a folder; of a workbook the parts it is packed from."""
    contents: dict[str, bytes] = {}
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        if path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as pack:
                contents |= {f"{path.name}/{name}": pack.read(name) for name in pack.namelist()}
        else:
            contents[path.name] = path.read_bytes()
    return contents


def _nightly(shop: Path, out: Path) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-m", "reconcile", "nightly", str(shop), "--as-of", "2026-10-01"]
    return subprocess.run([*command, "--out", str(out)], capture_output=True, check=False)


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A shop with every fault, and its orders as a list of rows."""
    folder = tmp_path / "shop"
    build_shop(folder, orders=300, seed=5)
    assert len(_marks_in((folder / "orders.csv").read_bytes())) == len(MARKS)
    return folder


def _rewrite(shop: Path, change: dict[int, tuple[str, str]]) -> None:
    """Put another text into a cell of some rows of the orders."""
    path = shop / "orders.csv"
    rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
    for row, (name, text) in change.items():
        rows[row][rows[0].index(name)] = text
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)


def test_no_output_names_a_customer(shop: Path, tmp_path: Path) -> None:
    bad = {"qty": "-1", "ordered_at": "2026-02-30", "unit_price": "x", "currency": "?", "sku": ""}
    _rewrite(shop, dict(enumerate(bad.items(), start=5)))
    path = shop / "orders.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    ragged = [lines[20] + ",more", lines[21].rsplit(",", 1)[0]]
    path.write_text("\n".join([*lines, *ragged]) + "\n", encoding="utf-8")
    run = _nightly(shop, tmp_path / "out")
    assert run.returncode == 0, run.stderr
    written = _written(tmp_path / "out")
    assert {"exceptions.csv", "rejected_rows.csv", "xl/workbook.xml", "summary.json"} <= {
        name.removeprefix("report.xlsx/") for name in written
    }
    assert written["rejected_rows.csv"].count(b"\n") >= 8
    assert {name: _marks_in(data) for name, data in written.items() if _marks_in(data)} == {}
    assert _marks_in(run.stdout + run.stderr) == []


@pytest.mark.parametrize("quote_in", ["first", "last"])
def test_cells_below_an_open_quote_are_not_shown(shop: Path, tmp_path: Path, quote_in: str) -> None:
    path = shop / "orders.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    at = 3 if quote_in == "first" else len(lines) - 1
    lines[at] = '"' + lines[at]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run = _nightly(shop, tmp_path / "out")
    assert run.returncode == 2
    assert b"quote" in run.stderr
    assert _marks_in(run.stdout + run.stderr) == []
    assert not (tmp_path / "out").exists()


def test_cells_between_two_open_quotes_are_not_shown(shop: Path, tmp_path: Path) -> None:
    path = shop / "orders.csv"
    rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    at = rows[0].index("tracking_no")
    # The quote of one row is closed by that of a later one; the cells then number as they should
    rows[3][at], rows[5][at] = '"KX', 'KX"'
    path.write_text("\n".join(",".join(row) for row in rows) + "\n", encoding="utf-8")
    run = _nightly(shop, tmp_path / "out")
    assert run.returncode == 0, run.stderr
    written = _written(tmp_path / "out")
    assert b"quote" in written["rejected_rows.csv"]
    assert {name: _marks_in(data) for name, data in written.items() if _marks_in(data)} == {}
    assert _marks_in(run.stdout + run.stderr) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"order_ref,", b"order_number,"),
        (b"order_ref,", b"sku,"),
        (b"EUR", b"\xff\xfe"),
        (b"EUR", b"\0\0"),
    ],
)
def test_no_refusal_names_a_customer(shop: Path, tmp_path: Path, old: bytes, new: bytes) -> None:
    path = shop / "orders.csv"
    path.write_bytes(path.read_bytes().replace(old, new))
    run = _nightly(shop, tmp_path / "out")
    assert run.returncode == 2
    assert b"orders.csv" in run.stderr
    assert _marks_in(run.stdout + run.stderr) == []
