"""What a change of the files has to change in what is found, and nothing else.

The shops are drawn, so nobody knows beforehand what has to come out of them; but whatever it is,
another order of rows may not change it, one order in order adds nothing to it, a payment that is
missing or there twice shows at its own orders alone, and amounts and days go through in
proportion.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from functools import cache, cached_property
from pathlib import Path

import pytest

from reconcile.nightly import run_nightly
from tests.outside.shop_folder import Row, read_rows
from tests.shops import build_shop, catalogue
from tests.shops.edits import CLONE, Tables, moved, number_of

pytestmark = pytest.mark.no_cover

ORDERS = 300
SEEDS = (31, 32)
# By one reference, by several, by invoice number, and in two parts
WAYS = ("alone", "in bulk", "by invoice", "in parts")
SAID = ("rule", "verdict", "order_ref", "sku", "supplier", "document", "class", "list", "currency")
Key = tuple[str, str]  # order number and supplier


@dataclass(frozen=True)
class Night:
    """A shop as tables, the day of the run, and what the run gave."""

    tables: Tables
    as_of: date
    out: Path

    @cached_property
    def exceptions(self) -> list[Row]:
        """The rows of exceptions.csv."""
        return read_rows(self.out / "exceptions.csv")

    @cached_property
    def order_lines(self) -> list[Row]:
        """The rows of order_lines.csv."""
        return read_rows(self.out / "order_lines.csv")

    def bag(self) -> Counter[tuple[str, ...]]:
        """Rule, verdict, order number, supplier and amount of every exception."""
        return Counter(
            (row["rule"], row["verdict"], row["order_ref"], row["supplier"], row["amount"])
            for row in self.exceptions
        )

    @cached_property
    def good(self) -> dict[Key, Decimal]:
        """What is paid for supplier orders of delivered orders about which nothing is said."""
        said = {row["order_ref"] for row in self.exceptions}
        said |= {row["order_ref"] for row in self.order_lines if row["state"] != "delivered"}
        paid: dict[Key, Decimal] = {}
        for row in self.order_lines:
            if row["order_ref"] not in said:
                key = (number_of(row["order_ref"]), row["supplier"])
                paid[key] = paid.get(key, Decimal(0)) + Decimal(row["paid"])
        return paid


Nights = Callable[[int], Night]


def run(tables: Tables, as_of: date, folder: Path) -> Night:
    """Write the tables and run on them; a proof that does not hold fails here."""
    shop = tables.write(folder / "shop")
    contents, out = run_nightly(shop, lambda _: as_of, folder / "out", lambda _: None)
    assert contents.proofs["holds"].all(), contents.proofs.to_string()
    return Night(tables, as_of, out)


def built(folder: Path, seed: int) -> tuple[Tables, date]:
    truth = build_shop(folder / "built", orders=ORDERS, seed=seed)
    return Tables.read(folder / "built"), truth.as_of


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Nights:
    """The night of a drawn shop by its seed, run once."""

    @cache
    def of(seed: int) -> Night:
        folder = tmp_path_factory.mktemp(f"seed-{seed}")
        return run(*built(folder, seed), folder)

    return of


@pytest.fixture(params=SEEDS)
def night(request: pytest.FixtureRequest, nights: Nights) -> Night:
    """Every drawn shop in turn."""
    return nights(request.param)


@pytest.fixture(params=range(len(WAYS)), ids=WAYS)
def payment(
    request: pytest.FixtureRequest, nights: Nights
) -> tuple[Night, str, dict[Key, Decimal]]:
    """A shop, a payment made in one of the ways, and what it is for."""
    night = nights(SEEDS[request.param % len(SEEDS)])
    ref, parts = _pick(night, WAYS[request.param])
    return night, ref, parts


def _pick(night: Night, way: str) -> tuple[str, dict[Key, Decimal]]:
    """The first payment of good supplier orders that was made in a way, and its shares."""
    orders_of, payments_of = _links(night.tables)
    rows = {row["payment_ref"]: row for row in night.tables.records["payments"].to_dict("records")}
    for ref, keys in orders_of.items():
        row = rows[ref]
        times = max(len(payments_of[key]) for key in keys)
        made = (
            "in parts" if times == 2 else
            "by invoice" if not row["order_ref"] else
            "in bulk" if len(keys) > 1 else "alone"
        )  # fmt: skip
        if made == way and keys <= night.good.keys():
            parts = {key: night.good[key] for key in keys}
            if way == "in parts":
                parts = dict.fromkeys(keys, Decimal(row["amount"]))
            assert sum(parts.values()) == Decimal(row["amount"])
            return ref, parts
    raise AssertionError(f"no payment {way} of orders about which nothing is said")


def _links(tables: Tables) -> tuple[dict[str, set[Key]], dict[Key, set[str]]]:
    """The supplier orders of every settled payment that names some, and the reverse."""
    billed: dict[str, set[Key]] = {}
    for row in tables.records["invoices"].to_dict("records"):
        key = (number_of(row["order_ref"]), _supplier(row["supplier"]))
        billed.setdefault(row["invoice_no"], set()).add(key)
    orders_of: dict[str, set[Key]] = {}
    payments_of: dict[Key, set[str]] = {}
    for row in tables.records["payments"].to_dict("records"):
        refs = [ref for ref in row["order_ref"].split(";") if ref]
        keys = {(number_of(ref), _supplier(row["supplier"])) for ref in refs}
        bills = [bill.strip() for bill in row["invoice_no"].split(";") if bill]
        for bill in bills if not keys else []:
            keys |= billed[bill]
        settled = row["status"] in ("", "settled") and row["kind"] in ("", "payment")
        if settled and keys:  # one that names nothing is in none of the ways
            orders_of[row["payment_ref"]] = keys
        for key in keys:
            payments_of.setdefault(key, set()).add(row["payment_ref"])
    return orders_of, payments_of


def _supplier(spelling: str) -> str:
    return spelling.split(maxsplit=1)[0].lower()


def test_shuffling_rows_and_columns_changes_nothing(night: Night, tmp_path: Path) -> None:
    other = run(night.tables.shuffled(seed=5), night.as_of, tmp_path)
    names = sorted(path.relative_to(night.out) for path in night.out.rglob("*.csv"))
    assert names == sorted(path.relative_to(other.out) for path in other.out.rglob("*.csv"))
    for name in names:
        here, there = (read_rows(each.out / name) for each in (night, other))
        for row in (*here, *there):
            row.pop("evidence", None)  # rows stand elsewhere
        assert here == there, name


def test_orders_in_order_add_nothing(night: Night, tmp_path: Path) -> None:
    numbers = sorted({number for number, _ in night.good})[::8]
    paid = {key: amount for key, amount in night.good.items() if key[0] in numbers}
    assert len({supplier for _, supplier in paid}) == 2
    assert len(numbers) > 5
    other = run(night.tables.with_clones(paid), night.as_of, tmp_path)
    assert other.exceptions == night.exceptions
    clones = [row for row in other.order_lines if row["order_ref"][3:].startswith(CLONE)]
    assert {row["order_ref"] for row in clones} == {f"LL-{CLONE}{number}" for number in numbers}
    assert {row["state"] for row in clones} == {"delivered"}
    assert [row for row in other.order_lines if row not in clones] == night.order_lines


def test_a_missing_payment_shows_at_its_orders_alone(
    payment: tuple[Night, str, dict[Key, Decimal]], tmp_path: Path
) -> None:
    night, ref, parts = payment
    other = run(night.tables.without_payment(ref), night.as_of, tmp_path)
    expected = Counter(
        (
            "unpaid" if amount == night.good[number, supplier] else "part-paid",
            "open",
            f"LL-{number}",
            supplier,
            str(amount),
        )
        for (number, supplier), amount in parts.items()
    )
    assert other.bag() - night.bag() == expected
    assert night.bag() - other.bag() == Counter()


def test_a_payment_made_again_shows_at_its_orders_alone(
    payment: tuple[Night, str, dict[Key, Decimal]], tmp_path: Path
) -> None:
    night, ref, parts = payment
    other = run(night.tables.paid_again(ref), night.as_of, tmp_path)
    expected = Counter(
        ("double-paid", "open", f"LL-{number}", supplier, str(amount))
        for (number, supplier), amount in parts.items()
    )
    assert other.bag() - night.bag() == expected
    assert night.bag() - other.bag() == Counter()


@pytest.mark.parametrize("seed", SEEDS)
def test_ten_times_the_money_is_ten_times_each_amount(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A cost finer than a cent is rounded, which ten times as much need not be.
    whole = tuple(
        replace(item, cost=str(Decimal(item.cost).quantize(Decimal("0.01"))))
        for item in catalogue.ITEMS
    )
    monkeypatch.setattr(catalogue, "ITEMS", whole)
    tables, as_of = built(tmp_path, seed)
    tables = tables.replaced(rates=tables.records["rates"].assign(rate="1"))
    once = run(tables, as_of, tmp_path / "once")
    ten = run(tables.multiplied(10), as_of, tmp_path / "ten")
    assert _amounts(ten.exceptions, 1) == _amounts(once.exceptions, 10)
    with_amounts = {row["rule"] for row in once.exceptions if row["amount"]}
    assert {"double-paid", "unpaid", "lost", "overcharged", "sold-at-loss"} <= with_amounts


def _amounts(found: list[Row], factor: int) -> Counter[tuple[object, ...]]:
    """What is said of each exception, with so many times its amounts."""
    return Counter(
        (
            *(row[name] for name in (*SAID, "due_by")),
            *(
                Decimal(row[name]) * factor if row[name] else None
                for name in ("amount", "amount_home")
            ),
        )
        for row in found
    )


@pytest.mark.parametrize(("seed", "weeks"), [(SEEDS[0], 1), (SEEDS[1], 1), (SEEDS[0], 22)])
def test_weeks_later_everything_falls_due_weeks_later(
    seed: int, weeks: int, tmp_path: Path, nights: Nights
) -> None:
    """Weekdays stay; the end of a month, of a year and of summer time come to lie elsewhere."""
    night = nights(seed)
    days = 7 * weeks
    later = run(night.tables.moved(days), night.as_of + timedelta(days=days), tmp_path)
    assert _dated(later.exceptions, 0) == _dated(night.exceptions, days)
    assert {row["due_by"] for row in later.exceptions} > {str(later.as_of)}


def _dated(found: list[Row], days: int) -> Counter[tuple[str, ...]]:
    """What is said of each exception, with its dates so many days later."""
    same = (*SAID, "amount", "amount_home", "age_days", "evidence")
    dates = ("event_date", "due_by", "first_seen", "explanation")
    return Counter(
        (*(row[name] for name in same), *(moved(row[name], days) for name in dates))
        for row in found
    )
