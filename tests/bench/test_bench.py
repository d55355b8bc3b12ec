"""The benchmark measures what it says. No timing is asserted."""

from __future__ import annotations

import json
import sys
from collections import Counter
from contextlib import redirect_stdout
from datetime import UTC, date, datetime
from io import StringIO
from pathlib import Path
from subprocess import CalledProcessError
from typing import Any

import polars as pl
import pytest

from tests.bench import duckdb_four, polars_four
from tests.bench.__main__ import main
from tests.bench.machine import machine
from tests.bench.processes import measure
from tests.bench.shop import build
from tests.bench.size import RULES, compared, found, ratios
from tests.bench.spoil import spoil
from tests.bench.table import BEGIN, DEVELOPERS, END, NAMES, RATIOS, growth, report, with_tables
from tests.bench.turns import Runner, in_turn, stage_seconds
from tests.house.rule_list import parts

LINES = 456
MIB = 2**20


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, str]:
    """The benchmark of the smallest shop, everything run once: its JSON, and what it printed."""
    path = tmp_path_factory.mktemp("bench") / "told" / "bench.json"
    printed = StringIO()
    with redirect_stdout(printed):
        main(["--lines", str(LINES), "--rounds", "1", "--json", str(path)])
    return json.loads(path.read_text()), printed.getvalue()


@pytest.fixture(scope="module")
def size(told: tuple[Any, str]) -> Any:
    """The one size that was measured."""
    (only,) = told[0]["sizes"]
    return only


@pytest.mark.no_cover
def test_the_smallest_size_is_measured_whole(size: Any) -> None:
    assert size["order_lines"] == size["rows"]["orders"] == pytest.approx(LINES, rel=0.1)
    assert set(size["runs"]) == set(NAMES)
    assert set(size["ratios"]) == set(RATIOS)
    assert set(size["open"]) == set(RULES)
    assert all(size["open"].values())
    for name in ("nightly", "second_night", "spoiled_night"):
        stages = size["stages"][name]
        assert {"reading", "matching", "checking"} < set(stages)
        assert sum(stages.values()) == pytest.approx(size["runs"][name]["median"], abs=0.01)
    peaks = {name: run["peak_bytes"] for name, run in size["runs"].items()}
    assert size["memory"]["peak_bytes"] == peaks["nightly"] > peaks["as_text"] > 2**24


@pytest.mark.no_cover
def test_the_tables_name_every_run_and_stand_between_the_marks(
    told: tuple[Any, str], size: Any
) -> None:
    result, printed = told
    assert printed == report(result)
    assert "growth" not in printed
    sizes = [size, size | {"order_lines": size["order_lines"] * 10}]
    result = result | {"sizes": sizes, "growth": growth(sizes)}
    text = report(result)
    for label in (*NAMES.values(), *RATIOS.values(), "reading", "matching"):
        assert f"\n| {label} " in text
    assert f"| {size['order_lines']:,} lines | {size['order_lines'] * 10:,} lines |" in text
    widths = {len(line) for line in text.split("\n\n")[1].splitlines()}
    assert len(widths) == 1
    before = f"above\n{BEGIN}of last year\n{END}below\n"
    assert with_tables(before, result) == f"above\n{BEGIN}{text}{END}below\n"


