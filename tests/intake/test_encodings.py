"""Texts in every encoding a shop may meet: read as what they are, or asked about."""

# ruff: noqa: RUF001 -- letters that look like others are the point

from __future__ import annotations

import time

import pytest

from reconcile.errors import Problem, RefusedError
from reconcile.intake.encodings import to_utf8

HEAD = "order;sku;name\r\n1001;LAN-1;"


def refused(data: bytes, encoding: str = "") -> Problem:
    with pytest.raises(RefusedError) as caught:
        to_utf8("orders.csv", data, encoding)
    (problem,) = caught.value.problems
    assert problem.place == "orders.csv"
    return problem


@pytest.mark.parametrize(
    ("encoding", "known"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8"),
        ("utf-16", "utf-16"),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"),
        ("utf-32", "utf-32"),
        ("utf-32-le", "utf-32-le"),
        ("utf-32-be", "utf-32-be"),
        ("cp1252", "cp1252"),
    ],
)
def test_encodings_found_by_their_bytes(encoding: str, known: str) -> None:
    text = HEAD + "Grüße, crème brûlée – 5 €\r\n"
    assert to_utf8("a.csv", text.encode(encoding), "") == (text.encode(), known)


@pytest.mark.parametrize("mark", [b"\xff\xfe", b"\xfe\xff"])
def test_utf16_of_both_byte_orders(mark: bytes) -> None:
    text = HEAD + "Привет"
    data = mark + text.encode("utf-16-le" if mark == b"\xff\xfe" else "utf-16-be")
    assert to_utf8("a.csv", data, "") == (text.encode(), "utf-16")
    assert to_utf8("a.csv", data, "utf-16") == (text.encode(), "utf-16")


def test_plain_texts_are_not_copied() -> None:
    for text in ("order;sku\n1;2\n", "order;sku\n1;é\n"):
        data = text.encode()
        assert to_utf8("a.csv", data, "")[0] is data
        assert to_utf8("a.csv", data, "utf-8")[0] is data


@pytest.mark.parametrize(
    "words",
    [
        "Müller, Größe, Äpfel", "naïve café, l’été, Œuvre", "señor, ¿qué? ¡sí! Nº 5, 1ª",
        "São João, coração, Ãrvore", "smørrebrød, Ångström, blåbær", "«Pâté», PÂTÉ, 20 °C, 5 m², ½",
        "col·lega, Jack’s “best” – now…", "5 £, ¥ 100, § 7, © 2026, Lumen™, L'HAŸ", "créée, Noël",
    ],
)  # fmt: skip
def test_western_texts_are_windows_1252(words: str) -> None:
    text = HEAD + words
    assert to_utf8("a.csv", text.encode("cp1252"), "") == (text.encode(), "cp1252")


@pytest.mark.parametrize(
    ("words", "encoding"),
    [
        ("Zażółć", "cp1250"), ("Łódź", "cp1250"), ("był", "cp1250"), ("Łódź", "iso-8859-2"),
        ("Привет", "cp1251"), ("на", "cp1251"), ("Привет", "koi8-r"), ("Ελληνικά", "cp1253"),
        ("güneş", "cp1254"), ("ışık", "cp1254"), ("שלום", "cp1255"), ("Grüße", "mac-roman"),
        ("créée", "mac-roman"), ("Müller", "mac-roman"), ("Müller", "cp850"), ("café", "cp437"),
        ("12 €", "iso-8859-15"), ("ランタン", "shift-jis"), ("灯笼", "gbk"), ("Þór", "cp1252"),
    ],
)  # fmt: skip
def test_other_code_pages_are_asked_about(words: str, encoding: str) -> None:
    data = (HEAD + words).encode(encoding)
    problem = refused(data)
    assert problem.row == 2
    assert "Windows-1252" in problem.what or "nearly UTF-8" in problem.what
    assert f"{next(byte for byte in data if byte > 127):#04x}"[:2] in problem.what
    assert "encoding in [source.format]" in problem.mend
    assert '"cp1250"' in problem.mend
    assert to_utf8("a.csv", data, encoding)[0].decode() == HEAD + words


def test_utf8_with_one_damaged_byte_is_no_code_page() -> None:
    problem = refused(HEAD.encode() + "é\r\n".encode() + b"1002;LAN-2;caf\xe9\r\n")
    assert problem.row == 3
    assert "nearly UTF-8, but byte 0xe9" in problem.what
    assert "Export it again as UTF-8" in problem.mend


@pytest.mark.parametrize(("ends", "row"), [("\n", 3), ("\r\n", 3), ("\r", 3)])
def test_rows_are_counted_by_any_line_end(ends: str, row: int) -> None:
    data = ends.join(["a;b", "1;2", "3;"]).encode() + b"\x81"
    assert refused(data).row == row
    assert refused(data, "utf-8").row == row


@pytest.mark.parametrize(
    ("data", "encoding", "what"),
    [
        (b"a\n\xe9", "utf-8", "it is not utf-8: byte 0xe9 does not fit"),
        (b"a\n\xe9", "ascii", "it is not utf-8: byte 0xe9 does not fit"),
        (b"a\n\x81", "cp1252", "it is not cp1252: byte 0x81 does not fit"),
        ("a\n".encode("utf-16-le") + b"\x00\xdc", "utf-16-le", "it is not utf-16-le: byte 0x00"),
        ("a\n".encode("utf-16-le") + b"b", "utf-16-le", "it is not utf-16-le: byte 0x62"),
    ],
)
def test_a_declared_encoding_is_held_to(data: bytes, encoding: str, what: str) -> None:
    problem = refused(data, encoding)
    assert problem.row == 2
    assert what in problem.what
    assert "[source.format]" in problem.mend


@pytest.mark.parametrize("encoding", ["klingon", "base64", "a\0b"])
def test_an_unknown_encoding(encoding: str) -> None:
    problem = refused(b"a", encoding)
    assert "is not known" in problem.what
    assert '"cp1252"' in problem.mend


@pytest.mark.parametrize("encoding", ["", "utf-8", "cp1252"])
def test_zero_bytes_are_no_text(encoding: str) -> None:
    problem = refused(b"a;b\n1;2\n3;\0\n", encoding)
    assert problem.row == 3
    assert "zero byte" in problem.what
    assert refused("a;b\n1;\0\n".encode("utf-16")).row == 2


def test_doubts_are_found_across_blocks() -> None:
    line = "1001;Größe\n".encode("cp1252")
    for count in range(23_820, 23_840):  # the doubt moves over the border of the first block
        data = line * count + "на\n".encode("cp1251")
        assert refused(data).row == count + 1


def test_time_for_large_files() -> None:
    plain, western = b"1001;2026-10-03;LAN-1;12.50\n", "1001;Größe 12;LAN-1\n".encode("cp1252")
    for data, limit in ((plain * 2_000_000, 0.5), (western * 1_000_000, 5.0)):
        begun = time.process_time()
        to_utf8("a.csv", data, "")
        assert time.process_time() - begun < limit
