"""The nightly run, stage by stage: read, match, check, write."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

import reconcile
from reconcile.checks.catalogue import Rule, configured, load_catalogue
from reconcile.checks.evidence import Places
from reconcile.checks.exceptions import find_exceptions
from reconcile.checks.inputs import Told, input_table
from reconcile.checks.verdicts import Setting
from reconcile.errors import RefusedError
from reconcile.intake.load import Intake, file_problems, load
from reconcile.joined import joined_texts
from reconcile.matching.match import Matched, match
from reconcile.rates import in_home_currency
from reconcile.report.contents import Contents, RejectedFile
from reconcile.report.write import check_writable, recover, write_outputs
from reconcile.shop import Shop
from reconcile.shop_file import read_shop

Say = Callable[[str], None]


@dataclass
class _Clock:
    """Seconds by stage, and a word to whoever is watching when a stage begins."""

    say: Say
    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        self.say(name)
        begun = time.perf_counter()
        yield
        self.seconds[name] = time.perf_counter() - begun


def run_nightly(
    folder: Path, as_of: Callable[[Shop], date], out: Path | None, say: Say
) -> tuple[Contents, Path]:
    """Run the whole nightly check of a shop folder and write its outputs.

    ``as_of`` gives the run's date once the shop's zone is known. Gives back what was written
    and where. Raises RefusedError before anything is written, FaultError where writing fails.
    """
    clock = _Clock(say)
    with clock.stage("settings"):
        shop, problems = read_shop(folder)
        day = as_of(shop)
        target = out if out is not None else folder / "out" / str(day)
        rules, unset = configured(load_catalogue(), shop.rules)
        problems = [*problems, *unset, *check_writable(target, folder)]
        if problems:
            raise RefusedError([*problems, *file_problems(shop)])
        recover(target)
    with clock.stage("reading"):
        intake = load(shop, day)
    with clock.stage("matching"):
        matched = match(
            intake.records,
            intake.parts,
            intake.rejected_keys,
            intake.brought,
            shop.suppliers,
            shop.tolerance,
            shop.home_currency,
        )
    with clock.stage("checking"):
        exceptions = _exceptions(shop, rules, intake, matched, day)
    contents = _contents(shop, rules, intake, matched, exceptions, day, clock.seconds)
    with clock.stage("writing"):
        write_outputs(contents, target)
    return contents, target


def _exceptions(
    shop: Shop, rules: dict[str, Rule], intake: Intake, matched: Matched, day: date
) -> pd.DataFrame:
    files = tuple(intake.files["file"])
    inputs = input_table(
        Told(intake.rejected, intake.changes, intake.totals, intake.gaps),
        matched.collisions,
        matched.conflicts,
        list(files),
        np.datetime64(day, "s"),
    )
    setting = Setting(
        as_of=day,
        covered=intake.covered,
        holidays={name: supplier.holidays for name, supplier in shop.suppliers.items()},
        tolerance=shop.tolerance,
    )
    places = Places(files, matched.places, matched.links)
    tables = matched.tables | {"inputs": inputs}
    found = find_exceptions(rules, tables, matched.orders, places, setting)
    found["amount_home_minor"] = in_home_currency(
        found["amount_minor"], found["currency"], shop.home_currency, intake.records.get("rates")
    )
    return found


def _contents(
    shop: Shop,
    rules: dict[str, Rule],
    intake: Intake,
    matched: Matched,
    exceptions: pd.DataFrame,
    day: date,
    seconds: dict[str, float],
) -> Contents:
    return Contents(
        shop=shop.name,
        as_of=day,
        home_currency=shop.home_currency,
        version=reconcile.__version__,
        exceptions=exceptions,
        order_lines=matched.lines,
        pay=_pay(exceptions, matched),
        post=_post(exceptions, matched),
        rejected=intake.rejected,
        rejected_files=_rejected_files(intake),
        notes=intake.notes,
        files=intake.files,
        sums=intake.sums,
        proofs=_proofs(intake, matched),
        rules=_rules(rules),
        seconds=seconds,
    )


def _pay(exceptions: pd.DataFrame, matched: Matched) -> pd.DataFrame:
    """Supplier orders that are safe to pay now: due or soon due, and nothing speaks against it."""
    facts = matched.tables["supplier_orders"]
    mine = exceptions[
        exceptions["rule"].isin(["unpaid", "part-paid"])
        & exceptions["verdict"].isin(["open", "waiting"])
    ]
    rows = facts.iloc[mine["at"].to_numpy(np.int64)].reset_index(drop=True)
    mine = mine.reset_index(drop=True)
    safe = rows["payable"].notna() & (rows["unpaid_rest"] > 0) & (rows["pending"] == 0)
    for doubt in (
        *("unread_row", "paid_in_other_currency", "invoice_awaited"),
        *("perhaps_paid", "not_ruled_out"),
    ):
        safe &= ~rows[doubt]
    safe &= rows["undecided"] == 0
    # One order with money in two currencies may be one debt told twice.
    several = facts["supplier_order"][facts["supplier_order"].duplicated()]
    safe &= ~rows["supplier_order"].isin(several)
    held = exceptions[(exceptions["list"] == "hold") & (exceptions["rule"] != "billed-twice")]
    safe &= ~rows["supplier_order"].isin(held["supplier_order"])
    out = mine[["order_ref", "supplier", "currency", "due_by"]].assign(
        invoice_no=_invoice_numbers(rows, matched), amount_minor=rows["unpaid_rest"].astype("Int64")
    )
    names = ["order_ref", "supplier", "invoice_no", "amount_minor", "currency", "due_by"]
    return out[safe.to_numpy(dtype=bool)][names].reset_index(drop=True)


def _invoice_numbers(rows: pd.DataFrame, matched: Matched) -> pd.Series:
    """The invoice numbers of each supplier order, in order, joined by a semicolon."""
    link = matched.links["invoices"]
    link = link[link["supplier_order"].isin(rows["supplier_order"])]
    numbers = matched.places["invoices"]["invoice_no"].iloc[link["row_id"].to_numpy()]
    frame = pd.DataFrame({"owner": link["supplier_order"].to_numpy(), "no": numbers.to_numpy()})
    frame = frame.drop_duplicates().sort_values(["owner", "no"])
    text = joined_texts(frame["owner"], frame["no"])
    return rows["supplier_order"].map(text).astype("str").fillna("")


def _post(exceptions: pd.DataFrame, matched: Matched) -> pd.DataFrame:
    mine = exceptions[(exceptions["list"] == "post") & (exceptions["verdict"] == "open")]
    rows = matched.tables["order_lines"].iloc[mine["at"].to_numpy(np.int64)]
    known = (rows["first_number"] != "").to_numpy()  # else the supplier is asked first
    mine, rows = mine[known], rows[known]
    return pd.DataFrame(
        {
            "order_ref": mine["order_ref"].to_numpy(),
            "sku": mine["sku"].to_numpy(),
            "carrier": rows["carrier"].to_numpy(),
            "tracking_no": rows["first_number"].to_numpy(),
        }
    ).astype("str")


def _rejected_files(intake: Intake) -> list[RejectedFile]:
    """Each named after its file; two that would be named alike are numbered."""
    out: list[RejectedFile] = []
    taken: set[str] = set()
    for one in intake.originals:
        place = f"{one.file}-{one.sheet}" if one.sheet else one.file
        stem = re.sub(r"[^\w.-]+", "-", place).removesuffix(".csv")
        name, number = f"{stem}.csv", 2
        while name.casefold() in taken:
            name, number = f"{stem}-{number}.csv", number + 1
        taken.add(name.casefold())
        out.append(RejectedFile(name, one.rows, one.delimiter, one.encoding, one.above))
    return out


def _proofs(intake: Intake, matched: Matched) -> pd.DataFrame:
    """Rows of the files by fate, rows of the records by place, and money in and out."""
    files = intake.files
    fates = ["header", "blank", "totals", "repeats", "rejected", "later", "accepted"]
    accepted = sum(len(frame) for frame in intake.records.values())
    rows = [
        ("rows of files = header + blank + totals + repeats + rejected + later + accepted", "rows",
         int(files["rows"].sum()), int(files[fates].to_numpy().sum())),
        ("accepted rows = rows of records", "rows", int(files["accepted"].sum()), accepted),
        ("rejected rows = rows listed", "rows", int(files["rejected"].sum()), len(intake.rejected)),
        ("order rows = order lines", "rows", len(intake.records["orders"]), len(matched.lines)),
    ]  # fmt: skip
    counts = pd.DataFrame(rows, columns=["proof", "unit", "left", "right"])
    out = pd.concat([counts, matched.proofs], ignore_index=True)
    out["left"], out["right"] = out["left"].astype("Int64"), out["right"].astype("Int64")
    return out.assign(holds=(out["left"] == out["right"]).to_numpy(dtype=bool))


def _rules(rules: dict[str, Rule]) -> pd.DataFrame:
    rows = [
        {
            "rule": rule.name,
            "title": rule.title,
            "severity": rule.severity,
            "class": rule.money_class,
            "list": rule.list,
            "settings": ", ".join(f"{s.name} = {s.value}" for s in rule.settings.values()),
            "changed": any(s.value != s.default for s in rule.settings.values()),
        }
        for rule in rules.values()
    ]
    return pd.DataFrame(rows)
