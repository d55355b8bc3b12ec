"""Builds a shop folder of any size, and says which exceptions it has to give."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv

from tests.shops import text
from tests.shops.catalogue import SKUS, SUPPLIERS
from tests.shops.clock import PERIOD_DAYS, Clock, day_number
from tests.shops.faults import FAULTS
from tests.shops.kind import Kind
from tests.shops.ledger import exceptions
from tests.shops.life import cases, start
from tests.shops.lookalikes import LOOK_ALIKES
from tests.shops.render import CURRENCIES, Export, Renderer
from tests.shops.settle import settle

AS_OF = date(2026, 10, 1)  # a Thursday, so that a weekend counts
ZONE = "America/New_York"  # where late evening is tomorrow in UTC
USUAL_RATE = 0.002
_ROWS_AT_ONCE = 500_000
_MOST_CASES = 0.9
Rate = float | Mapping[str, float]

TRUTH_COLUMNS = [
    "rule",
    "verdict",
    "order_ref",
    "sku",
    "supplier",
    "document",
    "amount",
    "currency",
    "list",
    "class",
    "due_by",
    "kind",
]


@dataclass(frozen=True)
class Scenario:
    """Which day and which place a shop is looked at from."""

    as_of: date = AS_OF
    zone: str = ZONE
    # By supplier; the second one's keeps a payment from being overdue
    holidays: tuple[tuple[date, ...], ...] = ((date(2026, 8, 3),), (date(2026, 9, 28),))
    days: int = PERIOD_DAYS  # in which orders were placed


@dataclass(frozen=True)
class Plan:
    """What kind of shop to build; ``sample`` adds the cases that only the sample has."""

    orders: int
    seed: int
    fault_rate: Rate = USUAL_RATE
    lookalike_rate: Rate = USUAL_RATE
    scenario: Scenario = Scenario()
    sample: bool = False


@dataclass(frozen=True)
class Truth:
    """What a shop has to give.

    ``exceptions`` has one row per expected exception of every verdict and TRUTH_COLUMNS, all
    text: amounts in major units, blank where there is none; order_ref and sku as the storefront
    writes them; due_by blank for what is due at once; kind is the builder's own name for the case.
    ``cases`` has one row per order that is part of a case: order_ref, kind, role (0 is the order
    that the case is about), case. ``rows`` counts the rows of each record.
    """

    as_of: date
    exceptions: pd.DataFrame
    cases: pd.DataFrame
    rows: Mapping[str, int]

    def of(self, rules: Sequence[str], verdict: str = "open") -> pd.DataFrame:
        """The expected exceptions of some rules with one verdict."""
        mine = self.exceptions["rule"].isin(rules) & (self.exceptions["verdict"] == verdict)
        return self.exceptions[mine]

    def write(self, folder: Path) -> None:
        """Write the truth as exceptions.csv and cases.csv."""
        folder.mkdir(parents=True, exist_ok=True)
        self.exceptions.to_csv(folder / "exceptions.csv", index=False, lineterminator="\n")
        self.cases.to_csv(folder / "cases.csv", index=False, lineterminator="\n")


def build_shop(
    folder: Path,
    *,
    orders: int,
    seed: int,
    fault_rate: Rate = USUAL_RATE,
    lookalike_rate: Rate = USUAL_RATE,
) -> Truth:
    """Write a shop of so many orders (about 1.5 lines each) into a folder.

    A rate is the share of orders that are a case of each kind, at least one of each; or a rate
    by kind, and none of the others. The same arguments give the same bytes. Raises ValueError
    where the cases would be more than nine tenths of the orders.
    """
    exports, truth = imagine(Plan(orders, seed, fault_rate, lookalike_rate))
    folder.mkdir(parents=True, exist_ok=True)
    for export in exports:
        write_csv(export, folder / f"{export.record}.csv")
    settings = shop_toml(Scenario(), [export.record for export in exports])
    (folder / "shop.toml").write_text(settings, encoding="utf-8")
    return truth


def imagine(plan: Plan) -> tuple[list[Export], Truth]:
    """A shop that is not written yet: its exports, and the truth about it."""
    kinds = [kind for kind in (*FAULTS, *LOOK_ALIKES) if plan.sample or not kind.sample_only]
    counts = [_cases(kind, plan) for kind in kinds]
    shown = sum(
        count * kind.orders
        for kind, count in zip(kinds, counts, strict=True)
        if not any(rule == "unknown-order" for rule, _ in kind.gives)
    )
    if shown > plan.orders * _MOST_CASES:
        raise ValueError(f"{shown} orders of cases are too many for a shop of {plan.orders}")
    scenario = plan.scenario
    clock = Clock(day_number(scenario.as_of), scenario.holidays, scenario.days)
    world = start(clock, kinds, counts, plan.orders - shown, plan.seed)
    for index, (kind, count) in enumerate(zip(kinds, counts, strict=True)):
        if count:
            kind.change(world, cases(world, kind, index))
    settle(world)
    renderer = Renderer(world, ZoneInfo(plan.scenario.zone), plan.seed)
    exports = renderer.exports()
    return exports, _truth(plan.scenario, renderer, kinds, exports)


def _cases(kind: Kind, plan: Plan) -> int:
    rate = plan.fault_rate if kind.is_fault else plan.lookalike_rate
    share = rate if isinstance(rate, float | int) else rate.get(kind.name, 0)
    count = max(1, round(share * kind.weight * plan.orders)) if share else 0
    return min(count, 1) if kind.once else count


def write_csv(export: Export, path: Path) -> None:
    """Write an export as CSV, some rows at a time."""
    options = pa.csv.WriteOptions(quoting_style="none", quoting_header="none")
    head = export.table(slice(0, 0)).schema
    with pa.csv.CSVWriter(path, head, write_options=options) as writer:
        for begin in range(0, export.rows, _ROWS_AT_ONCE):
            writer.write_table(export.table(slice(begin, begin + _ROWS_AT_ONCE)))


def _truth(
    scenario: Scenario, renderer: Renderer, kinds: Sequence[Kind], exports: Sequence[Export]
) -> Truth:
    world = renderer.world
    orders, lines = world.orders, world.lines
    page = exceptions(world, kinds)
    ints = {name: page[name].to_numpy(dtype=np.int64) for name in ("order", "line", "amount")}
    order, line, amount = ints["order"], ints["line"], ints["amount"]
    supplier = page["supplier"].to_numpy(dtype=np.int64)
    names = [*(each.name for each in SUPPLIERS), ""]
    has_amount = amount >= 0
    currency = np.where(has_amount, supplier, len(CURRENCIES))
    in_home = page["rule"].isin(["customer-underpaid", "customer-overpaid", "sold-at-loss"])
    currency = np.where(in_home, 0, currency)
    kind_names = [*(kind.name for kind in kinds), ""]
    columns = {
        "rule": pa.array(page["rule"], pa.string()),
        "verdict": pa.array(page["verdict"], pa.string()),
        "order_ref": text.where(
            (page["rule"] != "payment-unmatched").to_numpy(),
            text.store_reference(orders.number[order], orders.bare[order]),
        ),
        "sku": text.words([*SKUS, ""], np.where(line >= 0, lines.sku[line], len(SKUS))),
        "supplier": text.words(names, supplier % len(names)),
        "document": _documents(renderer, page, supplier),
        "amount": text.where(has_amount, text.money(np.maximum(amount, 0))),
        "currency": text.words([*CURRENCIES, ""], currency),
        "list": pa.array(page["list"], pa.string()),
        "class": pa.array(page["class"], pa.string()),
        "due_by": text.day(page["due"].to_numpy(dtype=np.int64)),
        "kind": text.words(kind_names, orders.kind[order] % len(kind_names)),
    }
    table = pa.table(columns).sort_by(
        [(name, "ascending") for name in ("rule", "verdict", "order_ref", "sku", "document")]
    )
    found = np.flatnonzero(orders.kind >= 0)
    found = found[np.lexsort((orders.role[found], orders.group[found]))]
    of_cases = pa.table(
        {
            "order_ref": text.store_reference(orders.number[found], orders.bare[found]),
            "kind": text.words(kind_names, orders.kind[found]),
            "role": text.number(orders.role[found]),
            "case": text.number(orders.group[found]),
        }
    )
    return Truth(
        as_of=scenario.as_of,
        exceptions=table.select(TRUTH_COLUMNS).to_pandas(),
        cases=of_cases.to_pandas(),
        rows={export.record: export.rows for export in exports},
    )


def _documents(renderer: Renderer, page: pd.DataFrame, supplier: np.ndarray) -> pa.Array:
    """The number of the document that an exception is about, blank where it is about none."""
    what = page["document"].to_numpy()
    place = np.maximum(page["document_id"].to_numpy(dtype=np.int64), 0)
    blank = pa.array([""] * len(page), pa.string())
    for name, numbers in (("invoice", renderer.invoice_text), ("payment", renderer.payment_text)):
        mine = what == name
        blank = text.where(mine, numbers.take(pa.array(np.where(mine, place, 0))), blank)
    parcels = text.tracking_number(np.maximum(supplier, 0), place)
    return text.where(what == "parcel", parcels, blank)


def shop_toml(scenario: Scenario, records: Sequence[str]) -> str:
    """The settings of a shop whose exports have the names of their records."""
    parts = [
        "[shop]",
        'name = "Lantern Lane"',
        'home_currency = "EUR"',
        f'time_zone = "{scenario.zone}"',
    ]
    for supplier, days in zip(SUPPLIERS, scenario.holidays, strict=True):
        parts += supplier_toml(supplier.name, days)
    for record in records:
        parts += ["", "[[source]]", f'name = "{record}"', f'record = "{record}"']
        parts += [f'files = ["{record}.csv"]', "[source.format]", 'delimiter = ","']
        parts += ['encoding = "utf-8"', 'decimal = "."', 'dates = "year-first"']
        if record in ("orders", "invoices", "payments", "shipments", "payouts"):
            parts += ["[source.refs]", f'strip_prefix = ["{text.ORDER_PREFIX}"]']
            parts += ['replacement_suffix = ["-R"]', 'separators = ";"']
    return "\n".join(parts) + "\n"


def supplier_toml(name: str, holidays: Sequence[date]) -> list[str]:
    """The lines of one supplier's settings."""
    (supplier,) = (each for each in SUPPLIERS if each.name == name)
    spellings = ", ".join(f'"{each}"' for each in supplier.spellings if each != name)
    days = ", ".join(f'"{each}"' for each in holidays)
    return [
        "",
        f"[suppliers.{name}]",
        f"names = [{spellings}]",
        f'terms = "{supplier.terms}"',
        f"dispatch_days = {supplier.dispatch_days}",
        f"delivery_days = {supplier.delivery_days}",
        f"holidays = [{days}]",
    ]
