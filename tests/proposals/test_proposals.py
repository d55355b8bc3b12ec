"""An export that nobody has described: the proposal is right, or says that it is not sure."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
import tomlkit

from reconcile.references import plain
from tests.proposals.command import reconcile
from tests.proposals.measure import Score, scores, share
from tests.shops import Truth, build_shop
from tests.shops.renderings import WAYS, render_as, truth_of
from tests.shops.renderings.grid import header_words

pytestmark = pytest.mark.no_cover

# Every set of headers, and every kind of file
MEASURED = ("german", "swiss", "french", "xlsx", "serials", "ods", "american", "text-months")
RUN = ("german", "xlsx", "renamed")


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    """A clean shop and what is true of it."""
    folder = tmp_path_factory.mktemp("clean")
    return folder, build_shop(folder, orders=300, seed=12)


@pytest.fixture(scope="module")
def expected(truth: tuple[Path, Truth]) -> list[dict[str, str]]:
    """The exceptions of the clean shop."""
    return _exceptions(truth[0], str(truth[1].as_of))


@pytest.fixture(scope="module")
def measured(truth: tuple[Path, Truth], tmp_path_factory: pytest.TempPathFactory) -> list[Score]:
    return scores(truth[0], tmp_path_factory.mktemp("ways"), MEASURED)


def test_every_set_of_headers_is_measured(measured: list[Score]) -> None:
    assert {WAYS[way].headers for way in MEASURED} == {kind for kind, _, _ in header_words()}
    assert {score.source for score in measured} == {
        "orders", "invoices", "payments", "shipments", "quotes", "rates",
    }  # fmt: skip


def test_proposals_are_right(measured: list[Score]) -> None:
    assert share(measured) >= 0.95
    for kind in {score.headers for score in measured}:
        assert share([score for score in measured if score.headers == kind]) >= 0.95


def test_no_wrong_money_or_date_is_called_sure(measured: list[Score]) -> None:
    assert [score for score in measured if score.sure_and_wrong] == []


def test_a_record_type_that_is_called_sure_is_right(measured: list[Score]) -> None:
    assert [score for score in measured if score.record_sure and not score.record_right] == []
    assert [score for score in measured if not score.record_sure] == []


def test_the_format_is_never_found_wrong(measured: list[Score]) -> None:
    assert [score for score in measured if score.format_wrong] == []
    assert not any("delimiter" in score.format_open for score in measured)
    dates = [s for s in measured if s.source == "orders" and "dates" in s.format_open]
    assert dates == []


def _exceptions(shop: Path, as_of: str) -> list[dict[str, str]]:
    """What a night says of the shop: every exception without the places behind it."""
    out = shop / "out"
    run = reconcile("nightly", str(shop), "--as-of", as_of, "--out", str(out))
    assert run.returncode == 0, run.stderr
    with (out / "exceptions.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    shown = ("id", "rule", "verdict", "amount", "currency", "due_by")
    return [{name: row[name] for name in shown} for row in rows]


@pytest.mark.parametrize("way", RUN)
def test_a_night_with_the_proposed_entries(
    truth: tuple[Path, Truth], expected: list[dict[str, str]], tmp_path: Path, way: str
) -> None:
    """An empty shop.toml, an entry for the first file of each export, and what they ask for."""
    clean, as_of = truth[0], str(truth[1].as_of)
    shop = tmp_path / way
    render_as(way, clean, shop, declared=False)
    true = truth_of(shop)
    firsts = {name: min(shop.glob(f"{name}*")) for name in true}
    head = (clean / "shop.toml").read_text("utf-8").partition("[[source]]")[0]
    (shop / "shop.toml").write_text(head, encoding="utf-8")
    for path in firsts.values():
        run = reconcile("intake", str(path), "--write")
        assert run.returncode == 0, run.stderr
    text = (shop / "shop.toml").read_text("utf-8")
    settings = tomlkit.parse(text)
    for entry, part in zip(settings["source"], text.split("[[source]]")[1:], strict=True):
        _answer(entry, part, true[entry["record"]], text)
    (shop / "shop.toml").write_text(tomlkit.dumps(settings), encoding="utf-8")
    assert [entry["record"] for entry in settings["source"]] == list(firsts)
    assert len(expected) > 80
    assert _exceptions(shop, as_of) == expected


def _answer(entry: tomlkit.items.Table, part: str, true: dict[str, str], text: str) -> None:
    """What a person does: answer questions of the entry, and change nothing that it is sure of."""
    said = re.sub(r"\n# (?!UNSURE|Found|Not |Private|Missing)", " ", part)
    for line in said.splitlines():
        same = re.match(r"# UNSURE: (\S+) has the same headers", line)
        if same:
            entry["files"].append(same[1])
    # Whether others write references without a prefix is asked in the entry of those with it
    for setting in ("strip_prefix", "replacement_suffix"):
        told = re.findall(rf"set\s+(?:# )?{setting}\s+(?:# )?=\s+(?:# )?\[([^]]*)\]", text)
        if told and "order_ref" in true:
            parts = sorted({each for one in told for each in re.findall('"([^"]+)"', one)})
            entry.setdefault("refs", tomlkit.table())[setting] = parts
    missing = " ".join(
        line for line in said.splitlines() if line.startswith(("# Missing", "# Not"))
    )
    for column, header in true.items():
        named = entry["columns"].get(column, [])
        if plain(header) in ([named] if isinstance(named, str) else named):
            continue
        doubted = re.search(rf"# UNSURE: .*\n{column} = ", said)
        assert doubted or re.search(rf"\b{column}\b", missing), (column, header, part)
        entry["columns"][column] = header
    for column in set(entry["columns"]) - set(true):
        assert re.search(rf"# UNSURE: .*\n{column} = ", said), (column, part)
        del entry["columns"][column]
