"""CSV as its standard and a public collection of examples have it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from reconcile.errors import RefusedError
from reconcile.intake.encodings import to_utf8
from reconcile.intake.plain_text import HeldText
from reconcile.intake.table import CsvBody, first_rows, read_csv

SPECTRUM = Path(__file__).parent / "csv_spectrum"
BROKEN = "location_coordinates"


def rows(data: bytes) -> list[list[str]]:
    """All rows of a file, read both as its first rows and, below the first, as its table."""
    text, encoding = to_utf8("a.csv", data, "")
    assert encoding == "utf-8"
    head = first_rows("a.csv", text, ",")
    width = len(head[0])
    table = read_csv(CsvBody.below("a.csv", HeldText(text), 1, width, ","), range(width), set())
    assert len(table.ragged) == 0
    assert table.rows.tolist() == list(range(2, len(head) + 1))
    columns = [table.columns[at].rows().to_pylist() for at in range(width)]
    assert [list(row) for row in zip(*columns, strict=True)] == head[1:]
    return head


# RFC 4180, section 2: the examples of each of its numbered points, with the same row above where
# an example is only one row, since a table without rows shows nothing.
ABOVE = b"a,b,c\r\n"
LETTERS = ["a", "b", "c"]
RFC_4180 = [
    ("1", b"aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    ("2", b"aaa,bbb,ccc\r\nzzz,yyy,xxx", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    (
        "3",
        b"field_name,field_name,field_name\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",
        [["field_name"] * 3, ["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]],
    ),
    ("4", ABOVE + b"aaa,bbb,ccc", [LETTERS, ["aaa", "bbb", "ccc"]]),
    # "Spaces are considered part of a field and should not be ignored."
    ("4, spaces", ABOVE + b" aaa,bbb , \r\n", [LETTERS, [" aaa", "bbb ", " "]]),
    (
        "5",
        b'"aaa","bbb","ccc"\r\nzzz,yyy,xxx',
        [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]],
    ),
    (
        "6",
        b'"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx',
        [["aaa", "b\r\nbb", "ccc"], ["zzz", "yyy", "xxx"]],
    ),
    (
        "6, below a header",
        ABOVE + b'"aaa","b\r\nbb","c,c"\r\nzzz,yyy,xxx',
        [LETTERS, ["aaa", "b\r\nbb", "c,c"], ["zzz", "yyy", "xxx"]],
    ),
    ("7", ABOVE + b'"aaa","b""bb","ccc"', [LETTERS, ["aaa", 'b"bb', "ccc"]]),
]


@pytest.mark.parametrize(("point", "data", "expected"), RFC_4180, ids=[e[0] for e in RFC_4180])
def test_the_examples_of_rfc_4180(point: str, data: bytes, expected: list[list[str]]) -> None:
    assert rows(data) == expected, point


@pytest.mark.parametrize("end", ["\n", "\r"])
def test_other_line_ends_mean_the_same(end: str) -> None:
    for _, data, expected in RFC_4180:
        changed = data.replace(b"\r\n", end.encode())
        assert rows(changed) == [[cell.replace("\r\n", end) for cell in row] for row in expected]


def test_what_point_4_forbids_is_another_number_of_cells() -> None:
    """RFC: "Each line should contain the same number of fields"; other rows are set aside."""
    text = b"a,b,c\r\naaa,bbb,ccc,\r\nzzz,yyy,xxx\r\n"
    table = read_csv(CsvBody.below("a.csv", HeldText(text), 1, 3, ","), range(3), set())
    assert table.ragged.tolist() == [2]
    assert table.rows.tolist() == [3]


def test_what_point_5_forbids_is_refused_or_kept_as_it_stands() -> None:
    """RFC: "If fields are not enclosed with double quotes, then double quotes may not appear"."""
    assert rows(ABOVE + b'aaa,b"b,ccc\r\n')[1] == ["aaa", 'b"b', "ccc"]
    text = ABOVE + b'aaa,"bb,ccc\r\n'
    with pytest.raises(RefusedError) as caught:
        read_csv(CsvBody.below("a.csv", HeldText(text), 1, 3, ","), range(3), set())
    assert "never closed" in str(caught.value)


def examples() -> Iterator[str]:
    return (path.stem for path in sorted((SPECTRUM / "csvs").glob("*.csv")))


def spectrum(name: str) -> tuple[list[list[str]], object]:
    """The rows of an example of csv-spectrum, and what its JSON says."""
    found = rows((SPECTRUM / "csvs" / f"{name}.csv").read_bytes())
    return found, json.loads((SPECTRUM / "json" / f"{name}.json").read_bytes())


def as_objects(found: list[list[str]]) -> list[dict[str, str]]:
    return [dict(zip(found[0], row, strict=True)) for row in found[1:]]


@pytest.mark.parametrize("name", [name for name in examples() if name != BROKEN])
def test_the_examples_of_csv_spectrum(name: str) -> None:
    found, expected = spectrum(name)
    assert as_objects(found) == expected
    assert len(found) > 1


def test_all_examples_of_csv_spectrum_are_here() -> None:
    assert len(list(examples())) == 12
    assert sorted(path.stem for path in (SPECTRUM / "json").iterdir()) == list(examples())


def test_the_broken_example_differs_where_it_is_broken() -> None:
    found, expected = spectrum(BROKEN)
    [read] = as_objects(found)
    assert isinstance(expected, dict)
    assert {name for name in expected if expected[name] != read[name]} == {"Contact Phone Number"}
    assert "\ufffd" in read["Location Coordinates"]
