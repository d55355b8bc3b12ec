"""Settings that cannot be used: where each is wrong, how, and what is near."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.intake.folders import HEAD, ORDERS, csv_of, only_problem, refused, source, write

GOOD = {"orders.csv": csv_of(ORDERS, "1,2026-01-02,LAN-1,1,2.50,EUR")}
FORMAT = "[source.format]\n"


def test_a_folder_without_settings(tmp_path: Path) -> None:
    problem = only_problem(tmp_path)
    assert problem.place == str(tmp_path / "shop.toml")
    assert problem.what == "there is no such file."
    assert "README" in problem.mend


@pytest.mark.parametrize("data", [b"[shop\n", b"\xff\xfe\x00", b"a = 1\na = 2\n", b"\x00"])
def test_settings_that_are_no_toml(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "shop.toml").write_bytes(data)
    problem = only_problem(tmp_path)
    assert problem.place == "shop.toml"
    assert problem.what.startswith("it cannot be read: ")


@pytest.mark.parametrize(
    ("settings", "place", "what", "mend"),
    [
        ("[shopp]\n" + source("orders"), "", "the key 'shopp' is not known", "'shop'"),
        (source("orders", "colums = 1"), "source 'orders'", "the key 'colums'", "'columns'"),
        (source("orders", '[source.columns]\norder_reff = "x"'), "source 'orders' columns",
         "the key 'order_reff'", "'order_ref'"),
        (source("orders", "[source.columns]\nsku = []"), "source 'orders' columns",
         "sku = [] names no header", "leave it out"),
        (source("orders", '[source.values]\nskuu = "x"'), "source 'orders' values",
         "the key 'skuu'", "'sku'"),
        (source("orders", '[source.format]\ndate = "x"'), "source 'orders' format",
         "the key 'date'", "'dates'"),
        (source("orders", "[source.refs]\nprefix = []"), "source 'orders' refs", "the key 'prefix'",
         "strip_prefix"),
        ("[suppliers.kestrel]\nterm = 1\n" + source("orders"), "[suppliers.kestrel]",
         "the key 'term'", "'terms'"),
        ("[tolerance]\nabsolut = 1\n" + source("orders"), "[tolerance]", "the key 'absolut'",
         "'absolute'"),
        ("[rules.unpayed]\ngrace_days = 2\n" + source("orders"), "[rules.unpayed]", "unpayed",
         "'unpaid'"),
        ("[rules.unpaid]\ngrace_day = 2\n" + source("orders"), "[rules.unpaid]", "grace_day",
         "'grace_days'"),
        ("[rules.unpaid]\ngrace_days = -2\n" + source("orders"), "[rules.unpaid]",
         "grace_days = -2 is not a whole number of 0 or more", "days after"),
        (source("orders").replace('record = "orders"', 'record = "order"') + source("orders")
         .replace('name = "orders"', 'name = "b"'), "source 'orders'", "record = 'order'",
         "'orders'"),
        (source("orders") * 2, "source 'orders'", "two sources have this name", "its own name"),
        (source("orders", 'covered_to = "soon"'), "source 'orders'", "covered_to", "2026-10-01"),
        (source("orders", FORMAT + 'dates = "day_first"'), "source 'orders' format", "day_first",
         "'day-first'"),
        (source("orders", FORMAT + 'dates = "%q"'), "source 'orders' format", "%q", "%d %b %Y"),
        (source("orders", FORMAT + 'dates = "%d %b"'), "source 'orders' format", "year", "%Y"),
        (source("orders", FORMAT + 'dates = "%Y-%m-%d %Z"'), "source 'orders' format", "%Z",
         "without %Z"),
        (source("orders", FORMAT + 'encoding = "klingon"'), "source 'orders' format", "klingon",
         "utf-8"),
        (source("orders", FORMAT + 'encoding = "a\\u0000"'), "source 'orders' format", "encoding",
         "utf-8"),
        (source("orders", FORMAT + 'encoding = "undefined"'), "source 'orders' format",
         "undefined", "utf-8"),
        (source("orders", FORMAT + 'delimiter = "\\n"'), "source 'orders' format", "delimiter",
         "one plain character"),
        (source("orders", FORMAT + 'delimiter = "§"'), "source 'orders' format", "delimiter",
         "one plain character"),
        (source("orders", FORMAT + 'decimal = ";"'), "source 'orders' format", "decimal", '","'),
        (source("orders", FORMAT + 'time_zone = "Europe/Dubln"'), "source 'orders' format",
         "Europe/Dubln", "IANA"),
        (source("orders", FORMAT + "header_row = 0"), "source 'orders' format", "header_row",
         "from 1"),
        (source("orders", '[source.values]\ncurrency = "ABC"'), "source 'orders' values",
         "currency = 'ABC'", "ISO 4217"),
        (source("orders", '[source.values]\nqty = "-1"'), "source 'orders' values", "qty = '-1'",
         "0 or more"),
        (source("orders", '[source.values]\nsku = ""'), "source 'orders' values", "sku = ''",
         "a value"),
        (source("payments", files="orders"), "source", "no source brings the orders", "orders"),
    ],
)  # fmt: skip
def test_settings_that_are_wrong(
    tmp_path: Path, settings: str, place: str, what: str, mend: str
) -> None:
    problems = refused(write(tmp_path, GOOD, settings))
    mine = [one for one in problems if one.place == f"shop.toml {place}".strip()]
    assert len(mine) == 1, problems
    assert what in mine[0].what
    assert mend in mine[0].mend


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('"EUR"', '"EURO"', "home_currency 'EURO' is not a currency"),
        ('"EUR"', '"XAU"', "home_currency 'XAU' is not a currency"),
        ('"Europe/Dublin"', '"Dublin"', "'Dublin' is not a time zone"),
        ('"Europe/Dublin"', '"../etc/passwd"', "is not a time zone"),
        ('home_currency = "EUR"\n', "", "home_currency is missing"),
        ('name = "Lantern Lane"', "name = 5", "name is not a text"),
    ],
)
def test_the_shop_itself(tmp_path: Path, old: str, new: str, what: str) -> None:
    folder = write(tmp_path, GOOD)
    path = folder / "shop.toml"
    path.write_text(HEAD.replace(old, new) + source("orders"))
    problem = only_problem(folder)
    assert problem.place == "shop.toml [shop]"
    assert what in problem.what