def test_the_guide_shows_tables_as_they_are_made_today() -> None:
    """Python -m tests.bench and python -m tests.bench.table make them anew."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    assert text.count(BEGIN) == text.count(END) == 1
    _, inside, _ = parts(text, BEGIN, END)
    rows = [line.split("|")[1].strip() for line in inside.splitlines() if line.startswith("| ")]
    assert set(NAMES.values()) | set(RATIOS.values()) <= set(rows)


@pytest.mark.parametrize(("orders", "seed"), [(300, 1), (1500, 2), (1500, 3)])
def test_polars_and_duckdb_find_the_same(tmp_path: Path, orders: int, seed: int) -> None:
    day = build(tmp_path / "shop", orders, seed).as_of
    sql, lazy = tmp_path / "sql.csv", tmp_path / "lazy.csv"
    duckdb_four.main(tmp_path / "shop", day.isoformat(), sql)
    polars_four.main(tmp_path / "shop", day, lazy)
    assert lazy.read_bytes() == sql.read_bytes()
    assert set(Counter(rule for rule, _, _ in found(lazy).elements())) == set(RULES)


def test_what_is_open_is_compared_both_ways(tmp_path: Path) -> None:
    path = tmp_path / "found.csv"
    path.write_text(
        "rule,verdict,order_ref,sku\n"
        "unpaid,open,LL-1,\nunpaid,waiting,LL-2,\nunfulfilled,open,LL-3,LAN-101\nlate,open,LL-4,\n"
    )
    one = found(path)
    assert compared(one, one, "both") == {
        "unpaid": 1,
        "double-paid": 0,
        "unfulfilled": 1,
        "missing-tracking": 0,
    }
    other = one + Counter({("unpaid", "LL-1", ""): 1})
    for ours, theirs in ((one, other), (other, one)):
        with pytest.raises(SystemExit, match=r"both found differs in 1:\n.*LL-1"):
            compared(ours, theirs, "both")


def test_one_cell_in_a_hundred_of_every_column_is_spoiled(tmp_path: Path) -> None:
    build(tmp_path / "shop", 700, 5)
    for name, seed in (("one", 7), ("same", 7), ("other", 8)):
        spoil(tmp_path / "shop", tmp_path / name, seed)
    for path in (tmp_path / "shop").glob("*.csv"):
        clean, spoiled = (
            pl.read_csv(folder / path.name, infer_schema=False)
            for folder in (path.parent, tmp_path / "one")
        )
        assert spoiled.columns == clean.columns
        for column in clean.columns:
            changed = clean[column].ne_missing(spoiled[column])
            assert changed.sum() == max(1, round(len(clean) / 100)), (path.name, column)
            assert spoiled.filter(changed)[column].null_count() == 0
        assert (tmp_path / "same" / path.name).read_bytes() == spoiled.write_csv().encode()
        assert (tmp_path / "other" / path.name).read_bytes() != spoiled.write_csv().encode()
    settings = [(tmp_path / name / "shop.toml").read_bytes() for name in ("shop", "one")]
    assert settings[0] == settings[1]


def test_processes_run_in_turn_and_leave_nothing_to_each_other(tmp_path: Path) -> None:
    log, left = tmp_path / "log", tmp_path / "left"
    program = (
        "import sys, pathlib; name, log, left = sys.argv[1:]; left = pathlib.Path(left); "
        "open(log, 'a').write(name + '.+'[left.exists()]); left.mkdir(exist_ok=True)"
    )
    runners = [
        Runner(name, [sys.executable, "-c", program, name, str(log), str(left)], removed)
        for name, removed in (("a", (left,)), ("b", ()))
    ]
    taken = in_turn(runners, 2)
    assert log.read_text() == "a.b+a.b+"
    assert [len(each.costs.runs) for each in taken.values()] == [2, 2]
    with pytest.raises(CalledProcessError, match="status 2"):
        in_turn([Runner("fails", [sys.executable, "-c", "raise SystemExit(2)"])], 1)


def test_a_process_is_measured_and_not_whoever_starts_it() -> None:
    idle = measure([sys.executable, "-c", "pass"])
    busy = measure([sys.executable, "-c", f"bytearray(b'x') * {100 * MIB}"])
    assert idle.peak_bytes < 50 * MIB < 90 * MIB < busy.peak_bytes - idle.peak_bytes < 110 * MIB
    held = b"x" * (200 * MIB)
    assert measure([sys.executable, "-c", "pass"]).peak_bytes < 50 * MIB < len(held)


def test_ratios_are_of_medians(tmp_path: Path) -> None:
    names = {name for pair in RATIOS for name in pair.split("/")}
    taken = in_turn([Runner(name, [sys.executable, "-c", "pass"]) for name in names], 1)
    for pair, ratio in ratios(taken).items():
        ours, theirs = (taken[name].costs.seconds()[0] for name in pair.split("/"))
        assert ratio["seconds"] == round(ours / theirs, 3)
    assert set(ratios(taken)) == set(RATIOS)
    (tmp_path / "run.log").write_text("reconcile 0.1.0\nreading   0.001 s\nmatching  0.002 s\n")
    cost = taken["nightly"].costs.runs[0]
    assert stage_seconds(tmp_path, cost) == pytest.approx(
        {"reading": 0.001, "matching": 0.002, "start and writing": cost.seconds - 0.003}
    )


def test_growth_is_the_power_of_the_order_lines() -> None:
    sizes = [
        {"order_lines": lines, "runs": {name: {"median": seconds} for name in NAMES}}
        for lines, seconds in ((1000, 1.0), (10_000, 10.0), (40_000, 160.0))
    ]
    assert growth(sizes) == [dict.fromkeys(NAMES, 1.0), dict.fromkeys(NAMES, 2.0)]


def test_the_machine_is_told_with_the_day_and_the_versions() -> None:
    told = machine()
    assert date.fromisoformat(told["date"]) <= datetime.now(UTC).date()
    assert set(told["packages"]) >= {"pandas", "pyarrow", "duckdb", "polars"}
    assert told["memory_bytes"] > 2**30
