"""Text of any encoding as UTF-8: what the file says, what its bytes prove, or a refusal.

An 8-bit code page gives every byte a meaning, so a wrong guess raises no error: it changes
letters without a word. Where a file does not say its encoding, only UTF-8, UTF-16 and UTF-32 are
told by their bytes; Windows-1252 is taken where nothing speaks against it, and all else is asked.
"""

from __future__ import annotations

import codecs
import re

import numpy as np

from reconcile.errors import Problem, RefusedError

# The marks that open a Unicode file (The Unicode Standard, 23.8, "Byte Order Mark"). UTF-32
# little-endian begins like UTF-16 little-endian, so it is asked first.
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_PROBE = 4096
_BLOCK = 1 << 18
_HIGH = 0x80


def _of(values: set[int]) -> bytes:
    return b"[" + b"".join(b"\\x%02x" % value for value in sorted(values)) + b"]"


# The high bytes that ordinary Western European text holds in Windows-1252 (mapping: unicode.org,
# MAPPINGS/VENDORS/MICSFT/WINDOWS/CP1252.TXT), written by number since several look alike in print.
# Which of them are ordinary is common practice, no source. Letters: 0xC0 to 0xFE without the signs
# for times and divided, and without eth, thorn and y with two dots: Icelandic is rare, and other
# code pages have common letters there; then S, Z with caron, OE, and capital Y with two dots.
_LETTERS = (set(range(0xC0, 0xFF)) - {0xD0, 0xD7, 0xDE, 0xF0, 0xF7, 0xFE}) | {
    *(0x8A, 0x8C, 0x8E, 0x9A, 0x9C, 0x9E, 0x9F)
}
# Quotes, dashes and dots of print; acute accent, middle dot, no-break space, ® © ™ as they stand
# inside or right behind words; then signs of money, measure and reference, and ¡ ¿ ª º.
_PRINT = {*range(0x91, 0x95), 0x84, 0x85, 0x96, 0x97, 0xA0, 0xAB, 0xBB}
_BESIDE = {0xB4, 0xB7, 0xAE, 0xA9, 0x99, 0xB0}
_SIGNS = {0x80, 0xA3, 0xA5, 0xA7, 0xB2, 0xB3, 0xBD, 0xBC, 0xA1, 0xBF, 0xAA, 0xBA}

_ORDINARY = _of(_LETTERS | _PRINT | _BESIDE | _SIGNS)
_MARKED = _of(_LETTERS)
_SMALL = _of(set(range(0x61, 0x7B)) | set(range(0xDF, 0xFF)) | {0x9A, 0x9C, 0x9E})
_LETTER = _of(_LETTERS | set(range(0x41, 0x5B)) | set(range(0x61, 0x7B)))
_CAPITALS = _of(_LETTERS & {*range(0xC0, 0xDF), 0x8A, 0x8C, 0x8E, 0x9F})

# What speaks against Windows-1252; but for the first two, it is common practice, no source. Each
# pattern is asked at every byte beyond ASCII, and sees one byte before it and two behind it.
_UTF8 = "a character of UTF-8"
_DOUBTS = tuple(
    (re.compile(pattern, re.DOTALL), why)
    for pattern, why in (
        # How characters of two and more bytes begin: RFC 3629, section 4.
        (rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xf4][\x80-\xbf]{2}", _UTF8),
        (rb"(?!%b)." % _ORDINARY, "a sign that Western texts hardly hold"),
        # Words of a Cyrillic or Greek code page consist of such letters; no Western word does.
        (
            rb"%b(?:%b%b|(?<!%b.)%b(?!%b))"
            % (_MARKED, _MARKED, _MARKED, _LETTER, _MARKED, _LETTER),
            "a word of letters with marks",
        ),
        # "Zażółć" of Windows-1250 reads Za¿ó³æ: its letters are signs here.
        (rb"%b(?=%b)(?<=%b.)" % (_of(_SIGNS), _LETTER, _LETTER), "a sign inside a word"),
        (
            rb"%b(?=%b)" % (_of({0xA3, 0xA5, 0xB2, 0xB3, 0xBC, 0xBD, 0xAA, 0xBA}), _LETTER),
            "a sign right before a word",
        ),
        (rb"%b(?<=%b.)" % (_of({0xA1, 0xBF, 0xA3, 0xA5}), _LETTER), "a sign right behind a word"),
        # Behind a letter stand only m², m³, Nº and the like.
        (rb"%b(?<=%b.)(?<![mM].)" % (_of({0xB2, 0xB3}), _LETTER), "a sign right behind a word"),
        (rb"%b(?<![0-9NnMD].)" % _of({0xAA, 0xBA}), "an ordinal without a number"),
        # Text of the Mac, or UTF-8 read as Windows-1252 and saved again: MŸller, MÃ¼ller.
        (rb"%b(?<=%b.)" % (_CAPITALS, _SMALL), "a capital inside a word"),
        (rb"\x9f(?=%b)" % _SMALL, "a capital inside a word"),
        (rb"[\xc2\xc3](?!%b)" % _LETTER, "a letter where none ends a word"),
    )
)
_ASK = (
    'Set encoding in [source.format] to the one the export was made with: "cp1252" or '
    '"iso-8859-15" for Western Europe, "cp1250" or "iso-8859-2" for Central Europe, "cp1251" for '
    'Cyrillic, "cp1253" for Greek, "cp1254" for Turkish, "mac-roman" for an old Mac.'
)


