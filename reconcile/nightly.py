"""The nightly run, stage by stage: read, match, check, write."""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from datetime import date
from pathlib import Path

import pandas as pd

import reconcile
from reconcile.allocator import give_back
from reconcile.checks.catalogue import Rule, Setting, configured, load_catalogue
from reconcile.checks.exceptions import in_order
from reconcile.errors import RefusedError
from reconcile.intake.load import Intake, file_problems
from reconcile.lean import looked_up
from reconcile.lists import safe_to_pay, to_post
from reconcile.matching.match import Matched
from reconcile.memory.database import (
    History,
    history_for_run,
    keep_output,
    known_nights,
    output_kept,
)
from reconcile.memory.lock import shop_lock
from reconcile.night import Clock, Night, Room, Say, check, folder_for_portions
from reconcile.rates import in_home_currency
from reconcile.remembered import Remembered, remember
from reconcile.report.contents import Contents, RejectedFile
from reconcile.report.old_nights import remove_old_nights, what_was_removed
from reconcile.report.write import check_writable, finish, recover, write_outputs
from reconcile.shop import OUT_FOLDER, Shop
from reconcile.shop_file import read_shop


def run_nightly(
    folder: Path,
    as_of: Callable[[Shop], date],
    out: Path | None,
    say: Say,
    *,
    history: bool = True,
    rebuild: bool = False,
    memory: int | None = None,
) -> tuple[Contents, Path]:
    """Run the whole nightly check of a shop folder, write its outputs and keep the night.

    ``as_of`` gives the run's date once the shop's zone is known; without ``history`` nothing is
    compared with nights before, and none is kept. With ``rebuild`` the history is set aside and
    built anew from the exports, for every night that it or the folder out/ knows. With ``memory``,
    in bytes, the orders are matched in portions that fit into it. Gives back what was written and
    where. Raises RefusedError before anything is written, FaultError where
    writing fails.
    """
    clock = Clock(say)
    with clock.stage("settings"):
        shop, problems = read_shop(folder)
        day = as_of(shop)
        target = out if out is not None else folder / OUT_FOLDER / str(day)
        rules, unset = configured(load_catalogue(), shop.rules)
        problems = [*problems, *unset, *check_writable(target, folder)]
        if problems:
            raise RefusedError([*problems, *file_problems(shop)])
    with ExitStack() as held:
        nights, others = None, list[date]()
        held.enter_context(shop_lock(folder))
        unfinished = output_kept(folder)
        if unfinished is not None:
            finish(*unfinished)
        if history:
            others = known_nights(folder, day) if rebuild else []
            nights = held.enter_context(history_for_run(folder, anew=rebuild))
        recover(target)
        room = None if memory is None else Room(memory, held.enter_context(folder_for_portions()))
        for past in others:
            if past < day:
                _build_anew(shop, rules, past, nights, clock, room)
        contents, known = _told(shop, rules, day, clock, nights, room)
        with clock.stage("writing"), ThreadPoolExecutor(max_workers=1) as aside:
            # Where there is memory for it, what the history keeps is packed beside the report.
            eager = nights is not None and room is None
            packing = aside.submit(list, known.parts()) if eager else None

            def keep(digest: str) -> None:
                if nights is None:
                    return
                holds = bool(contents.proofs["holds"].all())
                parts = known.parts() if packing is None else packing.result()
                with nights.keeping() as connection:
                    known.keep(connection, parts, proofs_hold=holds)
                    for later in others:
                        if later > day:
                            _build_anew(shop, rules, later, nights, clock, room)
                    keep_output(connection, folder, target, digest)

            write_outputs(contents, target, keep)
    return contents, target


def _told(
    shop: Shop,
    rules: dict[str, Rule],
    day: date,
    clock: Clock,
    nights: History | None,
    room: Room | None,
) -> tuple[Contents, Remembered]:
    """What is to be written of a night, and kept of it; all else that it held can go."""
    night = check(shop, rules, day, clock, digests=nights is not None, room=room)
    with clock.stage("comparing"):
        known = remember(night, rules, nights.connection if nights else None)
        give_back()
    return _contents(night, rules, known, clock.seconds), known


