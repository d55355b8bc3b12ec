"""Proposals counted: right, wrong, missed, and wrong ones that were said to be sure."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from reconcile.new_source import NewSource, propose_source
from reconcile.records import RECORDS
from reconcile.references import plain
from tests.shops.renderings import WAYS, names_of, render_as

_COSTLY = ("money", "price", "rate", "date")


@dataclass(frozen=True)
class Score:
    """The columns of one file: how many its proposal got right, and which it did not."""

    way: str
    headers: str
    source: str
    file: str
    told: bool  # whether the record type was given
    columns: int
    right: int
    wrong: tuple[str, ...]
    missed: tuple[str, ...]
    sure_and_wrong: tuple[str, ...]  # money and dates alone
    record_right: bool
    record_sure: bool


def scores(clean: Path, folder: Path, ways: tuple[str, ...] = tuple(WAYS)) -> list[Score]:
    """Every file of every source in every way, with and without the record type given."""
    found = []
    for way in ways:
        out = folder / way
        render_as(way, clean, out, declared=False)
        settings = tomllib.loads((out / "shop.toml").read_text(encoding="utf-8"))
        names = names_of(out)
        for source in settings["source"]:
            files = source["files"]
            pattern = files if isinstance(files, str) else files[0]
            path = min(out.glob(pattern))
            for record in (None, source["record"]):
                proposed = propose_source(path, record, write=False)
                found.append(_score(way, source, path, record, names[source["name"]], proposed))
    return found


def _score(
    way: str,
    source: dict[str, str],
    path: Path,
    record: str | None,
    true: dict[str, tuple[str, ...]],
    proposed: NewSource,
) -> Score:
    proposal = proposed.proposal
    chosen = {choice.column: choice for choice in proposal.choices}
    kinds = {column.name: column.kind for column in RECORDS[proposal.record].columns}
    same = proposal.record == source["record"]
    right = [n for n in true if same and n in chosen and chosen[n].header in map(plain, true[n])]
    wrong = [n for n in chosen if n not in right]
    return Score(
        way=way,
        headers=WAYS[way].headers,
        source=source["name"],
        file=path.name,
        told=record is not None,
        columns=len(true),
        right=len(right),
        wrong=tuple(f"{n} = {chosen[n].header!r}" for n in wrong),
        missed=tuple(f"{n} = {true[n][0]!r}" for n in true if n not in chosen),
        sure_and_wrong=tuple(n for n in wrong if chosen[n].sure and kinds[n] in _COSTLY),
        record_right=same,
        record_sure=proposal.record_sure,
    )


def share(found: list[Score]) -> float:
    """The part of all columns that was proposed right."""
    return sum(score.right for score in found) / sum(score.columns for score in found)


def table(found: list[Score]) -> str:
    """The scores as text: a line a file, then what was not right, then the share."""
    lines = [f"{'way':16}{'headers':8}{'source':12}{'told':6}{'columns':>8}{'right':>7}"]
    for score in found:
        told = "yes" if score.told else "no"
        lines.append(
            f"{score.way:16}{score.headers:8}{score.source:12}{told:6}"
            f"{score.columns:>8}{score.right:>7}"
        )
        for what, names in (
            ("record type wrong", () if score.record_right else (score.source,)),
            ("missed", score.missed),
            ("wrong", score.wrong),
            ("SURE AND WRONG", score.sure_and_wrong),
        ):
            if names:
                lines.append(f"    {what}: {', '.join(names)}")
    columns = sum(score.columns for score in found)
    right = sum(score.right for score in found)
    lines.append(f"right: {right} of {columns} columns, {share(found):.1%}")
    return "\n".join(lines) + "\n"
