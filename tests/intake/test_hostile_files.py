"""Files that are no tables, or were made to break what reads them: refused, soon and cheaply."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
import time
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from reconcile.errors import Problem, RefusedError
from reconcile.intake.files import read_content
from reconcile.intake.workbooks import Workbook
from tests.intake.workbook_files import changed, number, ods, sheet_xml, text, xlsx_of

CSV = b"order_ref,sku\n1001,LAN-1\n"
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504)
MEGABYTE = 1 << 20
UTF16 = "order_ref\tsku\n1001\tLAN-1\n"


def read_all(path: Path) -> None:
    content = read_content(path.parent, path)
    assert content.kind != "text"
    book = Workbook(content)
    for sheet in book.sheets:
        book.head(sheet.name, 10)
        book.columns(sheet.name, 1, range(5))


def refused(path: Path) -> Problem:
    """What is said of a file on reading it, or on reading all sheets of it as a workbook."""
    begun = time.process_time()
    with pytest.raises(RefusedError) as caught:
        read_all(path)
    assert time.process_time() - begun < 10
    (problem,) = caught.value.problems
    assert problem.place == path.name
    assert problem.mend
    return problem


@pytest.mark.parametrize(
    ("name", "data", "what", "mend"),
    [
        ("a.csv", b"", "is empty", "Export it again"),
        ("a.csv", b" \r\n\t\n", "is empty", "Export it again"),
        ("a.csv", b"\xef\xbb\xbf\n", "is empty", "Export it again"),
        ("a.csv", b"\xff\xfe \0\n\0", "is empty", "Export it again"),
        ("a.csv.gz", gzip.compress(b"", mtime=0), "is empty", "Export it again"),
        ("a.csv.gz", gzip.compress(CSV, mtime=0)[:-9], "breaks off", "again"),
        ("a.csv.gz", gzip.compress(CSV, mtime=0)[:5], "breaks off", "again"),
        ("a.csv.gz", b"\x1f\x8b" + b"x" * 99, "gzip file is damaged", "again"),
        ("a.csv.gz", gzip.compress(CSV, mtime=0)[:-5] + b"abcde", "gzip file is damaged", "again"),
        ("a.csv.gz", gzip.compress(CSV, mtime=0) + b"rubbish", "damaged at its end", "again"),
        (
            "a.csv.gz",
            gzip.compress(gzip.compress(CSV, mtime=0), mtime=0),
            "twice with gzip",
            "Unpack it once",
        ),
        ("a.csv", gzip.compress(CSV, mtime=0), "ends in .csv, but it is a gzip file", "ending"),
        ("a.xlsx", gzip.compress(CSV, mtime=0), "ends in .xlsx, but it is a gzip file", "ending"),
        ("a.xls", OLE, "password, or a workbook of the old .xls kind", "as .xlsx without"),
        ("a.xlsx", OLE, "password, or a workbook of the old .xls kind", "as .xlsx without"),
        ("a.csv", b"%PDF-1.7\n", "PDF", "CSV"),
        ("a.csv", b"\x89PNG\r\n\x1a\n" + bytes(9), "PNG", "CSV"),
        ("a.csv", b"\xff\xd8\xff\xe0" + bytes(9), "JPEG", "CSV"),
        ("a.csv", b"GIF89a" + bytes(9), "GIF", "CSV"),
        ("a.csv", b"BZh91AY", "bzip2", "gzip"),
        ("a.csv", b"\x28\xb5\x2f\xfd\0", "zstd", "gzip"),
        ("a.xls", b"\xef\xbb\xbf\n<HTML><table>", "web page or XML", "save it as .xlsx"),
        ("a.xls", b"<table><tr>", "web page or XML", "save it as .xlsx"),
        ("a.csv", b"<!DOCTYPE html>", "web page or XML", "save it as .xlsx"),
        ("a.csv", "\ufeff<?xml version='1.0'?>".encode("utf-16-le"), "web page or XML", "CSV"),
        ("a.csv", b'[\n {"order": 1}]', "JSON", "CSV"),
        ("a.csv", b'{"orders": []}', "JSON", "CSV"),
        ("a.xlsx", CSV, "ends in .xlsx, but it is text", "ending"),
        ("a.ods", CSV, "ends in .ods, but it is text", "ending"),
        ("A.XLSX", CSV, "ends in .xlsx, but it is text", "ending"),
        ("a.xlsx.gz", gzip.compress(CSV, mtime=0), "ends in .xlsx, but it is text", "ending"),
        ("a.zip", b"PK\x03\x04\x00\x00" * 99, "damaged or breaks off", "again"),
        ("a.zip", b"PK\x05\x06" + bytes(18), "zip archive and no workbook", "Unpack"),
    ],
)
def test_files_that_are_no_tables(
    tmp_path: Path, name: str, data: bytes, what: str, mend: str
) -> None:
    (tmp_path / name).write_bytes(data)
    problem = refused(tmp_path / name)
    assert what in problem.what
    assert mend in problem.mend


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.csv", CSV),
        ("a.CSV", b"\xef\xbb\xbf" + CSV),
        ("a.xls", CSV),
        ("export", CSV),
        ("a.csv", UTF16.encode("utf-16")),
        ("a.csv", UTF16.encode("utf-16-be")),
        ("a.csv", b"[order],sku\n"),
        ("a.csv", b"PK,sku\n1,2\n"),
    ],
)
def test_texts_are_taken_as_they_are(tmp_path: Path, name: str, data: bytes) -> None:
    (tmp_path / name).write_bytes(data)
    packed = tmp_path / (name + ".gz")
    packed.write_bytes(
        gzip.compress(data[:9], mtime=0) + gzip.compress(data[9:], mtime=0) + bytes(7)
    )
    assert read_content(tmp_path, tmp_path / name).data == data
    content = read_content(tmp_path.parent, packed)
    assert (content.kind, content.data) == ("text", data)
    assert content.path == f"{tmp_path.name}/{packed.name}"


def test_zero_bytes_name_their_row(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(CSV + b"1002,\0\0\n")
    problem = refused(tmp_path / "a.csv")
    assert problem.row == 3
    assert "zero byte" in problem.what


def test_what_cannot_be_read(tmp_path: Path) -> None:
    assert "cannot be read: No such file" in refused(tmp_path / "none.csv").what
    (tmp_path / "folder.csv").mkdir()
    assert "it is not a file" in refused(tmp_path / "folder.csv").what
    os.mkfifo(tmp_path / "pipe.csv")
    assert "it is not a file" in refused(tmp_path / "pipe.csv").what


def test_workbooks_under_a_wrong_name(tmp_path: Path) -> None:
    book = xlsx_of(tmp_path / "a.xlsx", [["order_ref"]])
    table = ods(tmp_path / "b.ods", {"A": [([text("order_ref")], {})]})
    for path, name, what in (
        (book, "c.csv", "ends in .csv, but it is a zip archive"),
        (book, "c.ods", "ends in .ods, but it is an .xlsx workbook"),
        (table, "d.xlsx", "ends in .xlsx, but it is an .ods workbook"),
    ):
        (tmp_path / name).write_bytes(path.read_bytes())
        assert what in refused(tmp_path / name).what
    (tmp_path / "e").write_bytes(gzip.compress(book.read_bytes()))
    assert read_content(tmp_path, tmp_path / "e").kind == "xlsx"


def test_damaged_workbooks(tmp_path: Path) -> None:
    whole = xlsx_of(tmp_path / "a.xlsx", [["order_ref"], *([n] for n in range(999))]).read_bytes()
    for cut in (len(whole) // 2, len(whole) - 3, 60):
        (tmp_path / "b.xlsx").write_bytes(whole[:cut])
        assert "damaged or breaks off" in refused(tmp_path / "b.xlsx").what
    for at in range(100, len(whole) - 30, len(whole) // 25):
        (tmp_path / "c.xlsx").write_bytes(whole[:at] + b"\xff\0\xff" + whole[at + 3 :])
        try:  # a byte that nothing depends on may be damaged without a word
            Workbook(read_content(tmp_path, tmp_path / "c.xlsx")).head("Export", 3)
        except RefusedError as error:
            assert "damaged" in str(error) or "password" in str(error)  # noqa: PT017


@pytest.mark.parametrize(
    "part", ["xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/worksheets/sheet1.xml"]
)
@pytest.mark.parametrize("kept", ["half", "nothing", "another"])
def test_workbooks_with_damaged_parts(tmp_path: Path, part: str, kept: str) -> None:
    def damage(xml: bytes) -> bytes:
        return {"half": xml[: len(xml) // 2], "nothing": b"", "another": b"<a/>"}[kept]

    problem = refused(changed(xlsx_of(tmp_path / "a.xlsx", [["order_ref"]]), {part: damage}))
    assert "damaged" in problem.what


@pytest.mark.parametrize("missing", [b"</table:table>", b"</table:table-row>", b"<office:body>"])
def test_an_ods_whose_xml_never_ends(tmp_path: Path, missing: bytes) -> None:
    path = ods(tmp_path / "a.ods", {"A": [([text("order_ref")], {})]})
    problem = refused(changed(path, {"content.xml": lambda xml: xml.replace(missing, b"")}))
    assert "the workbook is damaged" in problem.what


def test_parts_that_lie_about_their_size(tmp_path: Path) -> None:
    path = xlsx_of(tmp_path / "a.xlsx", [["order_ref"]])
    with zipfile.ZipFile(path) as package:
        part = package.getinfo("xl/workbook.xml")
    size = part.file_size.to_bytes(4, "little")
    data = path.read_bytes()
    assert data.count(size) >= 2
    path.write_bytes(data.replace(size, (part.file_size - 9).to_bytes(4, "little")))
    assert "damaged" in refused(path).what


def encrypted(path: Path) -> Path:
    """A zip whose entries say that they are encrypted (APPNOTE.TXT, section 4.4.4)."""
    data = bytearray(xlsx_of(path, [["order_ref"]]).read_bytes())
    at = -1
    while (at := data.find(b"PK\x01\x02", at + 1)) >= 0:
        data[at + 8] |= 1
    path.write_bytes(data)
    return path


def test_passwords(tmp_path: Path) -> None:
    problem = refused(encrypted(tmp_path / "a.xlsx"))
    assert "protected by a password" in problem.what
    assert "without a password" in problem.mend
    path = ods(tmp_path / "b.ods", {"A": [([text("order_ref")], {})]})
    changed(path, {"META-INF/manifest.xml": lambda xml: xml.replace(
        b"</manifest:manifest>", b"<manifest:encryption-data/></manifest:manifest>")})  # fmt: skip
    assert "protected by a password" in refused(path).what


def test_zips_that_are_no_workbooks(tmp_path: Path) -> None:
    for part, what in (("orders.csv", "zip archive and no workbook"), ("xl/workbook.bin", ".xlsb")):
        with zipfile.ZipFile(tmp_path / "a.zip", "w") as package:
            package.writestr(part, CSV)
        assert what in refused(tmp_path / "a.zip").what


ENTITIES = [
    b'<!DOCTYPE a [<!ENTITY b "bbbbbbbb"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]>',
    b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]>',
    b" " * MEGABYTE + b'<!DOCTYPE a SYSTEM "http://localhost/a.dtd">',
]


@pytest.mark.parametrize("entity", ENTITIES)
def test_entities(tmp_path: Path, entity: bytes) -> None:
    def define(xml: bytes) -> bytes:
        begin = xml.index(b"?>") + 2 if xml.startswith(b"<?xml") else 0
        return xml[:begin] + entity + xml[begin:]

    for part in ("xl/workbook.xml", "xl/worksheets/sheet1.xml", "xl/_rels/workbook.xml.rels"):
        path = changed(xlsx_of(tmp_path / "a.xlsx", [["order_ref"]]), {part: define})
        problem = refused(path)
        assert f"its part {part} defines entities" in problem.what
    path = ods(tmp_path / "b.ods", {"A": [([text("order_ref")], {})]})
    assert "its part content.xml defines" in refused(changed(path, {"content.xml": define})).what


def zip_bomb(path: Path) -> None:
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package,
        package.open("xl/workbook.xml", "w") as part,
    ):
        for _ in range(900):
            part.write(b" " * MEGABYTE)


def lying_bomb(path: Path) -> None:
    """A part of 900 MB that says it is small."""
    zip_bomb(path)
    size = (900 * MEGABYTE).to_bytes(4, "little")
    path.write_bytes(path.read_bytes().replace(size, (9999).to_bytes(4, "little")))


def gzip_bomb(path: Path) -> None:
    packer = zlib.compressobj(wbits=31)
    parts = [packer.compress(b"1,2\n" * (MEGABYTE // 4)) for _ in range(900)]
    path.write_bytes(b"".join(parts) + packer.flush())


def one_large_cell(path: Path) -> None:
    cell = b'<c r="A1" t="inlineStr"><is><t>' + b"x" * (50 * MEGABYTE) + b"</t></is></c>"
    sheet_xml(path, b'<row r="1">' + cell + b"</row>")


def many_columns(path: Path) -> None:
    sheet_xml(path, b'<row r="1">' + b"<c><v>1</v></c>" * 100_000 + b"</row>")


def scattered_cells(path: Path) -> None:
    sheet_xml(
        path, b'<row r="1"><c r="A1"/></row><row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    )


def many_rows(path: Path) -> None:
    sheet_xml(path, b'<row r="1048577"><c r="A1048577"><v>1</v></c></row>')


def cell_in_another_row(path: Path) -> None:
    sheet_xml(path, b'<row r="1"><c r="A1"/><c s="0" r="XFD1048576"><v>1</v></c></row>')


def rows_out_of_order(path: Path) -> None:
    sheet_xml(path, b'<row r="1" hidden="1"/><row r="3" hidden="1"/>' * 200_000)


def tags_that_never_end(path: Path) -> None:
    sheet_xml(path, b'<row r="1"><c r="A1">' + b"<f " * (4 * MEGABYTE) + b"</c></row>")


def blanks_before_nothing(path: Path) -> None:
    sheet_xml(path, b'<row r="1"><c r="A1" t="e">' + b" " * (20 * MEGABYTE) + b"<x/></c></row>")


def one_tag_of_many_types(path: Path) -> None:
    text = b'<is><t>x</t></is></c><c r="B1" t="inlineStr"><is><t>' + b't="e" ' * MEGABYTE
    sheet_xml(path, b'<row r="1"><c r="A1" t="inlineStr">' + text + b"</t></is></c></row>")


def errors_of_many_kinds(path: Path) -> None:
    rows = (b'<c t="e"><v>#%d</v></c>' % row * 10 for row in range(60_000))
    sheet_xml(path, b"".join(b"<row>%b</row>" % row for row in rows))


def repeated_errors(path: Path) -> None:
    error = text("#N/A", stringvalue="", formula="of:=NA()", numbercolumnsrepeated="16000")
    other = {**error, "text": "#REF!"}
    ods(path, {"A": [([error], {}), ([other], {})] * 500})


def shared_text(path: Path) -> None:
    """One text of 32,000 characters in a million cells."""
    row = b'<row r="%d">' + b'<c t="s"><v>0</v></c>' * 10 + b"</row>"
    sheet_xml(path, b"".join(row % at for at in range(1, 100_001)))
    strings = b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><si><t>'
    changed(path, {"xl/sharedStrings.xml": lambda _: strings + b"x" * 32_000 + b"</t></si></sst>"})


def repeated_cells(path: Path) -> None:
    cell = number("1", numbercolumnsrepeated="16000")
    ods(path, {"A": [([cell], {"numberrowsrepeated": "1000000"})]})


def repeated_text(path: Path) -> None:
    cell = text("x" * 30_000, numbercolumnsrepeated="7")
    ods(path, {"A": [([cell], {"numberrowsrepeated": "1000000"})]})


BOMBS = [
    (zip_bomb, "a.xlsx", "unpacks to 900 MB"),
    (lying_bomb, "a.xlsx", "damaged or breaks off"),
    (gzip_bomb, "a.csv.gz", "unpacks to more than"),
    (one_large_cell, "a.xlsx", "cell A1 of sheet 'Export' has 52,428,800 characters"),
    (many_columns, "a.xlsx", "more than 16,384 columns"),
    (many_rows, "a.xlsx", "1,048,576 rows"),
    (scattered_cells, "a.xlsx", "spans 1,048,576 rows and 16,384 columns"),
    (cell_in_another_row, "a.xlsx", "the workbook is damaged"),
    (rows_out_of_order, "a.xlsx", "the workbook is damaged"),
    (tags_that_never_end, "a.xlsx", "the workbook is damaged"),
    (blanks_before_nothing, "a.xlsx", "the workbook is damaged"),
    (one_tag_of_many_types, "a.xlsx", "cell B1 of sheet 'Export' has 6,291,455 characters"),
    (errors_of_many_kinds, "a.xlsx", "more than 500,000 cells with errors"),
    (repeated_errors, "a.ods", "more than 500,000 cells with errors"),
    (shared_text, "a.xlsx", "holds texts that unpack to"),
    (repeated_cells, "a.ods", "sheet 'A'"),
    (repeated_text, "a.ods", "holds texts that unpack to"),
]
READ = """
import re, resource, sys, time
from pathlib import Path
from reconcile.errors import RefusedError
from reconcile.intake.files import read_content
from reconcile.intake.workbooks import Workbook
resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))  # a miss must not take the machine
path = Path(sys.argv[1])
try:
    book = Workbook(read_content(path.parent, path))
    book.head(book.sheets[0].name, 9)
    book.columns(book.sheets[0].name, 1, [0])
