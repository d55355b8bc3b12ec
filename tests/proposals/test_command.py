"""``reconcile intake`` on the command line: what it shows, what it writes, what it refuses."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tests.intake.folders import HEAD
from tests.proposals.command import reconcile

PEOPLE = (
    "Odalys Quillfeather", "odalys@pigeonpost.example", "+999 0199 44", "1 Nowhere Crescent",
    "ZZ9 9ZZ", "Little Nowhere",
)  # fmt: skip
TRACES = ("Odalys", "Quillfeather", "pigeonpost", "0199", "Crescent", "ZZ9", "Little")
ORDER = "LL-{0},2026-01-0{0},LAN-{0},1,2.50,EUR"
ORDERS = "Order,Order date,SKU,Quantity,Unit price,Currency"
BESTELLUNGEN = "Bestellnummer,Bestelldatum,Artikelnummer,Menge,Einzelpreis,Währung"
SUPPLIERS = '[suppliers.kestrel]\nnames = ["Kestrel Goods Co"]\n[suppliers.alder]\n'
INVOICES = "Invoice no.,Invoice date,Your order,Article,Quantity,Unit cost,Currency\n"
INVOICE = "K-1,2026-01-02,1,A,1,2.00,EUR\n"


def _rows(count: int) -> str:
    return "".join(f"{ORDER.format(i)},{','.join(PEOPLE)}\n" for i in range(1, 1 + count))


def _shop(folder: Path, text: str = "") -> Path:
    (folder / "shop.toml").write_text(HEAD + SUPPLIERS + text, encoding="utf-8")
    return folder


def _file(folder: Path, name: str, text: str) -> str:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return str(path)


# People


@pytest.mark.parametrize("options", [(), ("--record", "orders"), ("--record", "invoices")])
@pytest.mark.parametrize(
    "above",
    [
        f"{ORDERS},Customer,E-mail,Phone,Street,Postcode,City\n",
        f"{ORDERS},Ship to,Contact,Mobile,Address 1,ZIP,Town\n",
        f"{BESTELLUNGEN},Kunde,E-Mail,Telefon,Straße,PLZ,Ort\n",
        f"{ORDERS},Nom du client,Courriel,Tél.,Adresse,Code postal,Ville\n",
        f"{ORDERS},Cliente,Correo,Teléfono,Dirección,Código postal,Ciudad\n",
        f"{ORDERS},,,,,,\n",  # columns without a header
        f"{ORDERS}\n",  # cells beyond the header
        f"Orders of Odalys Quillfeather\n\n{ORDERS},Customer,E-mail,Phone,Street,Postcode,City\n",
        "",  # no header at all: the first row is about a person
        "1,2,3,4,5,6,7,8,9,10,11,12\n",
        "Order,Date,A,B,C,D,E,F,G,H,I,J\n",
    ],
)
def test_no_cell_about_a_person_is_shown(
    tmp_path: Path, above: str, options: tuple[str, ...]
) -> None:
    run = reconcile("intake", _file(tmp_path, "orders.csv", above + _rows(3)), *options)
    assert run.returncode in (0, 2)
    assert [trace for trace in TRACES if trace in run.stdout + run.stderr] == []


@pytest.mark.parametrize("record", [(), ("--record", "payments")])
@pytest.mark.parametrize(
    "row",
    [
        ORDER.format(1) + "," + ",".join(PEOPLE),
        # Words that are headers elsewhere do not make a header of a row of cells
        "P-1,2026-01-02,12.00,EUR,invoice,paid,transfer,Odalys Quillfeather,1 Nowhere Street",
        "P-1,3 Oct 2026,invoice,paid,transfer,Odalys Quillfeather,1 Nowhere Street",
        "payment,2026-01-02,12,Odalys Quillfeather,1 Nowhere Street,odalys@pigeonpost.example",
        "Odalys Quillfeather,1 Nowhere Street,Little Nowhere,Customer,Phone",
    ],
)
def test_a_file_without_a_header_is_refused(
    tmp_path: Path, row: str, record: tuple[str, ...]
) -> None:
    run = reconcile("intake", _file(tmp_path, "export.csv", f"{row}\n{row}\n"), *record)
    assert (run.returncode, run.stdout) == (2, "")
    assert "no row looks like a header" in run.stderr
    assert [trace for trace in TRACES if trace in run.stderr] == []


def test_a_column_without_a_header_is_asked_about_by_its_letter(tmp_path: Path) -> None:
    header = ORDERS.replace("Quantity", "")
    path = _file(tmp_path, "orders.csv", f"{header},,Customer\n{ORDER.format(1)},,Odalys\n")
    said = reconcile("intake", path).stdout
    assert "UNSURE: column D has no header" in said
    assert "column G" not in said  # nothing stands in it
    assert "# Missing and required: qty." in said


# What cannot be proposed


@pytest.mark.parametrize(
    ("file", "options", "said"),
    [
        ("nothing.csv", (), "nothing.csv: there is no such file"),
        (".", (), "it is a folder"),
        ("orders.csv", ("--record", "order"), "Did you mean 'orders'?"),
        ("orders.csv", ("--write",), "has a shop.toml to write to"),
        ("picture.csv", (), "picture.csv"),
        ("empty.csv", (), "empty.csv: the file is empty"),
        ("zipped.csv.gz", (), "zipped.csv.gz"),
    ],
)
def test_what_cannot_be_proposed_is_refused(
    tmp_path: Path, file: str, options: tuple[str, ...], said: str
) -> None:
    _file(tmp_path, "orders.csv", f"{ORDERS}\n{ORDER.format(1)}\n")
    (tmp_path / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n")
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "zipped.csv.gz").write_bytes(b"\x1f\x8b\x08\x00cut")
    before = sorted(tmp_path.iterdir())
    run = reconcile("intake", str(tmp_path / file), *options)
    assert (run.returncode, run.stdout) == (2, "")
    assert said in run.stderr
    assert sorted(tmp_path.iterdir()) == before


def test_a_file_outside_any_shop_has_its_entry_on_the_screen(tmp_path: Path) -> None:
    path = _file(tmp_path, "orders.csv", f"{ORDERS}\n{ORDER.format(1)}\n")
    run = reconcile("intake", path)
    assert (run.returncode, run.stderr) == (0, "")
    [source] = tomllib.loads(run.stdout)["source"]
    assert (source["record"], source["files"]) == ("orders", ["orders.csv"])


def test_a_shop_file_that_cannot_be_read_does_not_hinder_a_look(tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text("[shop\n", encoding="utf-8")
    path = _file(tmp_path, "orders.csv", f"{ORDERS}\n{ORDER.format(1)}\n")
    assert reconcile("intake", path).returncode == 0
    run = reconcile("intake", path, "--write")
    assert run.returncode == 2
    assert "shop.toml: it cannot be read" in run.stderr
    assert (tmp_path / "shop.toml").read_text("utf-8") == "[shop\n"


# Beside other sources and files


def test_a_file_that_is_read_already_is_not_written_twice(tmp_path: Path) -> None:
    shop = _shop(tmp_path)
    text = f"{ORDERS}\n{ORDER.format(1)}\n"
    path = _file(shop, "store/orders-2026-01.csv", text)
    first = reconcile("intake", path, "--write")
    assert (first.returncode, first.stderr) == (
        0,
        "Written to shop.toml as the source 'store-orders'.\n",
    )
    written = (shop / "shop.toml").read_bytes()
    # The next month's file is one of the same source
    for name in ("store/orders-2026-01.csv", "store/orders-2026-02.csv"):
        path = _file(shop, name, text)
        run = reconcile("intake", path, "--write")
        assert run.returncode == 2
        assert f"the source 'store-orders' reads {name} as orders already" in run.stderr
        assert (shop / "shop.toml").read_bytes() == written
        shown = reconcile("intake", path)
        assert shown.returncode == 0
        assert "Found: the source 'store-orders' reads" in shown.stdout


def test_a_name_that_is_taken_is_told_apart(tmp_path: Path) -> None:
    shop = _shop(tmp_path)
    text = f"{ORDERS}\n{ORDER.format(1)}\n"
    both = _file(shop, "all.csv", f"{ORDERS},Dispatched on,Tracking no.\n{ORDER.format(1)},,\n")
    for path, options in (
        (_file(shop, "orders.csv", text), ()),
        (_file(shop, "orders.txt", text), ()),
        (both, ("--record", "orders")),
        (both, ("--record", "shipments")),
    ):
        assert reconcile("intake", path, "--write", *options).returncode == 0
    sources = tomllib.loads((shop / "shop.toml").read_text("utf-8"))["source"]
    assert [source["name"] for source in sources] == ["orders", "orders-2", "all", "all-shipments"]


def test_headers_that_changed_from_file_to_file_are_all_named(tmp_path: Path) -> None:
    shop = _shop(tmp_path)
    first = _file(shop, "kestrel/orders-2026-01.csv", f"{ORDERS}\n{ORDER.format(1)}\n")
    _file(
        shop,
        "kestrel/orders-2026-02.csv",
        f"Order no.,Ordered on,SKU,Qty,Amount,Currency\n{ORDER.format(2)}\n",
    )
    _file(shop, "kestrel/orders-2026-03.csv", "SKU,Stock,Bin\nLAN-3,4,A7\n")
    _file(shop, "kestrel/orders-2026-04.csv", f"SKU,Stock,Bin\n{ORDER.format(3)}\n")
    said = reconcile("intake", first).stdout
    assert "orders-2026-04.csv matches kestrel/orders-*.csv too, and this row has more cells" in (
        " ".join(said.replace("\n# ", " ").split())
    )
    [source] = tomllib.loads(said)["source"]
    assert source["files"] == ["kestrel/orders-*.csv"]
    columns = source["columns"]
    assert columns["order_ref"] == ["Order", "Order no."]
    assert columns["ordered_at"] == ["Order date", "Ordered on"]
    assert columns["qty"] == ["Quantity", "Qty"]
    assert columns["sku"] == "SKU"
    # "Amount" is no sure price
    before = said[: said.index("\nunit_price")].rsplit("\nqty", 1)[1]
    assert "UNSURE: In kestrel/orders-2026-02.csv 'Amount' may mean unit_price" in before
    flat = said.replace("\n# ", " ")
    assert "UNSURE: kestrel/orders-2026-03.csv has no 'Order'" in flat


def test_other_exports_beside_it_are_not_of_its_pattern(tmp_path: Path) -> None:
    text = f"{ORDERS}\n{ORDER.format(1)}\n"
    first = _file(tmp_path, "2026-01-orders.csv", text)
    _file(tmp_path, "2026-02-orders.csv", text)
    [alone] = tomllib.loads(reconcile("intake", first).stdout)["source"]
    assert alone["files"] == ["*-orders.csv"]
    _file(tmp_path, "old-orders.csv", text.replace("Order,", "Order no.,"))
    [beside] = tomllib.loads(reconcile("intake", first).stdout)["source"]
    assert beside["files"] == ["[0-9]*-orders.csv"]
    assert beside["columns"] == alone["columns"]


def test_a_file_of_the_pattern_that_cannot_be_used_is_told(tmp_path: Path) -> None:
    first = _file(tmp_path, "orders-1.csv", f"{ORDERS}\n{ORDER.format(1)}\n")
    _file(tmp_path, "orders-2.csv", "")
    run = reconcile("intake", first)
    assert run.returncode == 0
    assert "UNSURE: orders-2.csv matches orders-*.csv too, and the file is empty." in run.stdout


def test_files_that_are_written_otherwise_leave_the_format_open(tmp_path: Path) -> None:
    header = ORDERS.replace("Currency", "Currency,Größe")
    text = f"{header}\n{ORDER.format(1)},x\n"
    first = _file(tmp_path, "orders-1.csv", text)
    assert tomllib.loads(reconcile("intake", first).stdout)["source"][0]["format"] == {
        "encoding": "utf-8", "delimiter": ",", "decimal": ".", "dates": "year-first",
    }  # fmt: skip
    (tmp_path / "orders-2.csv").write_bytes(text.replace(",", ";").encode("cp1252"))
    assert tomllib.loads(reconcile("intake", first).stdout)["source"][0]["format"] == {
        "decimal": ".", "dates": "year-first",
    }  # fmt: skip


def test_a_file_beside_it_with_the_same_headers_is_asked_about(tmp_path: Path) -> None:
    text = f"{ORDERS}\n{ORDER.format(1)}\n"
    _file(tmp_path, "orders-usd.csv", text)
    _file(tmp_path, "orders-stock.csv", f"SKU,Stock,Bin\n{ORDER.format(3)}\n")
    run = reconcile("intake", _file(tmp_path, "orders-eur.csv", text))
    assert "UNSURE: orders-usd.csv has the same headers" in run.stdout
    assert "orders-stock.csv" not in run.stdout


# What the shop knows


@pytest.mark.parametrize(
    ("name", "above", "supplier"),
    [
        ("kestrel-goods-2026-01.csv", "", "kestrel"),
        ("Alder/2026-01.csv", "", "alder"),
        ("invoices.csv", "Kestrel Goods Co, Unit 4\n\n", "kestrel"),
        ("alder.csv", "Kestrel Goods Co\n\n", "alder"),
        ("invoices.csv", "", None),
        ("kestrel-alder.csv", "Kestrel Goods Co\n\n", None),
        ("invoices.csv", "Kestrel Goods Co\nAlder\n\n", None),
    ],
)
def test_the_one_supplier_that_is_named(
    tmp_path: Path, name: str, above: str, supplier: str | None
) -> None:
    path = _file(_shop(tmp_path), name, above + INVOICES + INVOICE)
    said = reconcile("intake", path).stdout
    [source] = tomllib.loads(said)["source"]
    assert source.get("values", {}).get("supplier") == supplier
    assert ("UNSURE: Which supplier is this file of?" in said) == (supplier is None)
    assert ("names the supplier" in said) == (supplier is not None)


def test_a_supplier_in_the_path_of_orders_is_no_constant(tmp_path: Path) -> None:
    path = _file(_shop(tmp_path), "alder/orders.csv", f"{ORDERS}\n{ORDER.format(1)}\n")
    assert "values" not in tomllib.loads(reconcile("intake", path).stdout)["source"][0]


def test_what_references_begin_with_is_asked_and_not_set(tmp_path: Path) -> None:
    rows = "".join(f"{ORDER.format(i)}\n" for i in range(1, 8))
    run = reconcile("intake", _file(tmp_path, "orders.csv", f"{ORDERS}\n{rows}"))
    said = run.stdout.replace("\n# ", " ")
    assert 'UNSURE: order references begin with "LL-".' in said
    assert 'set strip_prefix = ["LL-"] in [source.refs]' in said
    assert "refs" not in tomllib.loads(run.stdout)["source"][0]
