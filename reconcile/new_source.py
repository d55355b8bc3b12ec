"""``reconcile intake``: the [[source]] entry for an export that the shop has not seen."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from reconcile.errors import Problem, RefusedError
from reconcile.intake.cells import tidy
from reconcile.intake.coded import holds, one_piece
from reconcile.intake.entry import Proposal, entry_text, write_entry
from reconcile.intake.formats import Table, find_forms
from reconcile.intake.layout import Layout, headers_of
from reconcile.intake.private import private
from reconcile.intake.propose import propose
from reconcile.intake.reading import Files, Grid, Opened, open_with
from reconcile.intake.words import read_header, trade_words
from reconcile.shop import SETTINGS_FILE, Format, Source
from reconcile.shop_file import read_shop

_SAMPLE = 2_000
_PER_CELL = 5  # what a name that looks like a cell takes from that: more than two words
_KNOWN = 2  # what a header scores that the trade has a word for


@dataclass(frozen=True)
class NewSource:
    """A proposed entry: its text, and what it was made of."""

    text: str
    proposal: Proposal
    name: str
    written: bool


def propose_source(path: Path, record: str | None, *, write: bool) -> NewSource:
    """Look at one export and propose its [[source]] table; ``write`` adds it to shop.toml.

    The shop is the nearest folder above the file that has a shop.toml. Raises RefusedError where
    the file cannot be used, or shop.toml not be written.
    """
    if not path.is_file():
        raise RefusedError([Problem(str(path), "there is no such file.", "Name an export.")])
    folder = _shop_folder(path.resolve())
    grid = Files(folder).grid(path.resolve(), Format())
    reading, layout = _likeliest(grid, sure=record is not None)
    opened = _opened(grid, reading, layout)
    proposal = propose(layout.header, lambda at: _sample(opened, at), record)
    form, notes = _format(opened, proposal, several=len(grid.readings) > 1)
    inside = path.resolve().relative_to(folder).as_posix()
    name = _name(inside)
    shown = {
        "name": name,
        "files": [_pattern(inside)],
        "form": form,
        "supplier": _supplier(folder, inside),
        "notes": notes,
    }
    if write:
        write_entry(folder / SETTINGS_FILE, proposal, **shown)  # type: ignore[arg-type]
    return NewSource(entry_text(proposal, **shown), proposal, name, write)  # type: ignore[arg-type]


def _shop_folder(path: Path) -> Path:
    for folder in path.parents:
        if (folder / SETTINGS_FILE).is_file():
            return folder
    return path.parent


def _name(path: str) -> str:
    """A name for the source: its folder and file, without dates and numbers."""
    stem = path.removesuffix(".gz").rpartition(".")[0] or path
    stem = re.sub(r"[-_. ]*\d[\d\-_.]*$", "", stem) or stem
    return re.sub(r"[\W_]+", "-", stem.casefold()).strip("-") or "export"


def _supplier(folder: Path, path: str) -> str | None:
    """The supplier of the shop whose name is in the file's path, where it is one alone."""
    try:
        shop, _ = read_shop(folder)
    except RefusedError:
        return None
    said = " ".join(_words(path))
    found = [
        supplier.name
        for supplier in shop.suppliers.values()
        if any(" ".join(_words(name)) in said for name in (supplier.name, *supplier.names))
    ]
    return found[0] if len(found) == 1 else None


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text.casefold())


def _pattern(path: str) -> str:
    """The path with a star where its name bears a date or a number, so that later ones match."""
    folder, slash, name = path.rpartition("/")
    stem, dot, ending = name.partition(".")
    return f"{folder}{slash}{re.sub(r'[0-9][0-9._-]*', '*', stem)}{dot}{ending}"


def _is_cell(name: str) -> bool:
    """Whether a name looks like a cell of a row: a number, a date, an amount, a mail address."""
    return "@" in name or re.fullmatch(r"[^\W_]{0,4}[ -]?\d[\d.,:/ '+TZ-]*", name) is not None


@cache
def _known(cell: str) -> int:
    """How much a cell looks like a header: most where the trade has that word for a column."""
    if not cell or re.fullmatch(r"[\W\d_]*", cell):
        return 0
    read = read_header(cell)
    words = trade_words()
    if any(names.hold(read) for columns in words.names.values() for names in columns.values()):
        return _KNOWN
    return int(private(cell))


def _likeliest(grid: Grid, *, sure: bool) -> tuple[str, Layout]:
    """The delimiter or sheet, and the header in it, that know most words of the trade.

    Raises RefusedError where no row looks like a header: what would be shown as one may be a
    row of cells. ``sure`` is whether somebody has said what the file holds.
    """
    best: tuple[int, str, Layout] | None = None
    for reading, rows in grid.readings.items():
        for layout in headers_of(rows, None):
            score = sum(_known(name) - _PER_CELL * _is_cell(name) for name in set(layout.header))
            if best is None or score > best[0]:
                best = score, reading, layout
    if best is None:
        mend = "Export it again; a file without orders still has its header."
        raise RefusedError([Problem(grid.path, "the file is empty.", mend)])
    if best[0] < (_KNOWN if sure else 2 * _KNOWN):
        what = "no row looks like a header: none has words of the trade for its columns."
        mend = "Give the file a row of headers above its first row, and look again."
        raise RefusedError([Problem(grid.path, what, mend)])
    return best[1], best[2]


def _opened(grid: Grid, reading: str, layout: Layout) -> Opened:
    """The file under the header, with every column that is not about a person."""
    places = {str(at): at for at, name in enumerate(layout.header) if name and not private(name)}
    return open_with(None, grid, reading, replace(layout, positions=places))


def _sample(opened: Opened, at: int) -> pa.Array:
    """The first distinct texts of a column."""
    texts = pc.unique(one_piece(tidy(opened.table.columns[at].texts)))
    return texts.filter(pc.not_equal(texts, "")).slice(0, _SAMPLE)


def _format(opened: Opened, proposal: Proposal, *, several: bool) -> tuple[Format, list[str]]:
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
    table = Table(opened.path, positions, opened.table)
    [forms], questions = find_forms(source, [table])
    notes = [f"UNSURE: {problem.what} {problem.mend}" for problem in questions]
    notes += [f"Found: {note}." for note in opened.notes]
    asked = {problem.what.split(" ")[0].rstrip(":") for problem in questions}
    marks = {
        mark
        for name, mark in forms.decimals.items()
        if name in positions and holds(opened.table.columns[positions[name]].texts, b".", b",")
    }
    days = {form for name, form in forms.dates.items() if name in positions}
    found = opened.found
    form = Format(
        encoding=found.get("encoding", ""),
        delimiter=found.get("delimiter", ""),
        decimal=marks.pop() if len(marks) == 1 and not asked else "",
        dates=days.pop() if len(days) == 1 and not asked else "",
        sheet=opened.sheet if several else "",
    )
    return form, notes
