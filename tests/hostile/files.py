"""The hostile files: how each is made, and what has to be said of it.

``python -m tests.hostile FOLDER`` writes them all, each into a shop folder of its own.
"""

from __future__ import annotations

import gzip
import os
import random
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.hostile import workbooks
from tests.intake.folders import ORDERS, source, write

MEGABYTE = 1 << 20
HEADER = f"{ORDERS},note"
ROW = "{},2026-01-02,LAN-1,1,2.50,EUR,"
CUSTOMER = "Wilhelmina Featherstonehaugh"  # stands in many of the files, and in no message
Make = Callable[[Path], object]


@dataclass(frozen=True)
class Hostile:
    """One hostile file.

    ``file`` is its name in the shop, ``said`` what the refusal says of it, and ``row`` the row
    that the refusal names, or None where the trouble is in no row. ``headers`` are the declared
    ones, where it is not the canonical columns that the file should have.
    """

    name: str
    file: str
    make: Make
    said: str
    row: int | None = None
    headers: str = ""

    def build(self, folder: Path) -> Path:
        """A shop whose orders are in this file."""
        settings = source("orders", self.headers).replace("orders*", self.file)
        shop = write(folder, {}, settings)
        self.make(shop / self.file)
        return shop


def lines(count: int, note: str = CUSTOMER, first: int = 1001) -> str:
    """A header and rows, all of them good."""
    return "\n".join([HEADER, *(ROW.format(first + at) + note for at in range(count))]) + "\n"


def data(content: bytes) -> Make:
    """What writes these bytes."""
    return lambda path: path.write_bytes(content)


def text(content: str) -> Make:
    """What writes this text as UTF-8."""
    return data(content.encode())


def cell(at: int, content: bytes, *, rows: int = 2) -> Make:
    """What writes good rows with one other cell in row 3, at a position."""

    def make(path: Path) -> None:
        cells = ROW.format(1002).encode().split(b",")
        cells[at] = content
        below = lines(rows, first=2000).encode().partition(b"\n")[2]
        path.write_bytes(lines(1).encode() + b",".join(cells) + b"\n" + below)

    return make


def _binary() -> bytes:
    return random.Random(7).randbytes(MEGABYTE)  # noqa: S311


