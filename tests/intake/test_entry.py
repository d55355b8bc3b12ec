"""A proposal as a [[source]] table, pasted or written into shop.toml."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pyarrow as pa
import pytest

from reconcile.errors import RefusedError
from reconcile.intake.entry import (
    Choice,
    Proposal,
    entry_text,
    name_of,
    pattern_of,
    write_entry,
)
from reconcile.intake.propose import propose
from reconcile.shop import Format
from reconcile.shop_file import read_shop

SETTINGS = """# Our shop; mind the comments
[shop]
name = "Lantern Lane"   # the name on the door
home_currency = 'EUR'
time_zone = "Europe/Dublin"

[suppliers.kestrel]     # who sends most of it
names = [
    "Kestrel Goods Co", # as they write it
]

# The storefront
[[source]]
name = "store-orders"
record = "orders"
files = ["store/*.csv"]

# Below: what must not change
[rules.unpaid]
grace_days = 2  # a long weekend
"""
HEADER = ["Zahlungs-ID", "Zahlungsdatum", "Betrag (EUR)", "Datum", "Status", "Kunde", 'Say "hi"\\']
CELLS = [["P1"], ["01.10.2026"], ["3,00"], ["02.10.2026"], ["Ausgeführt", "Wolkig"], [], ["x"]]
FILES = ["payments/kestrel-*.csv"]


def sample(position: int) -> pa.Array:
    assert HEADER[position] != "Kunde"
    return pa.array(CELLS[position], pa.string())


@pytest.fixture(scope="module")
def payments() -> Proposal:
    return propose(HEADER, sample)


def _shop(folder: Path, text: str | bytes = SETTINGS) -> Path:
    path = folder / "shop.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_an_entry_is_toml_that_says_what_was_proposed(payments: Proposal) -> None:
    form = Format(encoding="cp1252", delimiter="\t", decimal=",", dates="day-first", header_row=3)
    text = entry_text(
        payments, name="kestrel-payments", files=FILES, form=form, supplier="kestrel",
        notes=["The header is in row 3."],
    )  # fmt: skip
    (source,) = tomllib.loads(text)["source"]
    assert source == {
        "name": "kestrel-payments",
        "record": "payments",
        "files": FILES,
        "columns": {
            "payment_ref": "Zahlungs-ID",
            "paid_at": "Zahlungsdatum",
            "amount": "Betrag (EUR)",
            "status": "Status",
        },
        "values": {"currency": "EUR", "supplier": "kestrel"},
        "format": {
            "encoding": "cp1252",
            "delimiter": "\t",
            "decimal": ",",
            "dates": "day-first",
            "header_row": 3,
        },
        "words": {"status": {"Ausgeführt": "settled"}},
    }
    assert "# The header is in row 3." in text
    assert "# Private, never read: 'Kunde'." in text
    assert "# Not used: 'Datum'" in text
    assert "Wolkig" in text
    assert "Which supplier" not in text
    assert 'payment_ref = "Zahlungs-ID"  # by name and content' in text


def test_what_is_not_sure_and_what_is_missing_stands_in_comments() -> None:
    proposal = propose(["Order", "Date", "Total"], lambda _: pa.array([], pa.string()), "orders")
    text = entry_text(proposal, name="store", files=["x.csv"])
    lines = text.splitlines()
    at = lines.index('ordered_at = "Date"  # by its name')
    assert lines[at - 1].startswith("# UNSURE: 'Date' may mean ordered_at")
    assert any(line.startswith("# Missing and required: sku, qty, unit_price") for line in lines)
    assert all(len(line) <= 100 for line in lines)


def test_headers_that_other_files_have_stand_beside(payments: Proposal) -> None:
    first = replace(payments.choices[0], also=('Z "no."', "Ref"))
    text = entry_text(replace(payments, choices=(first,)), name="x", files=FILES)
    [source] = tomllib.loads(text)["source"]
    assert source["columns"] == {"payment_ref": ["Zahlungs-ID", 'Z "no."', "Ref"]}


@pytest.mark.parametrize(
    ("path", "name", "pattern"),
    [
        ("orders.csv", "orders", "orders.csv"),
        ("store/orders-2026-10.csv", "store-orders", "store/orders-*.csv"),
        ("Store 1/Orders 2026.10.03.csv.gz", "store-1-orders", "Store 1/Orders *.csv.gz"),
        ("2026-10-orders.xlsx", "2026-10-orders", "*-orders.xlsx"),
        ("orders20261003.txt", "orders", "orders*.txt"),
        ("shop2-orders-7.csv", "shop2-orders", "shop2-orders-*.csv"),
        ("orders [3] (copy).csv", "orders-3-copy", "orders [[]*] (copy).csv"),
        ("orders-eur.csv", "orders-eur", "orders-eur.csv"),
        ("2026.csv", "2026", "*.csv"),
        ("orders", "orders", "orders"),
        ("Bestellungen_März.CSV.GZ", "bestellungen-märz", "Bestellungen_März.CSV.GZ"),
    ],
)
def test_later_files_of_an_export_match_its_pattern(
    path: str, name: str, pattern: str, tmp_path: Path
) -> None:
    assert (name_of(path), pattern_of(path)) == (name, pattern)
    file = tmp_path / path
    file.parent.mkdir(exist_ok=True)
    file.touch()
    assert list(tmp_path.glob(pattern)) == [file]


def test_headers_cannot_break_out_of_their_place() -> None:
    header = 'a"\n[shop]\nname = "x" # \\ \x7f\x1b\u202e'
    choice = Choice("sku", header, 0, "name", sure=False, doubt=f"{header} may mean sku.")
    proposal = Proposal(
        record="orders", record_why=header, record_sure=True, choices=(choice,),
        missing=("order_ref",), unused=(header,), private=(header,), values={"currency": header},
        words={"sku": {header: header}}, unsure=(header,),
    )  # fmt: skip
    text = entry_text(proposal, name=header, files=[header], notes=[header])
    (source,) = tomllib.loads(text)["source"]
    assert set(tomllib.loads(text)) == {"source"}
    assert (source["name"], source["files"], source["columns"]) == (
        header,
        [header],
        {"sku": header},
    )
    assert source["words"] == {"sku": {header: header}}
    comments = [line for line in text.splitlines() if line.startswith("#")]
    assert all(char.isprintable() for line in comments for char in line)


@pytest.mark.parametrize(
    "before",
    [
        SETTINGS,
        SETTINGS.rstrip("\n"),
        SETTINGS.replace("\n", "\r\n"),
        "\ufeff" + SETTINGS,
        SETTINGS + "\n\n# the end, without a line end",
        SETTINGS.replace("[[source]]", '[[source]]\nvalues = { currency = "EUR" }'),
    ],
)
def test_writing_keeps_every_byte_and_the_shop_can_be_read(
    before: str, payments: Proposal, tmp_path: Path
) -> None:
    path = _shop(tmp_path, before)
    write_entry(path, payments, name="kestrel-payments", files=FILES, supplier="kestrel")
    after = path.read_bytes()
    assert after.startswith(before.encode())
    line_ends = after.count(b"\n"), after.count(b"\r\n")
    assert line_ends[1] == (line_ends[0] if "\r\n" in before else 0)
    shop, problems = read_shop(tmp_path)
    assert problems == []
    assert [source.name for source in shop.sources] == ["store-orders", "kestrel-payments"]
    assert shop.sources[1].columns["amount"] == ("Betrag (EUR)",)
    assert shop.sources[1].constants == {"currency": "EUR", "supplier": "kestrel"}
    assert shop.rules == {"unpaid": {"grace_days": 2}}
    assert [entry.name for entry in tmp_path.iterdir()] == ["shop.toml"]


def test_two_entries_can_be_written_one_after_the_other(payments: Proposal, tmp_path: Path) -> None:
    path = _shop(tmp_path)
    for name in ("first", "second"):
        write_entry(path, payments, name=name, files=FILES, supplier="kestrel")
    shop, problems = read_shop(tmp_path)
    assert problems == []
    assert [source.name for source in shop.sources] == ["store-orders", "first", "second"]


@pytest.mark.parametrize(
    ("before", "what"),
    [
        (SETTINGS.replace("store-orders", "kestrel-payments"), "already"),
        ("[shop\n", "cannot be read"),
        (b"\xff\xfe", "cannot be read"),
        ('source = [{ name = "a" }]\n', "no source can be added"),
        ('[source]\nname = "a"\n', "no source can be added"),
        ('source = "a"\n', "no source can be added"),
    ],
)
def test_what_cannot_be_extended_is_refused_and_stays_as_it_is(
    before: str | bytes, what: str, payments: Proposal, tmp_path: Path
) -> None:
    path = _shop(tmp_path, before)
    content = path.read_bytes()
    with pytest.raises(RefusedError, match=what):
        write_entry(path, payments, name="kestrel-payments", files=FILES, supplier="kestrel")
    assert path.read_bytes() == content
    assert [entry.name for entry in tmp_path.iterdir()] == ["shop.toml"]


def test_a_shop_that_is_not_there_is_refused(payments: Proposal, tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="cannot be read"):
        write_entry(tmp_path / "shop.toml", payments, name="x", files=FILES)
    assert list(tmp_path.iterdir()) == []


def test_a_failure_while_writing_leaves_the_old_file(
    payments: Proposal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _shop(tmp_path)

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", fail)
    with pytest.raises(RefusedError, match="No space left"):
        write_entry(path, payments, name="x", files=FILES)
    assert path.read_text(encoding="utf-8") == SETTINGS
    assert [entry.name for entry in tmp_path.iterdir()] == ["shop.toml"]


def test_a_link_and_the_rights_of_the_file_are_kept(payments: Proposal, tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    real = _shop(tmp_path / "real")
    real.chmod(0o640)
    link = tmp_path / "shop.toml"
    link.symlink_to(real)
    write_entry(link, payments, name="x", files=FILES)
    assert link.is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    assert '"x"' in real.read_text(encoding="utf-8")
