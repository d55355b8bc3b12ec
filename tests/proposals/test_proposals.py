"""An export that nobody has described: the proposal is right, or says that it is not sure."""

from __future__ import annotations

import csv
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
import tomlkit

from reconcile.nightly import run_nightly
from reconcile.references import plain
from tests.intake.folders import HEAD
from tests.proposals.measure import Score, scores, share
from tests.shops import build_shop
from tests.shops.renderings import WAYS, names_of, render_as

AS_OF = date(2026, 10, 31)
MEASURED = ("german", "french", "spanish", "american")
RUN = ("american", "xlsx")


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("clean")
    build_shop(folder, orders=300, seed=12)
    return folder


@pytest.fixture(scope="module")
def measured(clean: Path, tmp_path_factory: pytest.TempPathFactory) -> list[Score]:
    return scores(clean, tmp_path_factory.mktemp("ways"), MEASURED)


def test_every_language_is_measured() -> None:
    assert {WAYS[way].headers[:2] for way in MEASURED} == {"en", "de", "fr", "es"}


def test_proposals_are_right(measured: list[Score]) -> None:
    assert share(measured) >= 0.95


def test_no_wrong_money_or_date_is_called_sure(measured: list[Score]) -> None:
    assert [score for score in measured if score.sure_and_wrong] == []


def test_a_record_type_that_is_called_sure_is_right(measured: list[Score]) -> None:
    assert [score for score in measured if score.record_sure and not score.record_right] == []


def _intake(path: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "reconcile", "intake", str(path), *options]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def _told(folder: Path) -> list[dict[str, str]]:
    """What a night says of the shop: every exception without the places behind it."""
    run_nightly(folder, lambda _: AS_OF, folder / "out", lambda _: None)
    with (folder / "out/exceptions.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    shown = ("id", "rule", "verdict", "amount", "currency", "due_by")
    return [{name: row[name] for name in shown} for row in rows]


@pytest.mark.parametrize("way", RUN)
def test_a_night_with_the_proposed_entries(clean: Path, tmp_path: Path, way: str) -> None:
    """Only what an entry cannot know is added by hand: every file, prefixes, zones, the unsure."""
    shop = tmp_path / way
    render_as(way, clean, shop, declared=False)
    true, settings = names_of(shop), tomlkit.parse((shop / "shop.toml").read_text("utf-8"))
    by_hand = {source["name"]: source for source in settings["source"].unwrap()}
    head = (clean / "shop.toml").read_text("utf-8").partition("[[source]]")[0]
    (shop / "shop.toml").write_text(head, encoding="utf-8")
    for name, source in by_hand.items():
        path = min(shop.glob(source["files"][0]))
        run = _intake(path, "--write", "--record", name)
        assert (run.returncode, "[[source]]" in run.stdout) == (0, True), run.stderr
    proposed = tomlkit.parse((shop / "shop.toml").read_text("utf-8"))
    for entry in proposed["source"]:
        source = by_hand[entry["record"]]
        entry["files"] = source["files"]
        if "refs" in source:
            entry["refs"] = source["refs"]
        if "time_zone" in source.get("format", {}):
            entry["format"]["time_zone"] = source["format"]["time_zone"]
        headers = true[entry["record"]]
        for column in set(entry["columns"]) - set(headers):
            del entry["columns"][column]
        for column, names in headers.items():
            if entry["columns"].get(column) not in map(plain, names):
                entry["columns"][column] = list(names)
    (shop / "shop.toml").write_text(tomlkit.dumps(proposed), encoding="utf-8")
    assert _told(shop) == _told(clean)


PEOPLE = ("Odalys Quillfeather", "odalys@pigeonpost.example", "+999 0199", "1 Nowhere Crescent")
ORDER = "LL-1,2026-01-02,LAN-1,1,2.50,EUR"


@pytest.mark.parametrize(
    "header",
    [
        "Order,Order date,SKU,Quantity,Unit price,Currency,Customer,E-mail,Phone,Street",
        "Bestellnummer,Bestelldatum,Artikelnummer,Menge,Einzelpreis,Währung,Kunde,E-Mail,"
        "Telefon,Straße",
        "Order,Order date,SKU,Quantity,Unit price,Currency,,,,",
        "1,2,3,4,5,6,7,8,9,10",
        ORDER + "," + ",".join(PEOPLE),
        "P-1,2026-01-02,12.00,EUR,invoice,payment," + ",".join(PEOPLE),
    ],
)
def test_no_cell_about_a_person_is_shown(tmp_path: Path, header: str) -> None:
    rows = "".join(f"{ORDER},{','.join(PEOPLE)}\n" for _ in range(3))
    path = tmp_path / "orders.csv"
    path.write_text(f"{header}\n{rows}", encoding="utf-8")
    for options in ((), ("--record", "orders")):
        run = _intake(path, *options)
        assert run.returncode in (0, 2)
        assert [who for who in PEOPLE if who in run.stdout + run.stderr] == []


def test_a_file_without_a_header_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "orders.csv"
    path.write_text(f"{ORDER}\n{ORDER}\n", encoding="utf-8")
    run = _intake(path)
    assert run.returncode == 2
    assert "no row looks like a header" in run.stderr


@pytest.mark.parametrize(
    ("file", "options", "said"),
    [
        ("nothing.csv", (), "there is no such file"),
        (".", (), "there is no such file"),
        ("orders.csv", ("--record", "order"), "Did you mean 'orders'?"),
        ("orders.csv", ("--write",), "shop.toml"),
        ("picture.csv", (), "picture"),
    ],
)
def test_what_cannot_be_proposed(
    tmp_path: Path, file: str, options: tuple[str, ...], said: str
) -> None:
    (tmp_path / "orders.csv").write_text(
        f"Order,Order date,SKU,Quantity,Unit price,Currency\n{ORDER}\n", encoding="utf-8"
    )
    (tmp_path / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n")
    run = _intake(tmp_path / file, *options)
    assert run.returncode == 2
    assert said in run.stderr
    assert run.stdout == ""


def test_the_supplier_whose_name_is_in_the_path(tmp_path: Path) -> None:
    suppliers = '[suppliers.kestrel]\nnames = ["Kestrel Goods"]\n[suppliers.alder]\n'
    (tmp_path / "shop.toml").write_text(HEAD + suppliers, encoding="utf-8")
    text = (
        "Invoice no.,Invoice date,Your order,Article,Quantity,Unit cost\nK-1,2026-01-02,1,A,1,2\n"
    )
    for name, said in (
        ("kestrel-goods-2026-01.csv", 'supplier = "kestrel"'),
        ("invoices.csv", "# UNSURE: Which supplier is this file of?"),
        ("kestrel-alder.csv", "# UNSURE: Which supplier is this file of?"),
    ):
        (tmp_path / name).write_text(text, encoding="utf-8")
        assert said in _intake(tmp_path / name).stdout
