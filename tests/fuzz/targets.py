"""What the bytes are given to, and the inputs to begin from.

A target takes any bytes and returns nothing. Bytes that are refused are well read; any other
error, and a proof that does not hold, is a fault.
"""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

from reconcile.errors import RefusedError
from reconcile.intake.files import read_content
from reconcile.intake.workbooks import Workbook
from tests.intake.folders import ORDERS, csv_of, read, write
from tests.intake.workbook_files import number, ods, text, xlsx_of

SECONDS = 5  # no input may take longer
_ROW = "{},2026-01-02,LAN-1,2,{},EUR"
_SHEET = "xl/worksheets/sheet1.xml"
_STRINGS = "xl/sharedStrings.xml"
_CONTENT = "content.xml"
# Parts that an input can be, the rest of the workbook being sound: a name, a line end, the part.
_PARTS = (_SHEET, _STRINGS, "xl/workbook.xml", "xl/styles.xml", _CONTENT, "META-INF/manifest.xml")


def text_target(data: bytes) -> None:
    """A shop whose orders are these bytes is read whole; every row has its fate."""
    with tempfile.TemporaryDirectory() as name:
        folder = write(Path(name), {"orders": data})
        try:
            read(folder)
        except RefusedError:
            return


def workbook_target(data: bytes) -> None:
    """A workbook, or a sound one with a part of it in the place of its own, is read whole."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "orders"
        path.write_bytes(as_file(data))
        try:
            content = read_content(path.parent, path)
            if content.kind != "text":
                _read_sheets(Workbook(content))
        except RefusedError:
            return


TARGETS: dict[str, Callable[[bytes], None]] = {"text": text_target, "workbook": workbook_target}


def _read_sheets(book: Workbook) -> None:
    """Every sheet, read as its head and as columns: both see the same cells."""
    for sheet in book.sheets:
        head = book.head(sheet.name, 20)
        found = book.columns(sheet.name, 1, range(8))
        assert found.rows >= len(head)
        for at, texts in found.texts.items():
            shown = [row[at] if at < len(row) else "" for row in head]
            assert texts.to_pylist()[: len(head)] == shown
            assert not (found.numbers[at] & found.dates[at]).any()
        hidden = book.hidden_rows(sheet.name)
        assert (hidden >= 1).all()
        assert len(book.formulas_without_value(sheet.name)) <= 20


def as_file(data: bytes) -> bytes:
    """The bytes of a file for an input: as they are, or as a part of a sound workbook."""
    first, _, part = data.partition(b"\n")
    named = first.decode("latin-1")
    if named not in _PARTS:
        return data
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as package:
        for name, content in _sound(named).items():
            package.writestr(name, part if name == named else content)
        if named not in package.namelist():
            package.writestr(named, part)
    return held.getvalue()


@cache
def _sound(part: str) -> dict[str, bytes]:
    """The parts of the sound workbook of the kind that has such a part."""
    data = _sound_file("xlsx" if part.startswith("xl/") else "ods")
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        return {name: package.read(name) for name in package.namelist()}


@cache
def _sound_file(kind: str) -> bytes:
    rows = [ORDERS.split(","), *(_ROW.format(at, "2.50").split(",") for at in range(1001, 1004))]
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / f"a.{kind}"
        if kind == "xlsx":
            xlsx_of(path, [*rows, ["1004", "2026-01-02", "LAN-1", 2, 2.5, "=1+1"]])
        else:
            cells = [[*map(text, row), number("2.5")] for row in rows]
            ods(path, {"A": [(row, {}) for row in cells], "(B)": [(cells[1], {})]})
        return path.read_bytes()


def starts(target: str) -> list[bytes]:
    """Inputs that are read without a word, to begin from."""
    return _texts() if target == "text" else _workbooks()


def _texts() -> list[bytes]:
    plain = csv_of(ORDERS, *(_ROW.format(f"LL-{at}", "2.50") for at in range(4)))
    comma = plain.replace(",", ";").replace("2.50", "1.234,50").replace("2026-01-02", "31.01.2026")
    quoted = "\r\n".join(
        ",".join(f'"{cell}"' for cell in line.split(",")) for line in plain.splitlines()
    )
    titled = f"Orders of 2026-01-01 to 2026-01-31\n\n{plain}Total,,,8,10.00,\n"
    twice = plain + plain.replace("LL-", "#")
    first_row = plain + "LL-9,2026-01-02,LAN-1,1,€ 2.50,EUR\n,,LAN-2,1,(3.00),EUR\n"
    month = plain.replace("2026-01-02", "2 Jan 2026 15:04")
    texts = [plain, comma, quoted, titled, twice, first_row, month]
    wide = [plain.replace(",", "\t").encode("utf-16"), comma.encode("utf-16-le")]
    return (
        [text.encode() for text in texts] + wide + [comma.replace("LL", "Größe").encode("cp1252")]
    )


def _workbooks() -> list[bytes]:
    named = {_SHEET: b"</row>", _CONTENT: b"</table:table-row>"}
    whole = [_sound_file("xlsx"), _sound_file("ods")]
    parts = [
        f"{part}\n".encode() + _sound(part).get(part, b"<sst><si><t>x</t></si></sst>")
        for part in _PARTS
    ]
    bare = [
        b"%b\n%b" % (part.encode(), _sound(part)[part].replace(end, end + b"\n"))
        for part, end in named.items()
    ]
    return whole + parts + bare + [_SHEET.encode() + b"\n" + _BY_HAND]


_BY_HAND = (
    b'<worksheet><sheetData><row r="2" hidden="1"><c r="A2" t="str"><v>0</v></c>'
    b'<c t="e"><f>NA()</f><v>#N/A</v></c><c r="D2" s="1"><v>46082.5</v></c>'
    b'<c r="E2" t="b"><v>1</v></c></row><row><c><f t="shared" si="0"/></c>'
    b'<c t="inlineStr"><is><t>x</t></is></c><c t="str"><v>1</v></c>'
    b'<c t="d"><v>2026-01-02T03:04:05</v></c></row></sheetData></worksheet>'
)
