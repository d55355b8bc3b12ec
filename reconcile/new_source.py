"""``reconcile intake``: the [[source]] entry for an export that the shop has not seen."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pyarrow as pa

from reconcile.errors import Problem, RefusedError
from reconcile.intake.coded import holds
from reconcile.intake.entry import (
    Choice,
    Proposal,
    entry_text,
    name_of,
    pattern_of,
    question,
    write_entry,
)
from reconcile.intake.formats import Table, find_forms
from reconcile.intake.looks import Unseen, look_into, shared_parts
from reconcile.shop import SETTINGS_FILE, Format, Shop, Source
from reconcile.shop_file import read_shop

_MOST_BESIDE = 24  # files beside the export that are looked at too
_LONG_NAME = 5  # letters of a supplier's name that may be part of a longer word


@dataclass(frozen=True)
class NewSource:
    """A proposed entry: its text, and what it was made of. ``header_row`` counts from 1."""

    text: str
    proposal: Proposal
    name: str
    header_row: int
    written: bool


def propose_source(path: Path, record: str | None, *, write: bool) -> NewSource:
    """Look at one export and propose its [[source]] table; ``write`` adds it to shop.toml.

    The shop is the nearest folder above the file that has a shop.toml. Raises RefusedError where
    the file cannot be used, shop.toml not be written, or a source reads the file already.
    """
    if not path.is_file():
        what = "it is a folder." if path.is_dir() else "there is no such file."
        raise RefusedError([Problem(str(path), what, "Name an export.")])
    path = path.resolve()
    folder, shop = _shop_of(path)
    if write and not (folder / SETTINGS_FILE).is_file():
        what = f"neither its folder nor one above has a {SETTINGS_FILE} to write to."
        raise RefusedError([Problem(str(path), what, "Move it into a shop's folder.")])
    unseen = look_into(folder, path, told=record is not None)
    proposal = unseen.propose(record)
    inside = unseen.grid.path
    name, notes = _among_others(shop, path, proposal.record, write=write)
    pattern = _pattern(folder, inside)
    found, beside, files = unseen.written, list[str](), [unseen]
    for other in _others(folder, pattern, path, beside):
        found = {key: said and _same(said, other.written[key]) for key, said in found.items()}
        proposal, asked = _with_headers(unseen, proposal, other)
        beside += asked
        files.append(other)
    supplier, by = _supplier(shop, unseen, proposal)
    if question("supplier") not in proposal.unsure:
        beside += _alike(unseen, folder, pattern)
    form, asked = _format(unseen, proposal, found)
    notes += [*by, *_noted(unseen), *_asked_of_references(files, proposal), *asked, *beside]
    text = entry_text(
        proposal, name=name, files=[pattern], form=form, supplier=supplier, notes=notes
    )
    if write:
        write_entry(
            folder / SETTINGS_FILE, proposal, name=name, files=[pattern], form=form,
            supplier=supplier, notes=notes,
        )  # fmt: skip
    return NewSource(text, proposal, name, unseen.header_row, write)


def _shop_of(path: Path) -> tuple[Path, Shop | None]:
    """The nearest folder above that has a shop.toml, and what can be read of it."""
    for folder in path.parents:
        if (folder / SETTINGS_FILE).is_file():
            try:
                return folder, read_shop(folder)[0]
            except RefusedError:
                return folder, None
    return path.parent, None


def _among_others(
    shop: Shop | None, path: Path, record: str, *, write: bool
) -> tuple[str, list[str]]:
    """A name that no source has yet, and whether one reads the file already.

    Raises RefusedError where one does and the entry is to be written: rows would count twice.
    """
    if shop is None:
        return name_of(path.name), []
    inside, notes = path.relative_to(shop.folder).as_posix(), []
    for source in shop.sources:
        files = [each for pattern in source.files for each in _matched(shop.folder, pattern)]
        if source.record == record and path in files:
            what = f"the source {source.name!r} reads {inside} as {record} already."
            if write:
                mend = "Take that source out first, or change it by hand."
                raise RefusedError([Problem(SETTINGS_FILE, what, mend)])
            notes.append(f"Found: {what}")
    taken, name = {source.name for source in shop.sources}, name_of(inside)
    more = [] if record in name else [f"{name}-{record}"]
    names = [name, *more, *(f"{name}-{n}" for n in range(2, len(taken) + 3))]
    return next(each for each in names if each not in taken), notes


def _pattern(folder: Path, inside: str) -> str:
    """A pattern for the file and later ones that matches no other file that is there now."""
    wide, narrow = pattern_of(inside), pattern_of(inside, "[0-9]*")
    return wide if _matched(folder, wide) == _matched(folder, narrow) else narrow


def _matched(folder: Path, pattern: str) -> list[Path]:
    try:
        return sorted(path for path in folder.glob(pattern) if path.is_file())
    except (ValueError, IndexError, OSError):
        return []  # a pattern that is none is told at night


def _others(folder: Path, pattern: str, path: Path, notes: list[str]) -> Iterator[Unseen]:
    """The other files that the pattern matches, the last ones by name; notes say what is wrong."""
    others = [each for each in _matched(folder, pattern) if each != path]
    if len(others) > _MOST_BESIDE:
        notes.append(f"Found: of {len(others)} other files the last {_MOST_BESIDE} were looked at.")
    for other in others[-_MOST_BESIDE:]:
        try:
            found = look_into(folder, other, told=True)
            _ = found.opened  # its rows too, before anything is asked of them
        except RefusedError as error:
            inside = other.relative_to(folder).as_posix()
            notes.append(f"UNSURE: {inside} matches {pattern} too, and {error.problems[0].what}")
            continue
        yield found


def _same(one: str, other: str) -> str:
    return one if one == other else ""


def _with_headers(unseen: Unseen, proposal: Proposal, other: Unseen) -> tuple[Proposal, list[str]]:
    """The proposal with the headers of another file where that one has others, and a question."""
    there = set(other.layout.header)
    lacking = {c.column for c in proposal.choices if not there & {c.header, *c.also}}
    if not lacking:
        return proposal, []
    theirs = {choice.column: choice for choice in other.propose(proposal.record).choices}
    choices, unknown = list[Choice](), list[str]()
    for choice in proposal.choices:
        its = theirs.get(choice.column)
        if choice.column not in lacking:
            choices.append(choice)
        elif its is None or its.why == "content" or its.header in unseen.layout.header:
            choices.append(choice)
            unknown.append(repr(choice.header))
        else:
            told = its.doubt and f"In {other.grid.path} {its.doubt}"
            doubt = " ".join(filter(None, (choice.doubt, told)))
            also = (*choice.also, its.header)
            choices.append(replace(choice, also=also, sure=not doubt, doubt=doubt))
    what = f"{other.grid.path} has no {', '.join(unknown)}, nor other headers that say the same."
    asked = [f"UNSURE: {what} Is it of this export?"] if unknown else []
    return replace(proposal, choices=tuple(choices)), asked


def _alike(unseen: Unseen, folder: Path, pattern: str) -> list[str]:
    """Questions about files beside the export with the same headers, whose names begin alike."""
    path = folder / unseen.grid.path
    word = re.match(r"[^\W\d_]+", path.name)
    known = {path, *_matched(folder, pattern)}
    beside = sorted(set(path.parent.glob(f"{word[0]}*{path.suffix}")) - known) if word else []
    asked = list[str]()
    for other in beside[:_MOST_BESIDE]:
        try:
            header = look_into(folder, other, told=True).layout.header
        except RefusedError:
            continue
        if header == unseen.layout.header:
            inside = other.relative_to(folder).as_posix()
            what = f"{inside} has the same headers. Where it is of the same export"
            asked.append(f"UNSURE: {what}, add it to files.")
    return asked


def _supplier(
    shop: Shop | None, unseen: Unseen, proposal: Proposal
) -> tuple[str | None, list[str]]:
    """The one supplier that the file's path, or else a line above its header, names."""
    if shop is None or question("supplier") not in proposal.unsure:
        return None, []
    lines = " ".join(cell for row in unseen.layout.title for cell in row)
    for where, text in (("the file's path", unseen.grid.path), ("a line above the header", lines)):
        said = f" {_spaced(text)} "
        found = {
            supplier.name
            for supplier in shop.suppliers.values()
            for name in map(_spaced, (supplier.name, *supplier.names))
            if f" {name} " in said or (len(name) >= _LONG_NAME and name in said)
        }
        if len(found) == 1:
            return min(found), [f"Found: {where} names the supplier {min(found)}."]
        if found:
            break
    return None, []


