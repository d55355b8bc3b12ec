"""The files of a shop as they lie there: text, or a workbook, told by their bytes.

Files come from outside, so they are looked at before anything reads them: what cannot be read, is
no table, or was made to exhaust the machine is refused, in bounded time and memory.
"""

from __future__ import annotations

import hashlib
import io
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from reconcile.errors import Problem, RefusedError
from reconcile.intake.camt import is_statement
from reconcile.intake.encodings import no_text, wide_encoding
from reconcile.intake.gzip_files import GZIP, MAX_RATIO, RATIO_FROM, inflate
from reconcile.intake.plain_text import HEAD, FileText, text_in_file

_BESIDE = ThreadPoolExecutor(max_workers=1, thread_name_prefix="digest")
Kind = Literal["text", "xlsx", "ods", "camt"]

# How much a packed file may hold. Exports of real shops pack five to forty times; only data made
# for it packs hundreds of times (deflate: up to 1,032 times). Common practice, no source.
_MAX_PACKAGE = 1 << 30
_MAX_PARTS = 10_000
_LOCAL_HEADER = 30  # APPNOTE.TXT of the zip format, section 4.3.7
_CHUNK = 1 << 20
_PROBE = 4096
_ZIP = b"PK"
_NAMES = {
    "text": "text",
    "xlsx": "an .xlsx workbook",
    "ods": "an .ods workbook",
    "zip": "a zip archive",
    "gzip": "a gzip file",
    "camt": "a bank statement in XML",
}
# What an ending promises; a file with any other ending is taken for what it holds.
_PROMISES = {
    **dict.fromkeys((".csv", ".txt", ".tsv", ".tab"), "text"),
    **dict.fromkeys((".xlsx", ".xlsm"), "xlsx"),
    ".ods": "ods",
}
_SAVE = "Export the table as CSV, or save it as .xlsx."
# How files begin that are no table: the registrations of their media types at iana.org, and for
# compressed files the descriptions of their formats (from memory).
_OTHERS = (
    (b"%PDF", "it is a PDF document.", _SAVE),
    (b"\x89PNG", "it is a picture (PNG).", _SAVE),
    (b"\xff\xd8\xff", "it is a picture (JPEG).", _SAVE),
    (b"GIF8", "it is a picture (GIF).", _SAVE),
    (rb"{\rtf", "it is a text document (RTF).", _SAVE),
    (b"7z\xbc\xaf\x27\x1c", "it is a 7z archive.", "Unpack it."),
    (b"Rar!\x1a\x07", "it is a RAR archive.", "Unpack it."),
    (b"BZh", "it is packed with bzip2.", "Unpack it, or pack it with gzip."),
    (b"\xfd7zXZ\x00", "it is packed with xz.", "Unpack it, or pack it with gzip."),
    (b"\x28\xb5\x2f\xfd", "it is packed with zstd.", "Unpack it, or pack it with gzip."),
    # [MS-CFB], 2.2: workbooks of Excel 97 to 2003, and newer ones locked with a password.
    (
        b"\xd0\xcf\x11\xe0",
        "it is protected by a password, or a workbook of the old .xls kind.",
        "Open it and save it as .xlsx without a password.",
    ),
)
_MARKUP = re.compile(rb"<(?:!doctype|html|head|body|table|\?xml|!--)", re.IGNORECASE)
_JSON = re.compile(rb"[\[{]\s*[\[{\"}\]]")
_BOMS = re.compile(rb"\xef\xbb\xbf|\xff\xfe(?:\0\0)?|\xfe\xff|\0\0\xfe\xff")


@dataclass(frozen=True)
class Content:
    """What a file holds: ``body`` are the bytes of a text or of a workbook, out of any gzip.

    A large text that is plain UTF-8 stays in its file. ``path`` is relative to the shop folder,
    with forward slashes; ``digest`` is the SHA-256 of the file as it lies there. ``kind`` says
    how to read the body; text may be in any encoding.
    """

    path: str
    digest: Future[str]
    kind: Kind
    body: bytes | FileText

    @property
    def data(self) -> bytes:
        """The body in memory."""
        return self.body if isinstance(self.body, bytes) else self.body.raw()

    @property
    def sha256(self) -> str:
        """The SHA-256 of the file; it is found beside other work."""
        return self.digest.result()


