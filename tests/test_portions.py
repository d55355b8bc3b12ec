"""A shop checked in portions of its orders gives what it gives at once, exception by exception."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.checks.catalogue import configured, load_catalogue
from reconcile.intake.load import Intake
from reconcile.lean import Texts
from reconcile.matching.groups import GROUPED, Groups, order_groups
from reconcile.matching.match import Matched
from reconcile.matching.shared import shared_groups
from reconcile.night import Clock, check
from reconcile.portions.check import (
    Terms,
    check_in_portions,
    check_portion,
    put_together,
    scout_portion,
    terms_of,
)
from reconcile.portions.portion import hand_out, size_of
from reconcile.portions.shelf import Shelf
from reconcile.shop_file import load_shop
from tests.bench.processes import REPOSITORY
from tests.shops import build_shop

_NUMBERS = ["at", "supplier_order"]  # places in tables, which portions number in their own way


@dataclass(frozen=True)
class AtOnce:
    """A shop that was checked at once, and what its portions are checked by."""

    intake: Intake
    matched: Matched
    exceptions: pd.DataFrame
    terms: Terms


def at_once(folder: Path, as_of: date) -> AtOnce:
    """Check a shop at once."""
    shop = load_shop(folder)
    rules, problems = configured(load_catalogue(), shop.rules)
    assert not problems
    night = check(shop, rules, as_of, Clock(lambda _: None))
    terms = terms_of(shop, rules, as_of, night.intake)
    return AtOnce(night.intake, night.matched, night.exceptions, terms)


def shelved(whole: AtOnce, folder: Path) -> tuple[Shelf, Groups]:
    """The records of a shop on disk, and the group of each of their rows."""
    shelf = Shelf(GROUPED, folder)
    for name, frame in whole.intake.records.items():
        half = len(frame) // 2
        for rows in (frame[:half], frame[half:]):
            shelf.add(name, rows.reset_index(drop=True))
    return shelf.records(), order_groups(shelf, whole.intake.parts)


def in_portions(whole: AtOnce, count: int, folder: Path) -> tuple[Matched, pd.DataFrame, Texts]:
    """The same shop checked in portions."""
    shelf, _ = shelved(whole, folder)
    intake = replace(whole.intake, records=shelf)
    found = check_in_portions(intake, shelf, whole.terms, count, folder)
    return found[0], found[2], found[3]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> AtOnce:
    """A shop with every kind of fault and look-alike."""
    folder = tmp_path_factory.mktemp("portions")
    truth = build_shop(folder, orders=700, seed=23, fault_rate=0.004, lookalike_rate=0.004)
    return at_once(folder, truth.as_of)


@pytest.fixture(scope="module")
def sample() -> AtOnce:
    """The sample shop."""
    return at_once(REPOSITORY / "sample_exports", date(2026, 10, 31))


def same(whole: AtOnce, matched: Matched, exceptions: pd.DataFrame, texts: Texts) -> None:
    """Everything that people see of it is the same."""
    known = whole.exceptions.drop(columns=_NUMBERS)
    pd.testing.assert_frame_equal(texts.rows(exceptions, slice(None), [*known]), known)
    lines, known = (pd.concat(one.lines.pieces()) for one in (matched, whole.matched))
    pd.testing.assert_frame_equal(lines.reset_index(drop=True), known)
    assert matched.lines.counts("state") == whole.matched.lines.counts("state")
    pd.testing.assert_frame_equal(matched.proofs, whole.matched.proofs)


@pytest.mark.parametrize("count", [1, 2, 7])
def test_portions_of_a_built_shop_give_what_it_gives_at_once(
    built: AtOnce, count: int, tmp_path: Path
) -> None:
    matched, exceptions, texts = in_portions(built, count, tmp_path)
    assert len(exceptions) > 300
    same(built, matched, exceptions, texts)
    assert len(list(tmp_path.glob("?-orders.arrow"))) == count + 1


def test_portions_of_the_sample_shop_give_what_it_gives_at_once(
    sample: AtOnce, tmp_path: Path
) -> None:
    same(sample, *in_portions(sample, 2, tmp_path))


@pytest.mark.no_cover
def test_24_portions_give_what_the_shop_gives_at_once(built: AtOnce, tmp_path: Path) -> None:
    """A few orders each, and numbers of two digits."""
    same(built, *in_portions(built, 24, tmp_path))


@pytest.mark.parametrize("seed", [1, 2])
def test_any_way_to_hand_out_the_groups_gives_the_same(
    built: AtOnce, seed: int, tmp_path: Path
) -> None:
    terms, parts = built.terms, built.intake.parts
    shelf, groups = shelved(built, tmp_path)
    size = size_of(groups)
    one = shelf.parted(parts, groups, hand_out(np.zeros(size, dtype=bool), 1), 2)
    shared = shared_groups([scout_portion(each, terms) for each in one], size)
    assert 0 < shared.sum() < size
    random = np.random.default_rng(seed)
    place = np.append(np.where(shared, 3, random.integers(0, 3, size)), 3)
    portions = shelf.parted(parts, groups, place, 4)
    found = [(each.rows, check_portion(each, terms)) for each in portions]
    random.shuffle(found)  # whoever is done first
    matched, _, exceptions, texts = put_together(iter(found), built.intake, terms, tmp_path)
    same(built, matched, exceptions, texts)


def test_an_order_is_never_parted_from_what_names_it(built: AtOnce, tmp_path: Path) -> None:
    _, groups = shelved(built, tmp_path)
    records = built.intake.records
    of_key = pd.DataFrame(
        {
            "key": pd.concat(
                [records[n]["order_ref_key"] for n in ("orders", "invoices", "shipments")]
            ),
            "group": np.concatenate([groups[n] for n in ("orders", "invoices", "shipments")]),
        }
    )
    assert len(of_key.drop_duplicates()) == len(of_key["key"].drop_duplicates()) > 500
    named = built.intake.parts["payments", "order_ref"]
    paid = named.assign(group=groups["payments"][named["row_id"].to_numpy()])
    both = paid.merge(of_key.drop_duplicates(), on="key", suffixes=("", "_order"))
    assert len(both) > 100
    assert (both["group"] == both["group_order"]).all()


def test_what_shares_nothing_is_parted(built: AtOnce, tmp_path: Path) -> None:
    """Else one portion would hold the whole shop, and nothing would be gained."""
    groups = np.concatenate(list(shelved(built, tmp_path)[1].values()))
    sizes = np.bincount(groups[groups >= 0])
    assert len(sizes) > 200
    assert sizes.max() < len(groups) / 4
