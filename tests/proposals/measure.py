"""Proposals counted: right, wrong, missed, and wrong ones that were said to be sure."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reconcile.new_source import NewSource, propose_source
from reconcile.records import RECORDS
from reconcile.references import plain
from tests.shops.renderings import WAYS, names_of, render_as

_COSTLY = ("money", "price", "rate", "date")


@dataclass(frozen=True)
class Score:
    """The columns of one file: how many its proposal got right, and which it did not.

    ``format_wrong`` says what was found otherwise than it was written, ``format_open`` what the
    entry leaves to each night.
    """

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
    format_wrong: tuple[str, ...]
    format_open: tuple[str, ...]


def scores(clean: Path, folder: Path, ways: Sequence[str] = tuple(WAYS)) -> list[Score]:
    """The first file of every source in every way, with and without the record type given."""
    found = []
    for way in ways:
        out = folder / way
        render_as(way, clean, out, declared=True)
        settings = tomllib.loads((out / "shop.toml").read_text(encoding="utf-8"))
        names = names_of(out)
        for source in settings["source"]:
            path = min(out.glob(source["files"][0]))
            for record in (None, source["record"]):
                proposed = propose_source(path, record, write=False)
                found.append(_score(way, source, path, record, names[source["name"]], proposed))
    return found


def _score(
    way: str,
    source: dict[str, Any],
    path: Path,
    record: str | None,
    true: dict[str, tuple[str, ...]],
    proposed: NewSource,
) -> Score:
    proposal = proposed.proposal
    chosen = {choice.column: choice for choice in proposal.choices}
    kinds = {column.name: column.kind for column in RECORDS[proposal.record].columns}
    same = proposal.record == source["record"]
    right = [
        name
        for name, headers in true.items()
        if same
        and name in chosen
        and {chosen[name].header, *chosen[name].also} <= set(map(plain, headers))
    ]
    wrong = [n for n in chosen if n not in right]
    otherwise, left_open = _format(source["format"], proposed)
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
        format_wrong=otherwise,
        format_open=left_open,
    )


def _format(true: dict[str, Any], proposed: NewSource) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What the entry says otherwise than it is, and what it does not say."""
    entry = tomllib.loads(proposed.text)["source"][0].get("format", {})
    said = entry | {"header_row": proposed.header_row}
    # A pattern with the month's name is a text month; UTF-16 is the same in either order of bytes
    month = "text-month" if "%b" in true.get("dates", "") else true.get("dates", "")
    true = {"header_row": 1} | true | ({"dates": month} if month else {})
    said["encoding"] = str(said.get("encoding", "")).removesuffix("-le")
    keys = ("encoding", "delimiter", "decimal", "dates", "sheet", "header_row")
    told = {key: said[key] for key in keys if said.get(key)}
    wrong = [f"{key} = {told[key]!r}" for key in told if told[key] != true.get(key)]
    return tuple(wrong), tuple(key for key in keys if key in true and key not in told)


def share(found: Sequence[Score]) -> float:
    """The part of all columns that was proposed right."""
    return sum(score.right for score in found) / sum(score.columns for score in found)


def table(found: Sequence[Score]) -> str:
    """The scores as text: a line a file, then what was not right, then the shares."""
    lines = [
        f"{'way':16}{'headers':9}{'source':11}{'told':5}{'columns':>8}{'right':>6}{'wrong':>6}"
        f"{'missed':>7}  sure and wrong  format"
    ]
    for score in found:
        told = "yes" if score.told else "no"
        lines.append(
            f"{score.way:16}{score.headers:9}{score.source:11}{told:5}{score.columns:>8}"
            f"{score.right:>6}{len(score.wrong):>6}{len(score.missed):>7}"
            f"{len(score.sure_and_wrong):>16}  {'wrong' if score.format_wrong else 'right'}"
        )
        for what, names in (
            ("record type wrong", () if score.record_right else (score.source,)),
            ("missed", score.missed),
            ("wrong", score.wrong),
            ("SURE AND WRONG", score.sure_and_wrong),
            ("format otherwise", score.format_wrong),
            ("format left open", score.format_open),
        ):
            if names:
                lines.append(f"    {what}: {', '.join(names)}")
    lines += [
        f"headers {kind}: {share([score for score in found if score.headers == kind]):.1%}"
        for kind in sorted({score.headers for score in found})
    ]
    columns = sum(score.columns for score in found)
    right = sum(score.right for score in found)
    lines.append(f"right: {right} of {columns} columns, {share(found):.1%}")
    return "\n".join(lines) + "\n"
