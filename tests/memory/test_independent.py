"""A night depends on its files, settings, date and history, and on nothing of the machine."""

from __future__ import annotations

import ast
import os
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import reconcile
from reconcile.kept import Records
from reconcile.memory.rows import numbered
from tests.memory.growing import day_of
from tests.memory.small import begun, bytes_of, command, copied, files_of
from tests.memory.tables import tables

pytestmark = pytest.mark.no_cover

# Attributes by which Python tells the time or the age of a file
_CLOCKS = {"now", "today", "utcnow", "time_ns", "monotonic", "perf_counter", "localtime"}
_AGES = {"st_mtime", "st_mtime_ns", "st_ctime", "getmtime", "getctime", "st_birthtime"}
# The one reading of the day, the seconds of stages, and whether a file changes while it is read
_ALLOWED = {
    ("cli.py", "now"),
    ("night.py", "perf_counter"),
    ("intake/plain_text.py", "st_mtime_ns"),
}


def test_nothing_but_the_command_reads_the_clock_and_nobody_the_age_of_a_file() -> None:
    package = Path(reconcile.__file__).parent
    found = set()
    for path in package.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and (
                node.attr in _CLOCKS | _AGES or ast.unparse(node) in ("time.time", "os.stat")
            ):
                found.add((path.relative_to(package).as_posix(), node.attr))
    assert found == _ALLOWED


@pytest.mark.parametrize(
    ("zone", "seed", "age"),
    [("Pacific/Kiritimati", "1", 0), ("America/Los_Angeles", "2", 4_000_000_000)],
)
def test_neither_zone_nor_age_of_files_nor_hash_seed_change_a_night(
    tmp_path: Path, zone: str, seed: str, age: int
) -> None:
    shop = files_of(begun(tmp_path / "shop", 2, 3), 4)
    other = copied(shop, tmp_path / "other")
    for path in other.rglob("*"):
        os.utime(path, (age, age))
    for folder, more in (
        (shop, {"TZ": "UTC", "PYTHONHASHSEED": "0"}),
        (other, {"TZ": zone, "PYTHONHASHSEED": seed}),
    ):
        words = command(folder, "--as-of", str(day_of(4)))
        subprocess.run(words, env=os.environ | more, check=True, capture_output=True)
    assert tables(shop) == tables(other)
    night = f"out/{day_of(4)}/"
    left, right = (
        {name: text for name, text in bytes_of(each).items() if name.startswith(night)}
        for each in (shop, other)
    )
    assert left.keys() == right.keys()
    assert [name for name in left if left[name] != right[name]] == [f"{night}run.log"]


@pytest.mark.parametrize("place", ["memory", "disk"])
def test_digests_of_rows_are_the_same_on_every_machine(place: str, tmp_path: Path) -> None:
    """What an earlier night kept has to be found again, whoever runs the next one, and how."""
    orders = pd.DataFrame(
        {
            "order_ref": ["1001", "1001"],
            "order_ref_key": ["1001", "1001"],
            "sku": ["LAN-1", "LAN-2"],
            "sku_key": ["lan-1", "lan-2"],
            "qty": pd.array([1, None], dtype="Int64"),
            "ordered_date": pd.to_datetime(["2026-03-02", ""]).astype("datetime64[s]"),
            "file": [0, 0],
            "row": [2, 3],
        }
    )
    files = pd.DataFrame({"file": ["orders.csv"], "sheet": [""], "sha256": ["ab"]})
    records = Records({"orders": orders})
    if place == "disk":
        records.folder = tmp_path
    rows = numbered(records, files, {})
    assert dict(rows.begin) == {"files": 0, "orders": 1}
    every = np.arange(3)
    for name, wanted in DIGESTS.items():
        digests = rows.of(name, every)
        assert [f"{value:016x}" for value in digests.view(np.uint64)] == wanted, name
        having = rows.having(name, pd.Series(digests[1:2]))
        assert having["row"].tolist() == np.flatnonzero(digests == digests[1]).tolist()
    assert rows.places(every)["row"].tolist() == [0, 2, 3]


DIGESTS = {
    "key": ["4eb5c04cc1da294a", "7b652d0c97035562", "73110a7b116b09ac"],
    "whole": ["64147a087eb6fb63", "80430401a7c58f27", "80430401a7c58f27"],
    "last": ["901ad857b10309fc", "f76cf51fb004b0bf", "f76cf51fb004b0bf"],
    "content": ["64147a087eb6fb63", "ce15f0ac57dd3cb4", "356f709d0437a815"],
}
