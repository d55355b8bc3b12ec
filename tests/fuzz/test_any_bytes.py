"""Bytes made of nothing, and files with a few bytes changed, against both readers."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fuzz.targets import TARGETS, starts

_BITS = st.sampled_from(
    [b"\0", b"\xff", b"\xc3", b"\xff\xfe", b'"', b"\r", b"\n", b"\r\n", b",", b";", b"\t", b"=",
     b"'", b"-", b"1,234", b"9.4E+21", b"9" * 20, b"\x1c", b"\xe2\x80\x8b", b"<row/>", b"<c/>",
     b"</row>",
     b'<c t="e"/>', b"<f/>", b'r="XFE1"', b'r="A1048577"', b"<!--", b"]]>", b"&#0;", b"1e308",
     b"nan",
     b'table:number-columns-repeated="99999"', b'table:number-rows-repeated="9999999"']
)  # fmt: skip
_CHANGE = st.tuples(st.floats(0, 1), st.floats(0, 0.2), _BITS | st.binary(max_size=6))


@st.composite
def changed(draw: st.DrawFn, target: str) -> bytes:
    """An input that is read, with some pieces of it replaced."""
    data = draw(st.sampled_from(starts(target)))
    for share, cut, piece in draw(st.lists(_CHANGE, min_size=1, max_size=4)):
        at = int(len(data) * share)
        data = data[:at] + piece + data[at + int(len(data) * cut * share) :]
    return data


@pytest.mark.parametrize("target", sorted(TARGETS))
@given(data=st.binary(max_size=200))
@settings(max_examples=60, derandomize=True, deadline=None, database=None)
def test_bytes_made_of_nothing(target: str, data: bytes) -> None:
    TARGETS[target](data)


@given(data=changed("text"))
@settings(max_examples=60, derandomize=True, deadline=None, database=None)
def test_texts_with_changes(data: bytes) -> None:
    TARGETS["text"](data)


@given(data=changed("workbook"))
@settings(max_examples=200, derandomize=True, deadline=None, database=None)
def test_workbooks_with_changes(data: bytes) -> None:
    TARGETS["workbook"](data)
