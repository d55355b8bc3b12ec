"""Large exports stay in their files: they are read by blocks as if they were in memory."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pytest

from reconcile.errors import Problem, RefusedError
from reconcile.intake.encodings import says_utf8, to_utf8
from reconcile.intake.files import read_content
from reconcile.intake.plain_text import HEAD, FileText, HeldText, Text, text_in_file
from reconcile.intake.table import CsvBody, first_rows, read_csv
from reconcile.intake.text_table import TextTable
from tests.intake.folders import ORDERS, read, refused, write

BOM = b"\xef\xbb\xbf"
ROWS = b"1001,LAN-1,5\n1002,LAN-2,7\n"
FILES = {
    "plain": b"a,b,c\n" + ROWS,
    "no line end at its end": b"a,b,c\n" + ROWS[:-1],
    "with a mark": BOM + b"a,b,c\n" + ROWS,
    "CR LF": (b"a,b,c\n" + ROWS).replace(b"\n", b"\r\n"),
    "CR": (b"a,b,c\n" + ROWS).replace(b"\n", b"\r"),
    "two kinds of line ends": b"a,b,c\r\n1001,LAN-1,5\r\n1002,LAN-2,7\n",
    "another kind above the header": b"title\r\na,b,c\n" + ROWS,
    "quotes": b'a,b,c\n1001,"LAN,1",5\n1002,"LAN\n2",7\n',
    "quotes above alone": b'"a",b,c\n' + ROWS,
    "quotes, CR LF, and LF in a cell": b'a,b,c\r\n1001,"LAN\n1",5\r\n1002,LAN-2,7\r\n',
    "quotes, and no line end": b'a,b,c\n1001,"LAN,1",5\n1002,"x",7',
    "an open quote": b'a,b,c\n1001,"LAN-1,5\n1002,LAN-2,7\n',
    "rows with other numbers of cells": b"a,b,c\n1,2\n1001,LAN-1,5\n1,2,3,4\n\n1002,LAN-2,7\n",
    "breaks off": b"a,b,c\n" + ROWS + b"1003,LA",
    "letters beyond ASCII": "a,b,c\n1001,Größe,5\n1002,油,7\n".encode(),
    "a header alone": b"a,b,c\n",
    "a header without a line end": b"a,b,c",
}
NOT_PLAIN = {
    "zero byte": b"a,b,c\n1,\0,3\n",
    "cp1252": "a,b,c\n1,Größe,3\n".encode("cp1252"),
    "UTF-16": "a,b,c\n1,2,3\n".encode("utf-16"),
    "cut inside a character": "a,b,c\n1,2,ö".encode()[:-1],
    "packed": gzip.compress(b"a,b,c\n"),
}


def in_file(folder: Path, data: bytes) -> FileText:
    (folder / "a.csv").write_bytes(data)
    text = text_in_file(folder / "a.csv", "a.csv")
    assert text is not None
    return text


def table_of(text: Text) -> TextTable | tuple[Problem, ...]:
    head = first_rows("a.csv", text.head, ",")
    row = next(at for at, cells in enumerate(head, start=1) if len(cells) > 1)
    try:
        return read_csv(CsvBody.below("a.csv", text, row, 3, ","), range(3), {0})
    except RefusedError as error:
        return tuple(error.problems)


def _read(stream: pa.NativeFile) -> bytes:
    return b"".join(iter(lambda: bytes(stream.read(7)), b""))


def same(one: TextTable | tuple[Problem, ...], other: TextTable | tuple[Problem, ...]) -> bool:
    if isinstance(one, tuple) or isinstance(other, tuple):
        return one == other
    texts = [{at: c.rows().to_pylist() for at, c in each.columns.items()} for each in (one, other)]
    return texts[0] == texts[1] and all(
        list(getattr(one, name)) == list(getattr(other, name)) for name in ("rows", "ragged")
    )


@pytest.mark.parametrize("name", FILES)
def test_a_text_in_its_file_is_the_text_in_memory(tmp_path: Path, name: str) -> None:
    data = FILES[name]
    held, text = HeldText(to_utf8("a.csv", data, "")[0]), in_file(tmp_path, data)
    assert (text.size, text.last, text.head) == (held.size, held.last, held.head)
    assert (text.line_ends, text.ascii) == (held.line_ends, held.ascii)
    assert text.raw() == data
    for start in range(held.size):
        assert text.whole(start) == held.whole(start)
        with text.stream(start, b"end") as stream, held.stream(start, b"end") as other:
            assert _read(stream) == _read(other) == held.whole(start) + b"end"
        for mark in (b'"', b"\r"):
            assert text.holds(mark, start) == held.holds(mark, start)
    assert same(table_of(text), table_of(held))


@pytest.mark.parametrize("name", NOT_PLAIN)
def test_other_files_are_not_plain(tmp_path: Path, name: str) -> None:
    (tmp_path / "a.csv").write_bytes(NOT_PLAIN[name])
    assert text_in_file(tmp_path / "a.csv", "a.csv") is None


@pytest.mark.parametrize("cut", ["\r\n", "é", "油", "\n", '"'])
def test_what_lies_across_two_blocks_is_one(tmp_path: Path, cut: str) -> None:
    mark = cut.encode()
    for back in range(1, len(mark) + 1):
        data = b"x" * (HEAD - back) + mark + b"y" * 9
        text = in_file(tmp_path, data)
        assert text.line_ends == HeldText(data).line_ends
        assert text.holds(b'"', 0) == (cut == '"')
        assert text.whole(0) == data


@pytest.mark.parametrize("declared", ["", "utf-8", "UTF-8-SIG", "ascii"])
def test_what_utf_8_may_be_called(declared: str) -> None:
    assert says_utf8(declared)
    assert not says_utf8(declared + "cp1252")


def changed(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"1003,LAN-3,9\n")


def replaced(path: Path) -> None:
    path.with_name("new").write_bytes(path.read_bytes())
    path.with_name("new").replace(path)


def removed(path: Path) -> None:
    path.unlink()


@pytest.mark.parametrize(
    ("do", "what"),
    [(changed, "has changed"), (replaced, "has changed"), (removed, "cannot be read: No such")],
)
def test_a_file_that_changes_while_it_is_read_is_refused(
    tmp_path: Path, do: Callable[[Path], None], what: str
) -> None:
    text = in_file(tmp_path, FILES["plain"])
    do(tmp_path / "a.csv")
    for use in (text.hold_still, text.sha256, lambda: text.whole(0), lambda: table_of(text)):
        with pytest.raises(RefusedError) as caught:
            use()
        assert what in caught.value.problems[0].what


LINES = [f"LL-{n},2026-10-{n % 28 + 1:02},LAN-{n % 9},1,12.50,EUR" for n in range(30_000)]
SPOILED = [*LINES[:700], "LL-x,2026-13-45,LAN-1,1,12.50,EUR", "a,b,c", *LINES[700:]]


def test_a_large_file_stays_where_it_is(tmp_path: Path) -> None:
    whole = "\n".join([ORDERS, *SPOILED, ""])
    write(tmp_path, {"orders.csv": whole})
    content = read_content(tmp_path, tmp_path / "orders.csv")
    assert isinstance(content.body, FileText)
    assert content.data == whole.encode()
    large = read(tmp_path)
    # The same packed, and so held in memory
    write(tmp_path / "packed", {"orders.csv.gz": gzip.compress(whole.encode())})
    held = read(tmp_path / "packed")
    assert large.files["accepted"][0] == len(LINES)
    assert list(large.rejected["row"]) == list(held.rejected["row"]) == [702, 703]
    for name in held.records["orders"]:
        assert large.records["orders"][name].equals(held.records["orders"][name]), name


@pytest.mark.parametrize(
    ("spoil", "what"),
    [
        (lambda text: text + "\0", "zero byte"),
        (lambda text: text + "LL-1,2026", "breaks off"),
        (lambda text: text + '"', "never closed"),
        (lambda text: text.replace("\n", "\r\n", 9), "ends in another way"),
        (lambda _: " " * (HEAD + 1), "is empty"),
        (lambda text: "{}" + text, "is JSON"),
        (lambda text: text.replace("sku", "SKU number", 1), "no column 'sku'"),
    ],
)
def test_what_is_wrong_with_a_large_file(
    tmp_path: Path, spoil: Callable[[str], str], what: str
) -> None:
    write(tmp_path, {"orders.csv": spoil("\n".join([ORDERS, *LINES, ""]))})
    assert any(what in problem.what for problem in refused(tmp_path))