def read_content(folder: Path, path: Path) -> Content:
    """Read one file and tell by its bytes, never by its name, what it is.

    Raises RefusedError where the file cannot be read, is empty, is no table, is packed to more
    than it may hold, or is something else than its name promises.
    """
    name = path.relative_to(folder).as_posix()
    try:
        if path.exists() and not path.is_file():
            raise _refuse(name, "it is not a file.", "Check the files of the source.")
        text = _large_text(name, path)
        data = b"" if text else path.read_bytes()
    except OSError as error:
        raise _refuse(name, f"it cannot be read: {error.strerror}.", "Check its rights.") from None
    ending = path.suffix.lower()
    if text:
        _hold_to_text(name, text.head)
        _hold_to_name(name, ending, "text")
        return Content(name, _BESIDE.submit(text.sha256), "text", text)
    digest = _BESIDE.submit(lambda found: hashlib.sha256(found).hexdigest(), data)
    if data.startswith(GZIP):
        _hold_to_name(name, ending, "gzip")
        data = inflate(name, data)
        ending = Path(path.stem).suffix.lower()
        if data.startswith(GZIP):
            raise _refuse(name, "it is packed twice with gzip.", "Unpack it once.")
    if data.startswith(_ZIP) and data[2:4] in (b"\x03\x04", b"\x05\x06", b"\x07\x08"):
        if ending in _PROMISES and _PROMISES[ending] == "text":
            _hold_to_name(name, ending, "zip")
        kind: Kind = _package_kind(name, data)
    elif is_statement(data):
        kind = "camt"
    else:
        _hold_to_text(name, data)
        kind = "text"
    _hold_to_name(name, ending, kind)
    return Content(name, digest, kind, data)


def _large_text(name: str, path: Path) -> FileText | None:
    """A file of more than a head that is plain UTF-8, where its head says that it is a text."""
    if path.stat().st_size <= HEAD:
        return None
    with path.open("rb") as file:
        head = file.read(HEAD)
    other = head.startswith((GZIP, _ZIP)) or is_statement(head) or wide_encoding(head)
    empty = not head.removeprefix(b"\xef\xbb\xbf").strip()
    return None if other or empty else text_in_file(path, name)


def _refuse(place: str, what: str, mend: str) -> RefusedError:
    return RefusedError([Problem(place, what, mend)])


def _hold_to_name(name: str, ending: str, kind: str) -> None:
    """Refuse a file that is something else than its name says: it may be the wrong file."""
    if _PROMISES.get(ending, kind) != kind:
        what = f"its name ends in {ending}, but it is {_NAMES[kind]}."
        mend = "Give it the ending of what it is, if it is the right file, or export it again."
        raise _refuse(name, what, mend)


def _hold_to_text(name: str, data: bytes) -> None:
    """Refuse what is empty, binary, or text that is no table."""
    for begin, what, mend in _OTHERS:
        if data.startswith(begin):
            raise _refuse(name, what, mend)
    mark = _BOMS.match(data)
    start = mark.end() if mark else 0
    wide = bool(mark and mark[0] != b"\xef\xbb\xbf") or bool(wide_encoding(data))
    probe = data[start : start + _PROBE]
    if wide:
        probe = probe.replace(b"\0", b"")
    if not probe.strip() and not data[start:].replace(b"\0", b"" if wide else b"\0").strip():
        mend = "Export it again; a file without orders still has its header."
        raise _refuse(name, "the file is empty.", mend)
    probe = probe.lstrip()
    if _MARKUP.match(probe):
        what = "it is a web page or XML, neither a table nor a statement of kind camt.053."
        raise _refuse(name, what, "Open it in a spreadsheet and save it as .xlsx, or export CSV.")
    if _JSON.match(probe):
        raise _refuse(name, "it is JSON, not a table.", "Export it as CSV.")
    at = -1 if wide else data.find(b"\0")
    if at >= 0:
        raise RefusedError([no_text(name, data, at)])


def _package_kind(name: str, data: bytes) -> Kind:
    """Which kind of workbook a zip is; every part of it is unpacked once within bounds."""
    damaged = _refuse(
        name, "the workbook or zip archive is damaged or breaks off.", "Save or export it again."
    )
    parts = _package_parts(name, data, damaged)
    names = {part.filename for part in parts}
    heads = {part.filename: _walk(name, data, part, damaged) for part in parts}
    kind = heads.get("mimetype", b"")
    if (
        kind.startswith(b"application/vnd.oasis.opendocument.spreadsheet")
        and "content.xml" in names
    ):
        return "ods"
    if "xl/workbook.xml" in names:
        return "xlsx"
    if "xl/workbook.bin" in names:
        raise _refuse(name, "it is a workbook of the .xlsb kind.", "Save it as .xlsx.")
    what = "it is a zip archive and no workbook (.xlsx or .ods)."
    raise _refuse(name, what, "Unpack it, or save the table as .xlsx or CSV.")