def to_utf8(path: str, data: bytes, encoding: str) -> tuple[bytes, str]:
    """The text as UTF-8 without a byte order mark, and the name of the encoding it was in.

    ``path`` names the file in errors; ``encoding`` is the declared one, or "" to find it. Plain
    ASCII and UTF-8 without a mark come back as the same object, not copied. A declared encoding is
    held to strictly: it is never replaced by another one that would fit.

    Raises RefusedError, naming row and byte, where the bytes do not fit the encoding or where
    several encodings fit and nothing says which.
    """
    text, known = _declared(path, data, encoding) if encoding else _found(path, data)
    at = text.find(b"\0")
    if at >= 0:
        raise RefusedError([no_text(path, text, at)])
    return text, known


def says_utf8(encoding: str) -> bool:
    """Whether a text that is UTF-8 is in a declared encoding, or none is declared."""
    try:
        return not encoding or codecs.lookup(encoding).name in ("utf-8", "utf-8-sig", "ascii")
    except (LookupError, ValueError):
        return False


def no_text(path: str, data: bytes, at: int) -> Problem:
    """What to say of a zero byte at ``at``, in bytes where no encoding has one."""
    what = "it holds a zero byte, so it is not text, or damaged."
    mend = (
        "Export it again as CSV, or save it as .xlsx; UTF-16 is read where it begins with its mark."
    )
    return Problem(path, what, mend, row=_row(data, at))


def _found(path: str, data: bytes) -> tuple[bytes, str]:
    for mark, name in _MARKS:
        if data.startswith(mark):
            return _decoded(path, data, name), name
    wide = wide_encoding(data)
    if wide:
        return _decoded(path, data, wide), wide
    if data.isascii():
        return data, "utf-8"
    try:
        str(memoryview(data), "utf-8")
    except UnicodeDecodeError as error:
        _hold_to_cp1252(path, data, error.start)
        return data.decode("cp1252").encode(), "cp1252"
    return data, "utf-8"


def _declared(path: str, data: bytes, encoding: str) -> tuple[bytes, str]:
    try:
        known = codecs.lookup(encoding).name
        "".encode(known)
    except (LookupError, ValueError):
        what = f"encoding {encoding!r} is not known."
        mend = 'Write a name such as "utf-8", "cp1252" or "utf-16" in [source.format].'
        raise RefusedError([Problem(path, what, mend)]) from None
    if known == "ascii":
        known = "utf-8"  # every ASCII file is UTF-8, and the first "é" need not stop a shop
    known = "utf-8" if known == "utf-8-sig" else known
    return _decoded(path, data, known), known