def _spaced(text: str) -> str:
    return " ".join(re.findall(r"[^\W_]+", text.casefold()))


def _noted(unseen: Unseen) -> list[str]:
    """What else a person should know or answer."""
    notes = [f"Found: {note}." for note in unseen.opened.notes]
    if unseen.header_row > 1:
        notes.append(f"Found: the header is in row {unseen.header_row}.")
    notes += [
        f"UNSURE: column {letters} has no header and was not looked at. Where it is one that is "
        f'missing, write "column {letters}" for it in [source.columns].'
        for letters in unseen.nameless
    ]
    return notes


def _asked_of_references(files: list[Unseen], proposal: Proposal) -> list[str]:
    """Questions about what order references of any of the files begin or end with."""
    notes = list[str]()
    headers = [{c.header, *c.also} for c in proposal.choices if c.column == "order_ref"]
    columns = [
        file.sample(at).cast(pa.string())
        for file in files
        for at, header in enumerate(file.layout.header)
        if headers and header in headers[0]
    ]
    begins, ends = shared_parts(pa.concat_arrays(columns)) if columns else ([], [])
    for setting, said, parts in (
        ("strip_prefix", "begin with {}. Where another export writes them without it", begins),
        ("replacement_suffix", "end with {}. Where that marks a replacement", ends),
    ):
        if parts:
            shown = ", ".join(f'"{part}"' for part in parts)
            told = f"UNSURE: order references {said.format(shown)}"
            notes.append(f"{told}, set {setting} = [{shown}] in [source.refs].")
    return notes