def _package_parts(name: str, data: bytes, damaged: RefusedError) -> list[zipfile.ZipInfo]:
    """What a zip says of its parts, where it is within bounds and agrees with itself.

    Only stored and deflated parts are open standards' (ECMA-376 part 2, annex B; OpenDocument 1.3
    part 2, section 2.1).
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            parts = package.infolist()
            for part in parts:  # each is where the list of parts says, under the same name
                if not part.flag_bits & 1:
                    package.open(part).close()
    except (zipfile.BadZipFile, ValueError, NotImplementedError, struct.error, OverflowError):
        raise damaged from None
    if any(part.flag_bits & 1 for part in parts):
        raise _refuse(name, "it is protected by a password.", "Save it without a password.")
    size = sum(part.file_size for part in parts)
    if size > min(_MAX_PACKAGE, max(RATIO_FROM, MAX_RATIO * len(data))):
        what = f"it unpacks to {size >> 20} MB, which no workbook of its size does."
        raise _refuse(name, what, "Look where it comes from before you open it.")
    if len({part.filename for part in parts}) < len(parts) or len(parts) > _MAX_PARTS:
        raise damaged
    if {part.compress_type for part in parts} - {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
        raise damaged
    return parts


def _walk(name: str, data: bytes, part: zipfile.ZipInfo, damaged: RefusedError) -> bytes:
    """The first bytes of a part, after all of it has been unpacked and looked through.

    Refuses definitions of entities, which can blow up or reach outside: workbooks have no use for
    them (ECMA-376 part 2, section 8.1.4, forbids them). Other parts than those that are read, such
    as the macros of an .ods, may have them.
    """
    read = not part.filename.startswith(("customXml/", "docProps/", "Basic/", "Dialogs/"))
    head, tail = b"", b""
    for chunk in _unpacked(data, part, damaged):
        head = head or chunk[:_PROBE]
        window = tail + chunk
        if part.filename == "META-INF/manifest.xml" and b"encryption-data" in window:
            raise _refuse(name, "it is protected by a password.", "Save it without a password.")
        markup = read and head.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] in (b"<", b"")
        if markup and (b"<!DOCTYPE" in window or b"<!ENTITY" in window):
            what = f"its part {part.filename} defines entities, which no workbook needs."
            raise _refuse(name, what, "Look where it comes from; save it again as .xlsx.")
        tail = window[-32:]
    if part.filename.endswith((".xml", ".rels")) and b"\0" in head:
        raise damaged  # UTF-16, which the standard allows and nobody writes, would hide entities
    return head


def _unpacked(data: bytes, part: zipfile.ZipInfo, damaged: RefusedError) -> Iterator[bytes]:
    """The bytes of a part by chunks; a part that is not of its declared size is damaged."""
    view = memoryview(data)
    begin = part.header_offset + _LOCAL_HEADER
    if begin > len(data) or not data.startswith(b"PK\x03\x04", part.header_offset):
        raise damaged
    begin += sum(struct.unpack_from("<HH", data, begin - 4))
    packed = view[begin : begin + part.compress_size]
    size, crc = 0, 0
    for chunk in _inflated(packed, part.compress_type == zipfile.ZIP_STORED, damaged):
        size, crc = size + len(chunk), zlib.crc32(chunk, crc)
        if size > part.file_size:
            raise damaged
        yield chunk
    if size != part.file_size or crc != part.CRC:
        raise damaged


def _inflated(packed: memoryview, stored: bool, damaged: RefusedError) -> Iterator[bytes]:  # noqa: FBT001
    if stored:
        for at in range(0, len(packed), _CHUNK):
            yield bytes(packed[at : at + _CHUNK])
        return
    stream = zlib.decompressobj(-zlib.MAX_WBITS)
    at = 0
    while not stream.eof:
        rest = stream.unconsumed_tail or packed[at : at + _CHUNK]
        at += 0 if stream.unconsumed_tail else len(rest)
        try:
            chunk = stream.decompress(rest, _CHUNK)
        except zlib.error:
            raise damaged from None
        if not chunk and not len(rest):
            raise damaged
        yield chunk
