"""Workbooks that are damaged, locked, empty, or made to exhaust the machine."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path

from tests.intake.folders import ORDERS
from tests.intake.workbook_files import changed, number, ods, sheet_xml, text, xlsx_of

MEGABYTE = 1 << 20
SHEET = "xl/worksheets/sheet1.xml"
HEADER = ORDERS.split(",")
ROW = ["1001", "2026-01-02", "LAN-1", 1, 2.5, "EUR"]
Make = Callable[[Path], object]


def good(path: Path) -> Path:
    """An .xlsx that is read without a word, to be damaged."""
    return xlsx_of(path, [HEADER, *[ROW] * 500])


def good_ods(path: Path) -> Path:
    """An .ods that is read without a word, to be damaged."""
    rows = [HEADER, *[[str(cell) for cell in ROW]] * 5]
    return ods(path, {"A": [([text(cell) for cell in row], {}) for row in rows]})


def in_cells(rows: bytes) -> Make:
    """What writes an .xlsx with a good header and these rows of XML."""
    cells = b"".join(b'<c t="str"><v>%b</v></c>' % name.encode() for name in HEADER)
    return lambda path: sheet_xml(path, b'<row r="1">%b</row>%b' % (cells, rows))


def large_cell(path: Path) -> None:
    """50 MB of text in one cell."""
    cell = b'<c r="A3" t="inlineStr"><is><t>' + b"x" * (50 * MEGABYTE) + b"</t></is></c>"
    in_cells(b'<row r="3">%b</row>' % cell)(path)


def many_columns(path: Path) -> None:
    """100,000 cells in each row."""
    cells = b"<c><v>1</v></c>" * 100_000
    sheet_xml(path, b'<row r="1">%b</row><row r="2">%b</row>' % (cells, cells))


def cut(share: float) -> Make:
    """What writes the first part of a workbook."""

    def make(path: Path) -> None:
        whole = good(path).read_bytes()
        path.write_bytes(whole[: int(len(whole) * share)])

    return make


def without_results(path: Path) -> None:
    """Formulas that no program has calculated."""
    xlsx_of(path, [HEADER, [*ROW[:4], "=1+1.5", "EUR"]])


def bomb(path: Path) -> None:
    """300 MB of spaces in a third of a megabyte."""
    good(path)
    with (
        zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as package,
        package.open("xl/worksheets/sheet2.xml", "w") as part,
    ):
        for _ in range(300):
            part.write(b" " * MEGABYTE)


def entities(defined: bytes, used: bytes, part: str = SHEET) -> Make:
    """What writes a workbook with a document type, and a use of what it defines."""

    def define(xml: bytes) -> bytes:
        begin = xml.index(b"?>") + 2 if xml.startswith(b"<?xml") else 0
        return xml[:begin] + b"<!DOCTYPE a [" + defined + b"]>" + xml[begin:].replace(b"1", used, 1)

    made = good if part == SHEET else good_ods
    return lambda path: changed(made(path), {part: define})


def _laughs() -> bytes:
    """Entities of ten entities each: a gigabyte out of a kilobyte."""
    steps = [b'<!ENTITY e0 "haha">']
    steps += [b'<!ENTITY e%d "%b">' % (at, b"&e%d;" % (at - 1) * 10) for at in range(1, 9)]
    return b"".join(steps)


def encrypted_ods(path: Path) -> None:
    """An .ods locked by a password (OpenDocument 1.3 part 2, section 3.4)."""
    mark = b"<manifest:encryption-data/></manifest:manifest>"
    noise = bytes(at * 7919 % 251 + 1 for at in range(5000))
    changed(
        good_ods(path),
        {
            "META-INF/manifest.xml": lambda xml: xml.replace(b"</manifest:manifest>", mark),
            "content.xml": lambda _: noise,
        },
    )


def encrypted_zip(path: Path) -> None:
    """A zip whose entries say that they are encrypted (APPNOTE.TXT, section 4.4.4)."""
    content = bytearray(good(path).read_bytes())
    at = -1
    while (at := content.find(b"PK\x01\x02", at + 1)) >= 0:
        content[at + 8] |= 1
    path.write_bytes(content)


def renamed(make: Make) -> Make:
    """What writes a workbook under the name of something else."""

    def under(path: Path) -> None:
        book = path.with_name("book.tmp")
        make(book)
        book.rename(path)

    return under


def repeated(path: Path) -> None:
    """A cell of an .ods that stands for sixteen thousand million."""
    ods(path, {"A": [([number("1", numbercolumnsrepeated="16000")],
                      {"numberrowsrepeated": "1000000"})]})  # fmt: skip


_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(8 * 512)
_FAR_CELL = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
_ELSEWHERE = b'<row r="2"><c r="A2"/><c r="XFD1048576"><v>1</v></c></row>'
_DAMAGED = "workbook is damaged"
_BREAKS = "damaged or breaks off"
_EXTERNAL = b'<!ENTITY e SYSTEM "file:///etc/passwd">'
_ENTITIES = "defines entities"

CASES: tuple[tuple[str, str, Make, str], ...] = (
    ("half of a workbook", "orders.xlsx", cut(0.5), _BREAKS),
    ("workbook without its end", "orders.xlsx", cut(0.99), _BREAKS),
    ("half of the XML", "orders.xlsx",
     lambda path: changed(good(path), {SHEET: lambda xml: xml[: len(xml) // 2]}), _DAMAGED),
    ("workbook with nothing in it", "orders.xlsx", lambda path: xlsx_of(path, []), "is empty"),
    ("formulas without results", "orders.xlsx", without_results, "results are not stored: E2"),
    ("zip bomb", "orders.xlsx", bomb, "unpacks to 300 MB"),
    ("XML bomb", "orders.xlsx", entities(_laughs(), b"&e8;"), _ENTITIES),
    ("XML bomb in an .ods", "orders.ods", entities(_laughs(), b"&e8;", "content.xml"), _ENTITIES),
    ("external entity", "orders.xlsx", entities(_EXTERNAL, b"&e;"), _ENTITIES),
    ("password", "orders.xlsx", lambda path: path.write_bytes(_OLE), "protected by a password"),
    ("encrypted .ods", "orders.ods", encrypted_ods, "protected by a password"),
    ("encrypted zip", "orders.xlsx", encrypted_zip, "protected by a password"),
    ("workbook as .csv", "orders.csv", renamed(good), "ends in .csv, but it is"),
    (".ods as .xlsx", "orders.xlsx", renamed(good_ods), "but it is an .ods workbook"),
    ("100,000 columns of a workbook", "orders.xlsx", many_columns, "16,384 columns"),
    ("one cell far away", "orders.xlsx", in_cells(_FAR_CELL), "spans 1,048,576 rows"),
    ("one cell far away in a row nearby", "orders.xlsx", in_cells(_ELSEWHERE), _DAMAGED),
    ("one cell for all", "orders.ods", repeated, "sheet 'A'"),
)  # fmt: skip
