"""Workbooks by the rules of the open standard, ECMA-376 (ISO/IEC 29500)."""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import zipfile
from datetime import date
from functools import cache
from pathlib import Path

import pytest

from reconcile.month_end.period import Month
from reconcile.month_end.run import run_month_end
from reconcile.nightly import run_nightly
from reconcile.report.contents import Contents
from reconcile.report.workbook import workbook
from tests.house.project import ROOT
from tests.outside.open_xml import by_schema, by_structure
from tests.report.results import empty_results, results, with_text
from tests.shops.sample import FOLDER

# A text of everything that XML or a spreadsheet could stumble over
HOSTILE = "=1+1 <b>&amp; \"'\r\n\t\x00\x1f\ufffe_x0041_ ]]> \U0001f3ee"


@pytest.fixture(scope="module")
def sample_books(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The workbooks of the sample shop: of a night with one before it, and of a month."""
    shop = tmp_path_factory.mktemp("sample") / "shop"
    shutil.copytree(FOLDER, shop, ignore=shutil.ignore_patterns("out", "history.db*"))
    run_nightly(shop, lambda _: date(2026, 10, 30), None, lambda _: None)
    _, night = run_nightly(shop, lambda _: date(2026, 10, 31), None, lambda _: None)
    _, month = run_month_end(shop, Month(2026, 10), None, lambda _: None)
    return [night / "report.xlsx", month / "cash-check.xlsx"]


def _book(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


@pytest.mark.no_cover
def test_the_samples_workbooks_follow_the_standard(sample_books: list[Path]) -> None:
    for path in sample_books:
        assert by_schema(path) == []
        assert by_structure(path) == []


@pytest.mark.parametrize(
    "contents",
    [results(), results(report_rows=1), empty_results(), with_text(results(), HOSTILE)],
    ids=["usual", "over-the-limit", "quiet", "hostile"],
)
def test_workbooks_follow_the_standard(contents: Contents, tmp_path: Path) -> None:
    path = _book(tmp_path / "report.xlsx", workbook(contents))
    assert by_schema(path) == []
    assert by_structure(path) == []


def test_the_bytes_are_the_same_whichever_library_writes_xml() -> None:
    """Openpyxl would write with lxml where it is installed: other bytes, and other errors."""
    code = (
        "import sys; from reconcile.report.workbook import workbook;"
        "from tests.report.results import results; sys.stdout.buffer.write(workbook(results()));"
        "from openpyxl.xml import LXML; sys.stderr.write(str(LXML))"
    )
    runs = [
        subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            check=True,
            cwd=ROOT,
            env=os.environ | {"OPENPYXL_LXML": use},
        )
        for use in ("True", "False")
    ]
    assert [run.stderr for run in runs] == [b"False", b"False"]
    assert runs[0].stdout == runs[1].stdout


@pytest.mark.parametrize(
    ("part", "old", "new", "said"),
    [
        ("xl/tables/table2.xml", ' id="2" ', ' id="1" ', "two tables have the id 1"),
        (
            "xl/tables/table2.xml",
            ' name="HoldTotals"',
            ' name="HoldList"',
            "two tables have the name",
        ),
        (
            "xl/tables/table1.xml",
            'displayName="HoldList"',
            'displayName="A1"',
            "'A1' is no name of a table",
        ),
        ("xl/tables/table1.xml", 'name="Due by"', 'name="Due"', "not called as its headings"),
        ("xl/worksheets/sheet2.xml", '<c r="B3"', '<c r="B4"', "B4 is out of its place"),
        ("xl/worksheets/sheet2.xml", '<row r="3"', '<row r="2"', "row 2 comes after row 2"),
        ("xl/worksheets/sheet2.xml", '<c r="A3" s="', '<c r="A3" s="9', "a style that does not"),
        (
            "xl/worksheets/sheet2.xml",
            "<hyperlinks>",
            '<mergeCells count="1"><mergeCell ref="A3:B3"/></mergeCells><hyperlinks>',
            "has merged cells",
        ),
        ("xl/worksheets/sheet2.xml", "location=\"'Evi", "location=\"'Evo", "leads to 'Evo"),
        ("xl/worksheets/_rels/sheet2.xml.rels", "table2.xml", "table99.xml", "is not there"),
        ("xl/worksheets/_rels/sheet2.xml.rels", 'Id="rId2"', 'Id="rId7"', "no relationship of it"),
        ("[Content_Types].xml", 'PartName="/xl/styles.xml"', 'PartName="/x"', "no content type"),
        ("xl/workbook.xml", 'name="Hold"', 'name="Ho:ld"', "is no name of a sheet"),
        ("xl/workbook.xml", 'name="Hold"', f'name="{"H" * 32}"', "is no name of a sheet"),
        ("xl/workbook.xml", "'Hold'!$2:$2", "'Held'!$2:$2", "stands for 'Held'"),
    ],
)
def test_what_does_not_fit_together_is_seen(
    tmp_path: Path, part: str, old: str, new: str, said: str
) -> None:
    """The check itself: each of these makes some program offer a repair."""
    path = _damaged(tmp_path, part, old, new)
    assert any(said in fault for fault in by_structure(path)), by_structure(path)


@pytest.mark.parametrize(
    ("part", "old", "new"),
    [
        ("xl/worksheets/sheet2.xml", "<pageMargins", "<margins"),
        ("xl/worksheets/sheet2.xml", 'orientation="landscape"', 'orientation="askew"'),
        ("xl/worksheets/sheet2.xml", '<row r="3"', '<row r="three"'),
        ("xl/charts/chart1.xml", '<barDir val="col"', '<barDir val="upwards"'),
        ("xl/styles.xml", "<cellXfs", "<cellXf"),
    ],
)
def test_what_the_schema_does_not_know_is_seen(
    tmp_path: Path, part: str, old: str, new: str
) -> None:
    assert by_schema(_damaged(tmp_path, part, old, new)) != []


@cache
def _usual() -> bytes:
    return workbook(results())


def _damaged(folder: Path, part: str, old: str, new: str) -> Path:
    path = folder / "damaged.xlsx"
    with zipfile.ZipFile(io.BytesIO(_usual())) as source, zipfile.ZipFile(path, "w") as target:
        for name in source.namelist():
            text = source.read(name).decode()
            if name == part:
                assert old in text, f"{part} holds no {old}"
                # A closing tag of the same name goes with it.
                text = text.replace(old, new, 1)
                text = text.replace(f"</{old[1:]}>", f"</{new[1:]}>")
            target.writestr(name, text)
    return path
