"""A workbook as bytes: a shell made with openpyxl, and rows streamed into its sheets."""

from __future__ import annotations

import io
import re
import zipfile
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any

from openpyxl import Workbook
from openpyxl.drawing.spreadsheet_drawing import SpreadsheetDrawing
from openpyxl.worksheet._writer import WorksheetWriter
from openpyxl.writer.excel import ExcelWriter

from reconcile.report.cells import MOST_LINKS, one_text

MakeRows = Callable[[], memoryview]
_Part = tuple[str, list[bytes | memoryview]]
_Packed = tuple[zipfile.ZipInfo, memoryview]
_PACKED = 2  # sheets that are packed at a time
_LARGE = 1 << 16  # bytes of a part that takes longer to pack than to hand over
# A zip archive cannot hold an earlier time than this one.
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class Rest:
    """What is put into a sheet after the shell was made.

    ``below``: what makes the rows when they are written, by the row of the heading above them.
    ``known``: what formulas come to, by their cell. ``last_cell``: of the sheet, blank where the
    shell knows it.
    """

    below: dict[int, MakeRows] = field(default_factory=dict)
    links: list[str] = field(default_factory=list)
    known: dict[str, str] = field(default_factory=dict)
    last_cell: str = ""


def empty_book() -> Workbook:
    """A workbook without a sheet."""
    book = Workbook()
    book.remove(book.worksheets[0])
    return book


def as_bytes(book: Workbook, rest: Sequence[Rest], shop: str, day: date) -> bytes:
    """The workbook with the rest of each of its sheets; the same bytes for the same contents."""
    book.properties.creator = "reconcile"
    book.properties.title = one_text(f"{shop}, {day}")
    book.properties.created = datetime.combine(day, time())
    shell = io.BytesIO()
    # As book.save() does, which leaves the archive open where a disk is full.
    with zipfile.ZipFile(shell, "w") as archive:
        _InMemory(book, archive).write_data()
    return _filled(shell, rest, day)


class _InMemory(ExcelWriter):
    """Writes sheets in memory: the library's temporary files stay open where a disk is full."""

    def __init__(self, book: Workbook, archive: zipfile.ZipFile) -> None:
        super().__init__(book, archive)
        self._into = archive

    def write_worksheet(self, ws: Any) -> None:  # the stubs leave out most of it
        """As the library does it, but for the file."""
        ws._drawing = SpreadsheetDrawing()
        ws._drawing.charts = ws._charts
        ws._drawing.images = ws._images
        sheet = io.BytesIO()
        writer: Any = WorksheetWriter(ws, sheet)
        writer.write()
        ws._rels = writer._rels
        self._into.writestr(ws.path[1:], sheet.getvalue())
        self.manifest.append(ws)


def _filled(shell: io.BytesIO, rest: Sequence[Rest], day: date) -> bytes:
    """The shell again, with the rows in it and without the time of day."""
    out = io.BytesIO()
    packing: deque[Future[_Packed]] = deque()
    with (
        zipfile.ZipFile(shell) as source,
        zipfile.ZipFile(out, "w") as target,
        ThreadPoolExecutor(max_workers=_PACKED) as aside,
    ):
        # To pack a sheet takes longer than to make it: the next ones are made meanwhile. Small
        # parts, of which some stand between two sheets, are not worth a thread.
        for name, pieces in _parts(source, rest, day):
            if sum(map(len, pieces)) < _LARGE:
                packed = Future[_Packed]()
                packed.set_result(_pack(name, pieces))
            else:
                packed = aside.submit(_pack, name, pieces)
            packing.append(packed)
            while sum(not each.done() for each in packing) > _PACKED:
                _put(target, out, packing.popleft().result())
        for packed in packing:
            _put(target, out, packed.result())
    return out.getvalue()


def _parts(source: zipfile.ZipFile, rest: Sequence[Rest], day: date) -> Iterator[_Part]:
    """The parts of the archive with their names, in its order."""
    for name in source.namelist():
        xml = source.read(name).decode()
        sheet = re.fullmatch(r"xl/worksheets/sheet(\d+)\.xml", name)
        if name == "docProps/core.xml":
            xml = _dated(xml, day)
        yield name, _with_rest(xml, rest[int(sheet[1]) - 1]) if sheet else [xml.encode()]


def _pack(name: str, pieces: list[bytes | memoryview]) -> _Packed:
    """One part as an archive of its own: its entry, and the bytes before the directory."""
    info = zipfile.ZipInfo(name, _ZIP_TIME)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.create_system = 3
    info.file_size = sum(map(len, pieces))
    alone = io.BytesIO()
    with zipfile.ZipFile(alone, "w") as target:
        with target.open(info, "w") as part:
            for piece in pieces:
                part.write(piece)
        directory = target.start_dir
    return info, alone.getbuffer()[:directory]


def _put(target: zipfile.ZipFile, out: io.BytesIO, packed: _Packed) -> None:
    """Put one part behind the others, as the library does that packs them one by one."""
    info, data = packed
    info.header_offset = out.tell()
    out.write(data)
    target.infolist().append(info)
    target.start_dir = out.tell()


def _with_rest(xml: str, rest: Rest) -> list[bytes | memoryview]:
    """A sheet with its known values, links and rows, each where the standard wants it."""
    for cell, value in rest.known.items():
        formula = re.compile(rf'(<c r="{cell}"[^>]*><f>[^<]*</f>)<v ?(?:/>|></v>)')
        xml = formula.sub(rf"\g<1><v>{value}</v>", xml, count=1)
    if rest.links:
        before = "<printOptions" if "<printOptions" in xml else "<pageMargins"
        links = "".join(rest.links[:MOST_LINKS])
        xml = xml.replace(before, f"<hyperlinks>{links}</hyperlinks>{before}", 1)
    if rest.last_cell:
        whole = f'<dimension ref="A1:{rest.last_cell}"'
        xml = re.sub(r'<dimension ref="[^"]*"', whole, xml, count=1)
    pieces: list[bytes | memoryview] = []
    start = 0
    for row, make in sorted(rest.below.items()):
        [heading] = [found.start() for found in re.finditer(rf'<row [^>]*r="{row}"', xml)]
        end = xml.index("</row>", heading) + len("</row>")
        pieces += [xml[start:end].encode(), make()]
        start = end
    return [*pieces, xml[start:].encode()]


def _dated(xml: str, day: date) -> str:
    """Core properties; openpyxl notes the moment of saving, which differs on every run."""
    stamp = f"{day.isoformat()}T00:00:00Z"
    return re.sub(r"(<dcterms:modified[^>]*>)[^<]*", rf"\g<1>{stamp}", xml)
