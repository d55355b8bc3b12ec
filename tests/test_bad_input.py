"""What cannot be used is refused, all of it at once, and nothing is written.

Each message says where, what is wrong and what to do.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from reconcile.errors import RefusedError
from reconcile.nightly import run_nightly
from tests.intake.folders import (
    AS_OF,
    ORDERS,
    PAYMENTS,
    csv_of,
    everything,
    only_problem,
    read,
    refused,
    somebody,
    source,
    write,
)

ROW = "1,2026-01-02,LAN-1,1,2.50,EUR"
GOOD = {"orders.csv": csv_of(ORDERS, ROW)}


def _run(shop: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "reconcile", "nightly", str(shop), "--as-of", str(AS_OF)]
    return subprocess.run([*command, *options], capture_output=True, text=True, check=False)


# Paths


@pytest.mark.parametrize(
    "pattern", ["../orders.csv", "a/../../orders.csv", "/etc/passwd", "..", "/"]
)
def test_paths_out_of_the_folder(tmp_path: Path, pattern: str) -> None:
    (tmp_path / "orders.csv").write_text(GOOD["orders.csv"])
    settings = source("orders").replace("orders*", pattern)
    problems = refused(write(tmp_path / "shop", {}, settings))
    assert [one.what for one in problems] == [f"the path {pattern!r} leaves the shop folder."]


@pytest.mark.parametrize("through", ["file", "folder"])
def test_links_out_of_the_folder(tmp_path: Path, through: str) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "orders.csv").write_text(GOOD["orders.csv"])
    shop = write(tmp_path / "shop", {}, source("orders", files="store/orders"))
    if through == "folder":
        (shop / "store").symlink_to(tmp_path / "there")
    else:
        (shop / "store").mkdir()
        (shop / "store" / "orders.csv").symlink_to(tmp_path / "there" / "orders.csv")
    assert "leads out of the shop folder" in only_problem(shop).what


def test_a_link_inside_the_folder_is_a_file_like_others(tmp_path: Path) -> None:
    shop = write(tmp_path, {"kept/2026.csv": GOOD["orders.csv"]})
    (shop / "orders.csv").symlink_to("kept/2026.csv")
    assert list(read(shop).files["accepted"]) == [1]


@pytest.mark.parametrize("pattern", ["order-*.csv", "store/**/*.csv", "[", "orders.csv/x", "~"])
def test_a_pattern_that_matches_nothing(tmp_path: Path, pattern: str) -> None:
    problem = only_problem(write(tmp_path, GOOD, source("orders").replace("orders*", pattern)))
    assert problem.place == "shop.toml source 'orders'"
    assert problem.what == f"no file matches {pattern!r}."


@pytest.mark.parametrize("pattern", ["", ".", "**orders.csv", "***"])
def test_a_pattern_that_is_none(tmp_path: Path, pattern: str) -> None:
    problem = only_problem(write(tmp_path, GOOD, source("orders").replace("orders*", pattern)))
    assert repr(pattern) in problem.what


@pytest.mark.parametrize("thing", ["folder", "link to nothing", "link to itself"])
def test_what_has_the_name_of_a_file_and_is_none(tmp_path: Path, thing: str) -> None:
    shop = write(tmp_path, {})
    if thing == "folder":
        (shop / "orders.csv").mkdir()
    else:
        to = "nowhere.csv" if thing == "link to nothing" else "orders.csv"
        (shop / "orders.csv").symlink_to(to)
    assert "no file matches" in only_problem(shop).what


@pytest.mark.parametrize("name", ["orders.csv", "shop.toml"])
def test_a_file_that_may_not_be_read(name: str) -> None:
    with somebody() as folder:
        (write(folder, GOOD) / name).chmod(0)
        problem = only_problem(folder)
    assert problem.place == name
    assert problem.what == "it cannot be read: Permission denied."


def test_a_folder_that_may_not_be_entered() -> None:
    with somebody() as folder:
        write(folder, {"store/orders.csv": GOOD["orders.csv"]}, source("orders", files="store/o"))
        (folder / "store").chmod(0o444)
        with pytest.raises(RefusedError) as caught:
            run_nightly(folder, lambda _: AS_OF, None, lambda _: None)
        (folder / "store").chmod(0o755)
    [problem] = caught.value.problems
    assert problem.place == "shop.toml source 'orders'"
    assert "store/o*" in problem.what


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    values = '[source.values]\nunit_cost = "x"\ncurrency = "ABC"'
    settings = (
        "[rules.unpaid]\ngrace_day = 2\n[rules.unpayed]\nx = 1\n"
        + source("orders", files="store/")
        + source("payments")
        + source("quotes", values)
        + source("invoices")
        + source("shipments", 'covered_to = "never"')
    )
    files: dict[str, str | bytes] = {
        "store/a.csv": b"",
        "store/b.csv": csv_of("order_ref,ordered_at", "1,2"),
        "store/c.csv": b"\0\0\0",
        "store/d.csv": csv_of(ORDERS, '"' + ROW),
        "payments.csv": csv_of(PAYMENTS.replace("amount", "amt"), "1,2"),
        "quotes.csv": csv_of("supplier,sku", "1,2"),
    }
    problems = refused(write(tmp_path, files, settings))
    assert [(one.place, one.column or one.what.split()[-1].strip("'.")) for one in problems] == [
        ("payments.csv", "amount"),
        ("shop.toml [rules.unpaid]", "known"),
        ("shop.toml [rules.unpayed]", "unpayed"),
        ("shop.toml source 'invoices'", "invoices*"),
        ("shop.toml source 'quotes' values", "fit"),
        ("shop.toml source 'quotes' values", "fit"),
        ("shop.toml source 'shipments'", "date"),
        ("store/a.csv", "empty"),
        *(("store/b.csv", name) for name in ("currency", "qty", "sku", "unit_price")),
        ("store/c.csv", "damaged"),
        ("store/d.csv", "closed"),
    ]


# The command


def test_a_refused_run_says_why_and_leaves_nothing(tmp_path: Path) -> None:
    shop = write(tmp_path / "shop", {"orders.csv": csv_of(ORDERS + ",sku", ROW + ",")})
    run = _run(shop)
    assert run.returncode == 2
    assert run.stdout == ""
    assert run.stderr.splitlines() == [
        "Refused; nothing has been written.",
        "- orders.csv, row 1, column sku: more than one column could be sku: 'sku' is there twice."
        " Name a header that occurs once, or rename one in the export.",
    ]
    assert everything(shop) == ["orders.csv", "shop.toml"]


def test_a_cell_that_does_not_parse_rejects_its_row_and_the_run_goes_on(tmp_path: Path) -> None:
    bad = ["2,2026-02-30,LAN-1,1,2.50,EUR", "3,2026-01-02,LAN-1,-1,2.50,EUR",
           "4,2026-01-02,LAN-1,1,2.50,ABC"]  # fmt: skip
    shop = write(tmp_path / "shop", {"orders.csv": csv_of(ORDERS, ROW, *bad)})
    run = _run(shop)
    assert run.returncode == 0, run.stderr
    assert "3 rejected" in run.stdout
    rows = (shop / "out" / str(AS_OF) / "rejected_rows.csv").read_text(encoding="utf-8")
    assert all(text in rows for text in ("2026-02-30", "-1", "ABC"))


def test_a_night_before_every_row_is_a_night_without_findings(tmp_path: Path) -> None:
    files = {
        "orders.csv": csv_of(ORDERS, ROW),
        "payments.csv": csv_of(PAYMENTS, "kestrel,P1,2026-01-03,2.00,EUR,1"),
        "shipments.csv": csv_of("supplier,order_ref,shipped_at", "kestrel,1,2026-01-03"),
    }
    settings = "".join(source(record) for record in ("orders", "payments", "shipments"))
    shop = write(tmp_path / "shop", files, settings)
    run = _run(shop, "--as-of", "2025-12-31")
    assert run.returncode == 0, run.stderr
    lines = (shop / "out" / "2025-12-31" / "exceptions.csv").read_text(encoding="utf-8")
    assert len(lines.splitlines()) == 1


@pytest.mark.parametrize("option", [("--as-of", "2026-02-30"), ("--fail-on", "huge"), ("--no",)])
def test_options_that_are_wrong(tmp_path: Path, option: tuple[str, ...]) -> None:
    shop = write(tmp_path / "shop", GOOD)
    run = _run(shop, *option)
    assert run.returncode == 2
    assert "Traceback" not in run.stderr
    assert everything(shop) == ["orders.csv", "shop.toml"]


@pytest.mark.parametrize("out", ["shop", ".", "shop/orders.csv", "shop/orders.csv/deeper"])
def test_a_place_where_no_report_can_go(tmp_path: Path, out: str) -> None:
    shop = write(tmp_path / "shop", GOOD)
    run = _run(shop, "--out", str(tmp_path / out))
    assert run.returncode == 2
    assert "--out" in run.stderr
    assert everything(tmp_path) == ["shop", "shop/orders.csv", "shop/shop.toml"]
    assert (shop / "orders.csv").read_text() == GOOD["orders.csv"]


def test_an_output_folder_that_may_not_be_written() -> None:
    with somebody() as folder:
        shop = write(folder / "shop", GOOD)
        shop.chmod(0o555)
        problem = only_problem(shop)
        shop.chmod(0o755)
    assert "may not be written" in problem.what
    assert "--out" in problem.mend


# A machine that gives out


_SMALL_FILES = """
import resource, sys
from reconcile.cli import main
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv.pop(1)),) * 2)
main()
"""


@contextmanager
def _small_disk(folder: Path) -> Iterator[int]:
    """A disk of six pages, where one may be mounted; gives how long a file may be elsewhere."""
    mount, undo = shutil.which("mount"), shutil.which("umount")
    mounted = False
    if mount and undo and os.geteuid() == 0:
        command = [mount, "-t", "tmpfs", "-o", "size=24k", "tmpfs", str(folder)]
        mounted = subprocess.run(command, check=False, capture_output=True).returncode == 0
    try:
        yield 1 << 30 if mounted else 3000
    finally:
        if mounted and undo:
            subprocess.run([undo, str(folder)], check=True)


def _fault(shop: Path, out: Path, size: int) -> str:
    command = [sys.executable, "-c", _SMALL_FILES, str(size), "nightly", str(shop)]
    command += ["--as-of", str(AS_OF), "--out", str(out)]
    # Measuring would write a file of its own, which may not grow either.
    plain = {name: value for name, value in os.environ.items() if "COVERAGE" not in name}
    run = subprocess.run(command, capture_output=True, text=True, check=False, env=plain)
    assert run.returncode == 3, run.stderr
    assert run.stdout == ""
    [line] = run.stderr.splitlines()
    return line


@pytest.mark.parametrize("earlier", [False, True])
def test_a_file_that_may_not_grow_leaves_everything_as_it_was(
    tmp_path: Path, *, earlier: bool
) -> None:
    shop = write(tmp_path / "shop", GOOD)
    if earlier:
        assert _run(shop, "--out", str(tmp_path / "out")).returncode == 0
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    line = _fault(shop, tmp_path / "out", 3000)
    assert line.startswith("Fault: ")
    assert "the report cannot be written" in line
    after = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert after == before
    assert (tmp_path / "out").exists() == earlier


def test_a_full_disk_leaves_everything_as_it_was(tmp_path: Path) -> None:
    shop = write(tmp_path / "shop", GOOD)
    disk = tmp_path / "disk"
    disk.mkdir()
    with _small_disk(disk) as size:
        (disk / "out").mkdir()
        (disk / "out" / "exceptions.csv").write_text("of last night")
        line = _fault(shop, disk / "out", size)
        assert line.startswith("Fault: ")
        assert "and run again." in line
        assert everything(disk) == ["out", "out/exceptions.csv"]
        assert (disk / "out" / "exceptions.csv").read_text() == "of last night"