def _decoded(path: str, data: bytes, known: str) -> bytes:
    """The bytes as UTF-8 where they are in the known encoding, or a refusal."""
    if known == "utf-8":
        data = data.removeprefix(codecs.BOM_UTF8)
        if data.isascii():
            return data
    try:
        text = data.decode(known)
        return data if known == "utf-8" else text.removeprefix("\ufeff").encode()
    except UnicodeDecodeError as error:
        at, unit = error.start, _unit(known)
        what = f"it is not {known}: byte {data[at]:#04x} does not fit."
        mend = 'Set encoding in [source.format], for example "cp1252" or "utf-16".'
        raise RefusedError([Problem(path, what, mend, row=_row(data, at, unit))]) from None
    except UnicodeEncodeError as error:  # half a surrogate pair, which some decoders let through
        row = str(error.object).count("\n", 0, error.start) + 1
        what = f"it is not {known}: half a character stands alone."
        mend = "Export it again; the file is damaged."
        raise RefusedError([Problem(path, what, mend, row=row)]) from None


def _unit(known: str) -> int:
    return 4 if known.startswith("utf-32") else 2 if known.startswith("utf-16") else 1


def _row(data: bytes, at: int, unit: int = 1) -> int:
    """The row of a byte, counted by line ends (LF, CR LF or CR) before it."""
    before = data[:at]
    if unit > 1:  # only the plain characters matter here, and the zeros beside them can go
        before = before.replace(b"\0", b"")
    return before.count(b"\n") + before.count(b"\r") - before.count(b"\r\n") + 1


def wide_encoding(data: bytes) -> str:
    """UTF-16 or UTF-32 without a byte order mark, told by its zeros; "" where it is neither.

    Digits, delimiters and line ends have zeros beside them on one side only, in any language.
    That a fifth of a table are such characters is common practice, no source.
    """
    probe = data[: min(_PROBE, len(data) // 4 * 4)]
    zeros = [probe[at::4].count(0) for at in range(4)]
    full, some, few = len(probe) // 4, len(probe) // 4 * 0.2, len(probe) // 4 * 0.01
    if not probe:
        return ""
    if zeros[2] == zeros[3] == full and zeros[1] > some and zeros[0] <= few:
        return "utf-32-le"
    if zeros[0] == zeros[1] == full and zeros[2] > some and zeros[3] <= few:
        return "utf-32-be"
    if min(zeros[1], zeros[3]) > some and max(zeros[0], zeros[2]) <= few:
        return "utf-16-le"
    if min(zeros[0], zeros[2]) > some and max(zeros[1], zeros[3]) <= few:
        return "utf-16-be"
    return ""


def _hold_to_cp1252(path: str, data: bytes, first: int) -> None:
    """Refuse the file unless it can hardly be anything but Windows-1252.

    ``first`` is the first byte that is not UTF-8. The bytes beyond ASCII are looked at with their
    neighbours, each different neighbourhood once, of which a file of any size has few.
    """
    cleared: set[int] = set()
    for at in range(0, len(data), _BLOCK):
        part = b"\n" + data[at : at + _BLOCK + 2] + b"\n\n"
        if at:
            part = data[at - 1 : at] + part[1:]
        values = np.frombuffer(part, np.uint8)
        places = np.flatnonzero(values[1 : _BLOCK + 1] >= _HIGH)
        around = np.zeros(len(places), np.uint32)
        for step in range(4):
            around = around << np.uint32(8) | values[places + step]
        fresh = set(np.unique(around).tolist()) - cleared
        doubts = {key: why for key in sorted(fresh) if (why := _doubt(key.to_bytes(4, "big")))}
        if _UTF8 in doubts.values():
            what = f"it is nearly UTF-8, but byte {data[first]:#04x} does not fit."
            mend = "Export it again as UTF-8; it is damaged or was put together from two files. "
            raise RefusedError([Problem(path, what, mend + _ASK, row=_row(data, first))])
        if doubts:
            place = int(np.isin(around, list(doubts)).argmax())
            _ask(path, data, at + int(places[place]), doubts[int(around[place])])
        cleared |= fresh


def _doubt(around: bytes) -> str:
    return next((why for pattern, why in _DOUBTS if pattern.match(around, 1)), "")


def _ask(path: str, data: bytes, at: int, why: str) -> None:
    what = f"its encoding cannot be told: byte {data[at]:#04x} would be, as Windows-1252, {why}."
    raise RefusedError([Problem(path, what, _ASK, row=_row(data, at))])