def _gzip_bomb(path: Path) -> None:
    packer = zlib.compressobj(wbits=31)
    parts = [packer.compress(_GOOD.encode() * (MEGABYTE // len(_GOOD))) for _ in range(200)]
    path.write_bytes(b"".join(parts) + packer.flush())


def _link_out(path: Path) -> None:
    outside = path.parent.parent / f"{path.parent.name}-outside.csv"
    outside.write_text(lines(3), encoding="utf-8")
    path.symlink_to(outside)


_LARGE = b"x" * (50 * MEGABYTE)
_QUOTED = b'"' + _LARGE + b'"'
_LONG = "this row is longer than"
_TOO_WIDE = "more than 16,384 cells"
_OPEN = "a quote opens"
_ENDS = "ends in another way than the rows above it"
_OFF = "breaks off in this row"
_ZERO = "zero byte"
_WEB = "web page or XML"
_NO_FILE = "no file matches"
_BAD_UTF8 = "nearly UTF-8"
_UNKNOWN = "encoding cannot be told"
# So many rows that what follows them is behind three megabytes.
_FAR = 3 * MEGABYTE // (len(ROW) + len(CUSTOMER))
_GOOD = lines(3)
_UTF16 = _GOOD.encode("utf-16")
_LAST = ROW.format(1)


def texts() -> Iterator[Hostile]:
    """Texts that are cut, damaged, or no tables."""
    yield Hostile("cut in a row", "orders.csv", text(_GOOD[: _GOOD.rindex("LAN")]), _OFF, 4)
    far = lines(_FAR)
    yield Hostile("cut far behind", "orders.csv", text(far[: far.rindex("LAN")]), _OFF, _FAR + 1)
    yield Hostile("binary", "orders.csv", data(_binary()), _ZERO)
    yield Hostile("nothing in it", "orders.csv", data(b""), "is empty")
    page = "<html><body><table><tr><td>order_ref</td></tr></table>"
    yield Hostile("web page as .xls", "orders.xls", text(page), _WEB)
    yield Hostile("web page as .csv", "orders.csv", text("\ufeff\n" + page), _WEB)
    yield Hostile("JSON", "orders.csv", text('[{"order_ref": "1001"}]'), "is JSON")
    yield Hostile("text as .xlsx", "orders.xlsx", text(_GOOD), "ends in .xlsx, but it is text")
    yield Hostile("zero byte", "orders.csv", cell(2, b"LAN\0-1"), _ZERO, 3)
    yield Hostile("zero byte far behind", "orders.csv", text(f"{far}{_LAST}\0\n"), _ZERO, _FAR + 2)
    wide = ",".join(f"column {at}" for at in range(100_000))
    yield Hostile("100,000 columns in all", "orders.csv", text(f"{wide}\n{wide}\n"), _TOO_WIDE, 1)
    yield Hostile("100,000 columns in a row", "orders.csv", text(f"{_GOOD}{wide}\n"), _TOO_WIDE, 5)


def large_cells() -> Iterator[Hostile]:
    """50 MB in one cell, in a column that is read and in one that is not."""
    for at, column in ((2, "read"), (6, "not read")):
        for content, how in ((_LARGE, "bare"), (_QUOTED, "quoted")):
            name = f"50 MB in a cell, {how}, {column}"
            yield Hostile(name, "orders.csv", cell(at, content), _LONG, 3)
    lined = b'"' + (b"x" * 99 + b"\n") * (50 * MEGABYTE // 100) + b'"'
    yield Hostile("50 MB in a cell of many lines", "orders.csv", cell(6, lined), _OPEN, 3)
    yield Hostile(
        "50 MB in the header", "orders.csv", data(_LARGE + b",sku\n1,2\n"), "has a cell", 1
    )
    yield Hostile(
        "50 MB in a cell of a workbook", "orders.xlsx", workbooks.large_cell, "52,428,800", 3
    )


def quotes() -> Iterator[Hostile]:
    """A quote that is opened and never closed."""
    first, last = _GOOD.split("\n")[1], _GOOD.split("\n")[3]
    yield Hostile("open quote at the start", "orders.csv", text('"' + _GOOD), _OPEN, 1)
    middle = _GOOD.replace(first, first.replace("LAN", '"LAN'))
    yield Hostile("open quote in the middle", "orders.csv", text(middle), _OPEN, 2)
    end = _GOOD.replace(last, last.replace("LAN", '"LAN'))
    yield Hostile("open quote in the last row", "orders.csv", text(end), _OPEN, 4)
    yield Hostile("open quote and no end", "orders.csv", text(end.rstrip("\n")), _OPEN, 4)
    large = _GOOD.replace(first, first.replace("LAN", '"LAN')) + lines(8 * _FAR)
    yield Hostile("open quote before 24 MB", "orders.csv", text(large), _OPEN, 2)


def no_headers() -> Iterator[Hostile]:
    """Rows where the header should be: what stands in them is shown to nobody."""
    named = '[source.columns]\norder_ref = "Order"\nsku = "Article"\n'
    none = _GOOD.partition("\n")[2]
    said = "there is no column 'Order' for order_ref"
    yield Hostile("no header", "orders.csv", text(none), said, 1, named)
    wrong = "[source.format]\nheader_row = 3\n" + named
    yield Hostile("a row as the header", "orders.csv", text(_GOOD), said, 3, wrong)
    headed = '"Order,Article,Buyer\n' + none
    yield Hostile(
        "open quote before all, headers declared", "orders.csv", text(headed), _OPEN, 1, named
    )


def encodings() -> Iterator[Hostile]:
    """Line ends and bytes that do not fit together."""
    crlf = _GOOD.replace("\n", "\r\n")
    for end in ("\n", "\r"):
        mixed = crlf + ROW.format(1) + end + ROW.format(2) + "\r\n"
        yield Hostile(f"line ends with {end!r} among CR LF", "orders.csv", text(mixed), _ENDS, 5)
    for name, content, said in (
        ("lone 0xff", b"LAN\xff", _UNKNOWN),
        ("overlong form", b"LAN \xc0\xaf", _UNKNOWN),
        ("cut character", b"LAN \xe2\x82", _UNKNOWN),
    ):
        yield Hostile(name, "orders.csv", cell(2, content), said, 3)
    both = _GOOD.replace(CUSTOMER, "Grüße", 1).encode() + cell_row("Größe".encode("cp1252"))
    yield Hostile("Latin among UTF-8", "orders.csv", data(both), _BAD_UTF8, 5)
    yield Hostile("UTF-16 cut in a character", "orders.csv", data(_UTF16[:-41]), "not utf-16", 4)
    half = _UTF16[: _UTF16.rindex("LAN".encode("utf-16-le"))]
    yield Hostile("UTF-16 cut in a row", "orders.csv", data(half), _OFF, 4)


def cell_row(content: bytes) -> bytes:
    """A row whose note holds these bytes."""
    return ROW.format(1009).encode() + content + b"\n"


def packed() -> Iterator[Hostile]:
    """Packed files."""
    whole = gzip.compress(lines(999).encode())
    yield Hostile("cut gzip", "orders.csv.gz", data(whole[: len(whole) // 2]), "breaks off")
    wrong = whole[:-8] + b"\0\0\0\0" + whole[-4:]
    yield Hostile("gzip with a wrong sum", "orders.csv.gz", data(wrong), "gzip file is damaged")
    yield Hostile("gzip bomb", "orders.csv.gz", _gzip_bomb, "unpacks to more than")
    yield Hostile("gzip as .csv", "orders.csv", data(whole), "ends in .csv, but it is a gzip file")


def no_files() -> Iterator[Hostile]:
    """What has the name of a file and is none of the shop's."""
    yield Hostile("folder", "orders.csv", lambda path: path.mkdir(), _NO_FILE)
    yield Hostile("pipe", "orders.csv", os.mkfifo, _NO_FILE)
    yield Hostile("link to a device", "orders.csv", lambda p: p.symlink_to("/dev/zero"), _NO_FILE)
    yield Hostile("link out of the folder", "orders.csv", _link_out, "leads out of the shop folder")


def in_workbooks() -> Iterator[Hostile]:
    """Workbooks."""
    for name, file, make, said in workbooks.CASES:
        yield Hostile(name, file, make, said)


def all_files() -> list[Hostile]:
    """Every hostile file, in a fixed order."""
    kinds = (texts, large_cells, quotes, no_headers, encodings, packed, no_files, in_workbooks)
    return [hostile for kind in kinds for hostile in kind()]