def _format(unseen: Unseen, proposal: Proposal, found: dict[str, str]) -> tuple[Format, list[str]]:
    """What of the format is worth declaring, and what was found and is not sure.

    A night finds the format again by itself; the entry declares it so that a later file that is
    written otherwise is noticed. What cannot be found is asked.
    """
    source = Source(
        name="",
        record=proposal.record,
        files=(),
        covered_to=None,
        columns={choice.column: (choice.header,) for choice in proposal.choices},
        constants=proposal.values,
    )
    positions = {choice.column: choice.position for choice in proposal.choices}
    texts = unseen.opened.table
    [forms], questions = find_forms(source, [Table(unseen.grid.path, positions, texts)])
    # Cells that are numbers or dates in the workbook are written in no form of their own
    typed = {at for at, mask in (*texts.numbers.items(), *texts.dates.items()) if mask.any()}
    written = {name: at for name, at in positions.items() if at not in typed}
    marks = {
        mark
        for name, mark in forms.decimals.items()
        if name in written and holds(texts.columns[written[name]].texts, b".", b",")
    }
    days = {form for name, form in forms.dates.items() if name in written}
    form = Format(
        **found,  # type: ignore[arg-type]
        decimal=marks.pop() if len(marks) == 1 and not questions else "",
        dates=days.pop() if len(days) == 1 and not questions else "",
    )
    return form, [f"UNSURE: {problem.what} {problem.mend}" for problem in questions]