def keep_newest(folder: Path, nights: int, written: Path) -> list[str]:
    """Of the reports in the shop's folder out/ keep the newest, and the one just written.

    Gives back in sentences what was removed. Raises FaultError where the disk does not take it.
    """
    with shop_lock(folder):
        return what_was_removed(remove_old_nights(folder / OUT_FOLDER, nights, written))


def _build_anew(
    shop: Shop,
    rules: dict[str, Rule],
    day: date,
    nights: History | None,
    clock: Clock,
    room: Room | None,
) -> None:
    """Keep another night as the files of today tell it; its outputs stay as they are."""
    if nights is None:
        return
    quiet = Clock(lambda _: None)
    with clock.stage(f"building {day} anew"):
        night = check(shop, rules, day, quiet, digests=True, room=room)
        known = remember(night, rules, nights.connection)
        proofs = _proofs(night.intake, night.matched, known.proofs)
        holds = bool(proofs["holds"].all())
        known.keep(nights.connection, known.parts(), proofs_hold=holds)


def _contents(
    night: Night, rules: dict[str, Rule], known: Remembered, seconds: dict[str, float]
) -> Contents:
    intake, matched, shop = night.intake, night.matched, night.shop
    exceptions = in_order(known.compared.found)
    exceptions["amount_home_minor"] = in_home_currency(
        exceptions["amount_minor"],
        exceptions["currency"],
        shop.home_currency,
        intake.records.get("rates"),
    )
    asked = {name: rule.text.get("request", "") for name, rule in rules.items()}
    exceptions["request"] = looked_up(exceptions["rule"], asked)
    return Contents(
        shop=shop.name,
        as_of=night.as_of,
        home_currency=shop.home_currency,
        version=reconcile.__version__,
        exceptions=exceptions,
        texts=night.texts,
        night_before=known.before,
        cleared=known.compared.cleared,
        moves=known.compared.moves,
        nights=known.nights,
        order_lines=matched.lines,
        pay=safe_to_pay(exceptions, matched),
        post=to_post(exceptions, matched),
        rejected=intake.rejected,
        rejected_files=_rejected_files(intake),
        notes=intake.notes,
        files=intake.files,
        sums=intake.sums,
        proofs=_proofs(intake, matched, known.proofs),
        rules=_rules(rules),
        seconds=seconds,
        report_rows=shop.report.rows,
        post_columns=shop.report.post_columns,
        addressed={
            name: supplier.names[0] if supplier.names else name
            for name, supplier in shop.suppliers.items()
        },
    )


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


def _proofs(intake: Intake, matched: Matched, rolled: pd.DataFrame) -> pd.DataFrame:
    """Rows of the files by fate, rows of the records by place, and money in and out."""
    files = intake.files
    fates = ["header", "blank", "totals", "repeats", "rejected", "later", "accepted"]
    held = intake.records.counts()
    accepted = sum(held.values())
    rows = [
        ("rows of files = header + blank + totals + repeats + rejected + later + accepted", "rows",
         int(files["rows"].sum()), int(files[fates].to_numpy().sum())),
        ("accepted rows = rows of records", "rows", int(files["accepted"].sum()), accepted),
        ("rejected rows = rows listed", "rows", int(files["rejected"].sum()), len(intake.rejected)),
        ("order rows = order lines", "rows", held["orders"], len(matched.lines)),
    ]  # fmt: skip
    counts = pd.DataFrame(rows, columns=["proof", "unit", "left", "right"])
    out = pd.concat([counts, matched.proofs, rolled], ignore_index=True)
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
            "settings": ", ".join(
                [f"{s.name} = {s.value}" for s in rule.settings.values()]
                + ([rule.patterns.shown] if rule.patterns else [])
            ),
            "changed": any(s.value != s.default for s in rule.settings.values())
            or bool(rule.patterns and rule.patterns.value),
        }
        for rule in rules.values()
    ]
    return pd.DataFrame(rows)


def _in_words(one: Setting) -> str:
    """A setting with its value, and where the shop changed it with the one that it had."""
    said = f"{one.name} = {one.value}"
    return said if one.value == one.default else f"{said} (unchanged: {one.default})"