except RefusedError as error:
    print(error)
# ru_maxrss also counts the process that this one was forked from, before it became this one
status = Path("/proc/self/status")
peak = re.search(r"VmHWM:\\s+([0-9]+)", status.read_text()) if status.exists() else None
print(peak[1] if peak else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
print(time.process_time())
"""


@pytest.mark.parametrize(("make", "name", "what"), BOMBS)
def test_bombs_cost_little(
    tmp_path: Path, make: Callable[[Path], object], name: str, what: str
) -> None:
    make(tmp_path / name)
    command = [sys.executable, "-c", READ, str(tmp_path / name)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    said, kilobytes, seconds = done.stdout.splitlines()
    assert float(seconds) < 10  # of the processor: others may be at work here
    assert name in said
    assert what in said
    assert int(kilobytes) < 500 * 1024


@pytest.mark.parametrize("said", ['order="SHOP1"', "?order=#LIGHT99", 't="e"', "t='s' r='ZZZZ9'"])
def test_texts_that_look_like_xml_are_texts(tmp_path: Path, said: str) -> None:
    cell = b'<c r="A1" t="inlineStr"><is><t>%b</t></is></c>' % said.encode()
    path = sheet_xml(tmp_path / "a.xlsx", b'<row r="1">%b</row>' % cell)
    book = Workbook(read_content(tmp_path, path))
    assert book.head("Export", 2) == [[said]]
    assert book.columns("Export", 1, [0]).texts[0].to_pylist() == [said]
