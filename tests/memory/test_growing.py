"""Thirty nights of a growing shop: each says exactly what is new, what has changed and why."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import pytest

from reconcile.checks.catalogue import configured, load_catalogue
from reconcile.memory.database import history_for_run
from reconcile.money import major_text
from reconcile.night import Clock, check
from reconcile.nightly import run_nightly
from reconcile.remembered import remember
from reconcile.report.contents import Contents
from reconcile.shop_file import load_shop
from tests.memory.growing import NIGHTS, Folder, Key, Plan, dated, day_of, growing, start
from tests.memory.tables import tables

pytestmark = pytest.mark.no_cover


@dataclass
class Seen:
    """What the builder knows of the nights so far."""

    before: dict[Key, str] = field(default_factory=dict)
    ever: set[Key] = field(default_factory=set)
    first: dict[str, str] = field(default_factory=dict)

    def expected(self, plan: Plan, night: int) -> dict[Key, tuple[str, str]]:
        """Amount and change of everything that is open on the night."""
        out = {}
        now = plan.open_on(night)
        for key, amount in now.items():
            if key in self.before:
                change = "same" if self.before[key] == amount else "amount"
            else:
                change = "reopened" if key in self.ever else "new"
            out[key] = (amount, change)
        self.before = now
        self.ever |= set(now)
        return out

    def first_seen(self, contents: Contents) -> list[str]:
        """The night on which each exception was seen first, open or not."""
        night = str(contents.as_of)
        return [self.first.setdefault(each, night) for each in contents.exceptions["id"]]


def run(folder: Path, day: date, **options: bool) -> Contents:
    """One whole nightly run."""
    return run_nightly(folder, lambda _: day, None, lambda _: None, **options)[0]


def opened(contents: Contents) -> dict[Key, tuple[str, str]]:
    """Amount and change of everything open, as the report has it."""
    found = contents.exceptions[contents.exceptions["verdict"] == "open"]
    amounts = major_text(found["amount_minor"], found["currency"])
    keys = zip(found["rule"], found["order_ref"], strict=True)
    told = dict(zip(keys, zip(amounts, found["change"], strict=True), strict=True))
    assert len(told) == len(found)
    return told


def cleared(contents: Contents) -> dict[Key, str]:
    """What was cleared, and the evidence of it."""
    found = contents.cleared
    keys = zip(found["rule"], found["order_ref"], strict=True)
    return dict(zip(keys, found["evidence_of"], strict=True))


def check_night(plan: Plan, seen: Seen, night: int, exports: Folder, contents: Contents) -> None:
    """Hold a night to what the builder knows."""
    assert opened(contents) == seen.expected(plan, night)
    expected = {key: exports.place(by) for key, by in plan.cleared_on(night).items()}
    assert cleared(contents) == expected
    unknown = contents.exceptions[contents.exceptions["verdict"] == "unknown"]
    assert set(zip(unknown["rule"], unknown["order_ref"], strict=True)) == plan.gone_on(night)
    assert contents.exceptions["first_seen"].tolist() == seen.first_seen(contents)
    assert contents.proofs["holds"].all()
    assert contents.night_before == (day_of(night - 1) if night else None)
    check_roll(contents)


def check_roll(contents: Contents) -> None:
    """Add the moves up once more, by hand, and hold them to what is open."""
    sums: dict[tuple[str, str], list[int]] = {}
    for row in contents.moves.to_dict("records"):
        total = sums.setdefault((row["class"], row["currency"]), [0, 0])
        if row["move"] != "end":
            total[0] += row["count"]
            total[1] += row["amount_minor"]
    open_ = contents.exceptions[contents.exceptions["verdict"] == "open"]
    for (kind, currency), (count, amount) in sums.items():
        mine = open_[(open_["class"] == kind) & (open_["currency"] == currency)]
        assert len(mine) == count
        assert mine["amount_minor"].fillna(0).sum() == amount


@pytest.fixture(scope="module")
def grown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Path]]:
    """The shop after all its nights, held to the truth on each, and the files of every night."""
    shop, plan, seen = tmp_path_factory.mktemp("grown") / "shop", growing(), Seen()
    kept = tmp_path_factory.mktemp("nights")
    states = []
    start(shop)
    for night, exports in plan.nights():
        exports.write(shop)
        check_night(plan, seen, night, exports, run(shop, day_of(night)))
        state = kept / f"{night:02}"
        shutil.copytree(shop, state, ignore=shutil.ignore_patterns("out", "history*"))
        states.append(state)
    return shop, states


def test_every_night_says_what_the_builder_knows(grown: tuple[Path, list[Path]]) -> None:
    shop, states = grown
    assert len(states) == NIGHTS
    kinds = {change for (change,) in tables(shop)["changes"]}
    assert kinds == {"new", "same", "amount", "reopened"}


def test_replaying_the_nights_gives_the_same_history(
    grown: tuple[Path, list[Path]], tmp_path: Path
) -> None:
    shop, states = grown
    start(tmp_path)
    for night, state in enumerate(states):
        for old in tmp_path.glob("payments/*.csv"):
            old.unlink()
        shutil.copytree(state, tmp_path, dirs_exist_ok=True)
        keep(tmp_path, day_of(night))
    assert tables(tmp_path) == tables(shop)


def keep(folder: Path, day: date) -> None:
    """Keep a night as a run does, without writing its report."""
    shop = load_shop(folder)
    rules, _ = configured(load_catalogue(), shop.rules)
    night = check(shop, rules, day, Clock(lambda _: None))
    with history_for_run(folder) as history:
        known = remember(night, rules, history.connection)
        with history.keeping() as connection:
            known.keep(connection, known.parts(), proofs_hold=True)


def test_rebuilding_from_the_exports_gives_the_same_history(tmp_path: Path) -> None:
    """Where every cell has its date, the files of the last night tell all nights as they were."""
    plan, count, shop = dated(), 8, start(tmp_path)
    for night, exports in plan.nights(count):
        exports.write(shop)
        if night < count - 1:
            keep(shop, day_of(night))
    run(shop, day_of(count - 1))
    # Files have grown since, and so are other files
    leave = ("files", "contents")
    before, old = tables(shop, leave=leave), (shop / "history.db").read_bytes()
    contents = run(shop, day_of(count - 1), rebuild=True)
    assert contents.proofs["holds"].all()
    assert tables(shop, leave=leave) == before
    assert (shop / "history-1.db.aside").read_bytes() == old
    shutil.rmtree(shop / "out")
    run(shop, day_of(3), rebuild=True)  # whose later nights are built after it
    assert tables(shop, leave=leave) == before
    assert sorted(path.name for path in (shop / "out").iterdir()) == [str(day_of(3))]
