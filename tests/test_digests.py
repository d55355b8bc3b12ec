"""Digests by column are what their description says, and the same on every machine."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.digests import (
    digest_rows,
    digest_texts,
    each_once,
    is_one_of,
    mixed,
    places_in,
    repeated,
)

_ALL = 2**64 - 1
Texts = list[str]
Cells = list[tuple[str, int | None]]


def _mix(one: int, other: int) -> int:
    one = (one ^ other) * 0x9E3779B97F4A7C15 & _ALL
    one = (one ^ one >> 32) * 0xD6E8FEB86659FD93 & _ALL
    return one ^ one >> 29


def _of_text(text: str) -> int:
    """In plain Python, a text at a time."""
    data = text.encode()
    out = _mix(len(data), 0)
    for at in range(0, max(len(data), 1), 8):
        out = _mix(out, int.from_bytes(data[at : at + 8], "little"))
    return out


def _of_row(cells: Cells, kind: str) -> int:
    out = _of_text(kind)
    for name, cell in cells:
        out = out if cell is None else _mix(out ^ _of_text(name), cell)
    return out


def _signed(number: int) -> int:
    return number - 2**64 if number >= 2**63 else number


@given(st.lists(st.text(max_size=40)), st.integers(0, 3))
def test_texts_are_digested_as_in_plain_python(texts: Texts, cut: int) -> None:
    values = pd.Series(["x" * 9] * cut + texts, dtype="str").iloc[cut:]
    assert digest_texts(values).tolist() == [_signed(_of_text(text)) for text in texts]


def test_texts_in_several_pieces_or_none_are_digested_alike() -> None:
    pieces = pa.chunked_array([["a", None], ["a longer text than a word", ""]], pa.large_string())
    values = pd.Series(pieces, dtype=pd.ArrowDtype(pa.large_string()))
    texts = ["a", "", "a longer text than a word", ""]
    assert digest_texts(values).tolist() == [_signed(_of_text(text)) for text in texts]
    assert digest_texts(values.iloc[:0]).tolist() == []


def test_a_row_is_its_kind_and_its_cells_with_their_names() -> None:
    columns = {
        "sku": pd.Series(["LAN-1", ""], dtype="str"),
        "qty": pd.Series([-1, None], dtype="Int64"),
        "sent": pd.Series([True, False]),
        "day": pd.to_datetime(pd.Series(["2026-03-02", None])).astype("datetime64[s]"),
    }
    days = (pd.Timestamp("2026-03-02") - pd.Timestamp("1970-01-01")).days
    first: Cells = [("sku", _of_text("LAN-1")), ("qty", _ALL), ("sent", 1), ("day", days)]
    second: Cells = [("sku", None), ("qty", None), ("sent", 0), ("day", None)]
    wanted = [_signed(_of_row(row, "orders")) for row in (first, second)]
    assert digest_rows(columns.items(), "orders").tolist() == wanted
    # A column that is blank says no more than none
    alone = digest_rows([("sent", columns["sent"])], "orders")
    assert alone[1] == wanted[1]
    with pytest.raises(ValueError, match="no columns"):
        digest_rows([], "orders")


def test_what_differs_in_anything_has_another_digest() -> None:
    texts = pd.Series([f"{a}{b}" for a in range(300) for b in range(1000, 1300)], dtype="str")
    more = pd.concat([texts + "\0", " " + texts, texts + texts, texts], ignore_index=True)
    one = digest_rows([("a", more), ("b", more[::-1].reset_index(drop=True))], "orders")
    other = digest_rows([("b", more), ("a", more[::-1].reset_index(drop=True))], "orders")
    kinds = digest_rows([("a", more), ("b", more[::-1].reset_index(drop=True))], "invoices")
    distinct = set(zip(more, more[::-1], strict=True))
    assert len({*one.tolist(), *other.tolist(), *kinds.tolist()}) == 3 * len(distinct)


def test_a_row_is_digested_alike_wherever_it_stands() -> None:
    texts = pd.Series([f"{n:x}" if n % 7 else "" for n in range(200_000)], dtype="str")
    frame = pd.DataFrame({"ref": texts, "qty": np.arange(200_000)})
    place = np.random.default_rng(7).permutation(len(frame))

    def digests(rows: pd.DataFrame) -> list[int]:
        found = digest_rows([("ref", rows["ref"]), ("qty", rows["qty"])], "orders")
        return [int(digest) for digest in found]

    whole = digests(frame)
    assert digests(frame.take(place)) == np.array(whole)[place].tolist()
    assert digests(frame.iloc[-3:]) == whole[-3:]
    assert digests(frame.iloc[:0]) == []


@given(st.lists(st.integers(-3, 3)))
def test_what_is_there_more_than_once(values: list[int]) -> None:
    wanted = sorted(value for value, times in Counter(values).items() if times > 1)
    assert repeated(np.array(values, dtype=np.int64)).tolist() == wanted


def test_sorted_digests_find_their_places() -> None:
    some = np.array([5, -3, 5, 2**62, -3, 0])
    assert each_once(some).tolist() == [-3, 0, 5, 2**62]
    assert places_in(each_once(some), np.array([0, 1, 2**63 - 1, -(2**63)])).tolist() == [
        1,
        -1,
        -1,
        -1,
    ]
    assert places_in(some[:0], some).tolist() == [-1] * 6
    assert is_one_of(some, np.array([5, 7])).tolist() == [True, False, True, False, False, False]
    assert mixed(some, some).tolist() == [_signed(_mix(int(n) & _ALL, int(n) & _ALL)) for n in some]
