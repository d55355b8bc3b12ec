"""The text of a file as UTF-8: held in memory, or left in the file and read by blocks.

Most exports are UTF-8 already and may be large. Such a file is looked through once by blocks, and
once more when it is cut into columns; its bytes are never in memory all at once.
"""

from __future__ import annotations

import codecs
import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from io import FileIO
from pathlib import Path
from typing import Protocol

import pyarrow as pa

from reconcile.errors import Problem, RefusedError

HEAD = 1 << 20
_BLOCK = 1 << 20


class Text(Protocol):
    """UTF-8 text without a byte order mark; places are counted in bytes."""

    @property
    def head(self) -> bytes:
        """Its first bytes, more than ``HEAD`` where it has more."""

    @property
    def size(self) -> int:
        """How many bytes it has."""

    @property
    def last(self) -> bytes:
        """Its last byte; nothing where it is empty."""

    @property
    def line_ends(self) -> int:
        """How many ways its lines end in: CR LF, CR alone, LF alone."""

    @property
    def ascii(self) -> bool:
        """Whether it is ASCII, and so the same in nearly any encoding."""

    def holds(self, mark: bytes, start: int) -> bool:
        """Whether a quote or CR occurs from a place on."""

    def whole(self, start: int) -> bytes:
        """Everything from a place on, in memory."""

    def stream(self, start: int, end: bytes) -> pa.NativeFile:
        """Everything from a place on, with something put behind it, to be read by blocks."""

    def hold_still(self) -> None:
        """Raise RefusedError where the file is no longer what was looked through."""


@dataclass(frozen=True)
class HeldText:
    """Text in memory."""

    data: bytes

    @property
    def head(self) -> bytes:
        """All of it: what takes the head looks at no more."""
        return self.data

    @property
    def size(self) -> int:
        """How many bytes it has."""
        return len(self.data)

    @property
    def last(self) -> bytes:
        """Its last byte; nothing where it is empty."""
        return self.data[-1:]

    @cached_property
    def line_ends(self) -> int:
        """How many ways its lines end in: CR LF, CR alone, LF alone."""
        both = self.data.count(b"\r\n")
        alone = self.data.count(b"\r") - both, self.data.count(b"\n") - both
        return sum(kind > 0 for kind in (both, *alone))

    @property
    def ascii(self) -> bool:
        """Whether it is ASCII, and so the same in nearly any encoding."""
        return self.data.isascii()

    def holds(self, mark: bytes, start: int) -> bool:
        """Whether a mark occurs from a place on; searched for where it lies, without a copy."""
        return self.data.find(mark, start) >= 0

    def whole(self, start: int) -> bytes:
        """Everything from a place on, in memory."""
        return self.data[start:] if start else self.data

    def stream(self, start: int, end: bytes) -> pa.NativeFile:
        """Everything from a place on, with something put behind it, to be read by blocks."""
        body: bytes | memoryview = memoryview(self.data)[start:]
        return pa.BufferReader(pa.py_buffer(b"".join([body, end]) if end else body))

    def hold_still(self) -> None:
        """What is in memory does not change."""


