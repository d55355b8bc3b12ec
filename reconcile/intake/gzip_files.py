"""What gzip files hold, unpacked in bounded memory."""

from __future__ import annotations

import io
import zlib

from reconcile.errors import Problem, RefusedError

GZIP = b"\x1f\x8b"  # RFC 1952, section 2.3.1
MAX_RATIO = 200  # of what it holds to what is there, beyond what costs little
RATIO_FROM = 100 << 20
_MAX_INFLATED = 2 << 30
_CHUNK = 1 << 20


def inflate(name: str, data: bytes) -> bytes:
    """What the gzip members of a file hold, one after the other (RFC 1952, section 2.2)."""
    held, again = io.BytesIO(), "Pack or export it again."
    view = memoryview(data)
    at = 0
    while data[at : at + 2] == GZIP:
        member = zlib.decompressobj(wbits=31)
        while not member.eof:
            rest = member.unconsumed_tail or view[at : at + _CHUNK]
            if not len(rest):
                raise _refused(name, "the gzip file breaks off.", again)
            if not member.unconsumed_tail:
                at += len(rest)
            try:
                held.write(member.decompress(rest, _CHUNK))
            except zlib.error:
                raise _refused(name, "the gzip file is damaged.", again) from None
            size = held.tell()
            if size > _MAX_INFLATED or size > max(RATIO_FROM, MAX_RATIO * len(data)):
                what = f"it unpacks to more than {size >> 20} MB, which no export of its size does."
                raise _refused(name, what, "Look where it comes from before you open it.")
        at -= len(member.unused_data)
    if data[at:].strip(b"\0"):  # padding is usual, anything else is not
        raise _refused(name, "the gzip file is damaged at its end.", again)
    return held.getvalue()


def _refused(name: str, what: str, mend: str) -> RefusedError:
    return RefusedError([Problem(name, what, mend)])