@dataclass(frozen=True)
class FileText:
    """Text that stays in its file; ``begin`` is where it begins there, behind a mark.

    ``name`` is that of the file in errors, ``stamp`` its state when it was looked through, and
    ``marks`` where the last quote and the last CR of the text are, -1 where it has none.
    """

    path: Path
    name: str
    begin: int
    size: int
    stamp: tuple[int, ...]
    marks: Mapping[bytes, int]
    line_ends: int
    ascii: bool

    @property
    def head(self) -> bytes:
        """Its first bytes, more than ``HEAD`` where it has more."""
        with self._open() as file:
            file.seek(self.begin)
            return file.read(HEAD + 1)

    @property
    def last(self) -> bytes:
        """Its last byte."""
        with self._open() as file:
            file.seek(-1, os.SEEK_END)
            return file.read(1)

    def holds(self, mark: bytes, start: int) -> bool:
        """Whether a quote or CR occurs from a place on."""
        return self.marks[mark] >= start

    def whole(self, start: int) -> bytes:
        """Everything from a place on, in memory."""
        with self._open() as file:
            file.seek(self.begin + start)
            return file.read()

    def raw(self) -> bytes:
        """The bytes of the file as they lie there, in memory."""
        return self.whole(-self.begin)

    def stream(self, start: int, end: bytes) -> pa.NativeFile:
        """Everything from a place on, with something put behind it, to be read by blocks."""
        file = self._open()
        file.seek(self.begin + start)
        return pa.PythonFile(_Followed(file, end), mode="r")

    def sha256(self) -> str:
        """The SHA-256 of the file as it lies there."""
        with self._open() as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        self.hold_still()
        return digest

    def hold_still(self) -> None:
        """Raise RefusedError where the file is no longer what was looked through."""
        self._open().close()

    def _open(self) -> FileIO:
        try:
            file = self.path.open("rb", buffering=0)
        except OSError as error:
            what = f"it cannot be read: {error.strerror}."
            raise RefusedError([Problem(self.name, what, "Check its rights.")]) from None
        if _stamp(file) != self.stamp:
            file.close()
            what = "it has changed while it was read."
            raise RefusedError([Problem(self.name, what, "Run again once it is written.")])
        return file


class _Followed:
    """A file with something behind its end, as Arrow reads it."""

    def __init__(self, file: FileIO, end: bytes) -> None:
        self._file, self._end = file, end

    @property
    def closed(self) -> bool:
        return self._file.closed

    def close(self) -> None:
        self._file.close()

    def read(self, size: int) -> bytes:
        data = self._file.read(size)
        if not data:
            data, self._end = self._end[:size], self._end[size:]
        return data


def text_in_file(path: Path, name: str) -> FileText | None:
    """A file that is plain UTF-8, whatever it says; None where it holds anything else.

    Raises OSError where it cannot be read.
    """
    with path.open("rb", buffering=0) as file:
        stamp, seen = _stamp(file), _Seen()
        try:
            for block in iter(lambda: file.read(_BLOCK), b""):
                if b"\0" in block:
                    return None
                seen.add(block)
            seen.decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return None
    begin = len(codecs.BOM_UTF8) if seen.begins.startswith(codecs.BOM_UTF8) else 0
    marks = {mark: at - begin if at >= 0 else -1 for mark, at in seen.marks.items()}
    ends = sum(kind > 0 for kind in (seen.both, seen.returns - seen.both, seen.feeds - seen.both))
    return FileText(path, name, begin, seen.size - begin, stamp, marks, ends, seen.ascii)


class _Seen:
    """What has been seen of a text so far."""

    def __init__(self) -> None:
        self.size = self.both = self.returns = self.feeds = 0
        self.marks = {b'"': -1, b"\r": -1}
        self.begins = self.before = b""
        self.ascii = True
        self.decoder = codecs.getincrementaldecoder("utf-8")()

    def add(self, block: bytes) -> None:
        """Look at the next bytes. Raises UnicodeDecodeError where they are no UTF-8."""
        self.begins = self.begins or block[:4]
        text = block.removeprefix(codecs.BOM_UTF8) if not self.size else block
        if self.decoder.getstate()[0] or not text.isascii():
            self.ascii = False
            self.decoder.decode(text)
        for mark in self.marks:
            at = block.rfind(mark)
            if at >= 0:
                self.marks[mark] = self.size + at
        across = self.before == b"\r" and block.startswith(b"\n")
        self.both += across
        if self.marks[b"\r"] >= self.size:
            self.feeds += block.count(b"\n")
            self.returns += block.count(b"\r")
            self.both += block.count(b"\r\n")
        else:  # that there is one more is all that matters
            self.feeds += across + (block.find(b"\n", across) >= 0)
        self.before = block[-1:]
        self.size += len(block)


def _stamp(file: FileIO) -> tuple[int, ...]:
    state = os.fstat(file.fileno())
    return state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns
