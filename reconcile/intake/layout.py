"""Where the header stands, and which canonical column stands where under it.

A source's own headers decide: of all ways to read a file (delimiters, sheets, rows, one or two
header lines) the one counts in which the declared and the canonical headers are found.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from reconcile.errors import Problem
from reconcile.intake.private import names_a_firm, private
from reconcile.records import RECORDS, Column
from reconcile.references import plain
from reconcile.shop import Source, nearest

HEADER_WITHIN = 40  # rows in which a header is looked for
_LETTERS = re.compile(r"^column ([A-Z]{1,3})$")
_MARKED = re.compile(r"^'(?=[^'\s])")  # as in cells, before a text that could be a formula
# What a merchant may well declare under a header that sounds private: the supplier's own name
_MOST_LINES = 5  # in a cell of a header or title
_NO_HEADER = (
    "No row has the headers of this source: name them in [source.columns], and set header_row "
    "where the header stands far below."
)
_NAME_ALONE = {"name", "nom", "nombre"}  # may be the name of an order or of an article
_MAY_BE_NAMED = {"supplier", "store", "carrier"}


@dataclass(frozen=True)
class Layout:
    """The header of one table.

    ``header`` has one name a column, "" where there is none. ``row`` is its row, or the lower
    of its two; ``lines`` is 1 or 2; ``raw`` is its text as it stands. ``title`` are the rows
    above it. ``positions`` are those of
    the canonical columns that the table brings; constants stand in the source. ``cells`` is how
    many cells the header has itself: below the others nothing may stand.
    """

    header: tuple[str, ...]
    row: int
    lines: int
    title: tuple[tuple[str, ...], ...]
    positions: dict[str, int]
    cells: int
    raw: tuple[str, ...]


def find_layout(
    source: Source, path: str, readings: Mapping[str, list[list[str]]], *, sheets: bool = False
) -> tuple[str, Layout | None, list[Problem]]:
    """The reading that fits the source best (a delimiter or a sheet), its layout, and problems.

    ``readings`` are the first rows by delimiter, or by sheet where ``sheets`` holds, likeliest
    first.
    """
    best, best_reading, best_found = None, next(iter(readings)), -1
    whole: dict[str, Layout] = {}
    at_row = source.format.header_row
    for reading, rows in readings.items():
        for layout in headers_of(rows, at_row, _lettered(source)):
            positions, missing = _positions(source, layout.header)
            found = len(set(positions.values()))
            if found > best_found:
                best, best_reading, best_found = layout, reading, found
            if not missing:
                whole[reading] = layout
                break
        if whole and not sheets:
            break  # the likeliest that fits counts; of sheets, all that fit are told
    if whole:
        best_reading = next(iter(whole))
        best = whole[best_reading]
    if best is None:
        if at_row is None:
            mend = "Export it again; a file without orders still has its header."
            return best_reading, None, [Problem(path, "the file is empty.", mend)]
        what = f"there is no row {at_row} to take the header from."
        problem = Problem(path, what, "Set header_row to the row of the headers.")
        return best_reading, None, [problem]
    problems = (_several(path, list(whole)) if sheets else []) or _wrong_headers(
        source, path, best, found=best_found > 0
    )
    if problems and not whole:
        problems = _open_quote(path, readings[best_reading]) or problems
    positions, _ = _positions(source, best.header)
    return best_reading, replace(best, positions=positions), problems


def headers_of(rows: list[list[str]], at_row: int | None, lettered: int = 0) -> Iterator[Layout]:
    """Every header that rows may have: of one line, from the top, then of two lines.

    ``lettered`` is how many columns there are for sure, since one is declared by its letters.
    """
    begin, end = (at_row - 1, at_row) if at_row else (0, min(len(rows), HEADER_WITHIN))
    for lines in (1, 2):
        for at in range(begin, end):
            if at + lines > len(rows) or not any(cell.strip() for cell in rows[at]):
                continue
            title = tuple(tuple(row) for row in rows[:at])
            head = rows[at : at + lines]
            named = max(lettered, *(len(line) for line in head))
            width = _width(named, head, rows[at + lines :])
            texts, names = ([[do(cell) for cell in line] for line in head] for do in (str, _name))
            for raw, header in zip(_headers(texts, width), _headers(names, width), strict=False):
                yield Layout(header, at + lines, lines, title, {}, min(named, width), raw)


def _name(cell: str) -> str:
    """A header as it is compared: as people see it, without the mark that keeps it a text."""
    return _MARKED.sub("", plain(cell))


def most_headers(source: Source, rows: list[list[str]]) -> bool:
    """Whether some row has most of the headers that a source needs: its rows may be wanted too."""
    needed = {c.name for c in RECORDS[source.record].columns if c.required} | set(source.columns)
    needed -= set(source.constants)
    found = (_positions(source, layout.header)[0] for layout in headers_of(rows, None))
    return any(2 * len(needed & set(positions)) > len(needed) for positions in found)


def _headers(lines: list[list[str]], width: int) -> Iterator[tuple[str, ...]]:
    """The names of the columns; a name over several columns may hold for all of them."""
    padded = [line + [""] * width for line in lines]
    if len(lines) == 1:
        yield tuple(padded[0][:width])
        return
    upper, lower = (line[:width] for line in padded)
    yield tuple(f"{over} {name}".strip() for over, name in zip(upper, lower, strict=True))
    spread = list(upper)
    for at in range(1, width):
        if not spread[at] and lower[at]:
            spread[at] = spread[at - 1]
    yield tuple(f"{over} {name}".strip() for over, name in zip(spread, lower, strict=True))


def _width(named: int, lines: list[list[str]], below: list[list[str]]) -> int:
    """How many cells a row has: as most rows below have, where the header differs by blanks.

    A delimiter behind the last cell of every row, or of the header alone, is not a column. Rows
    with something in more cells than the header are not rows of more columns: a delimiter inside
    a cell has moved their cells, and they are rejected where the rows are read.
    """
    filled = [row for row in below if any(cell.strip() for cell in row)]
    sizes = [len(row) for row in filled]
    if not sizes:
        return named
    usual = max(sorted(set(sizes)), key=sizes.count)
    if sizes.count(usual) * 2 <= len(sizes):
        return named
    if usual > named:
        moved = sum(any(c.strip() for c in row[named:]) for row in filled if len(row) == usual)
        return usual if moved * 2 < sizes.count(usual) else named
    surplus = [cell for line in lines for cell in line[usual:]]
    return named if any(cell.strip() for cell in surplus) else usual


def _lettered(source: Source) -> int:
    """How many columns there are by those that are declared by their letters."""
    letters = [_LETTERS.match(name) for names in source.columns.values() for name in names]
    return max((_position(found[1]) + 1 for found in letters if found), default=0)


def _positions(source: Source, header: Sequence[str]) -> tuple[dict[str, int], bool]:
    """Where canonical columns stand, and whether a declared or required one is missing."""
    positions: dict[str, int] = {}
    missing = False
    for column in RECORDS[source.record].columns:
        if column.name in source.constants:
            continue
        declared = source.columns.get(column.name)
        places = _places(declared or (column.name,), header)
        if places:
            positions[column.name] = places[0]
        elif declared is not None or column.required:
            missing = True
    return positions, missing


def _places(names: Sequence[str], header: Sequence[str]) -> list[int]:
    """Every position of a header with one of the names."""
    found = []
    for name in dict.fromkeys(names):
        wanted = _name(name)
        found += [at for at, there in enumerate(header) if there and there == wanted]
        letters = _LETTERS.match(name)
        at = _position(letters[1]) if letters else -1
        if 0 <= at < len(header) and not header[at]:
            found.append(at)
    return found


def _position(letters: str) -> int:
    """The position of a column that a spreadsheet calls by these letters, from 0."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1


def _several(path: str, whole: list[str]) -> list[Problem]:
    """More than one sheet with this header: reading one of them would lose the others."""
    if len(whole) < 2:  # noqa: PLR2004
        return []
    what = f"the header stands on more than one sheet: {', '.join(map(repr, whole))}."
    mend = "Name one with sheet in [source.format], and write a [[source]] for each of the others."
    return [Problem(path, what, mend)]


def _open_quote(path: str, rows: list[list[str]]) -> list[Problem]:
    """A row with a cell of many lines, where the header was not found: a quote is not closed.

    In the last row that there is, two are many: it has swallowed what stood below.
    """
    for number, row in enumerate(rows[:HEADER_WITHIN], start=1):
        lines = max((cell.count("\n") + cell.count("\r") for cell in row), default=0)
        if lines > (1 if number == len(rows) else _MOST_LINES):
            what = "a quote opens in this row and is never closed, or closes far below."
            return [Problem(path, what, "Close it, or export the file again.", row=number)]
    return []


def _wrong_headers(source: Source, path: str, layout: Layout, *, found: bool) -> list[Problem]:
    """Every problem with the header of one table.

    Its names are shown only where one of them was ``found``: else it may be a row of cells.
    """
    names_shown = [name for name in layout.header if name and not private(name)]
    problems: list[Problem] = []
    for column in RECORDS[source.record].columns:
        declared = source.columns.get(column.name)
        if column.name in source.constants:
            continue
        names = declared or (column.name,)
        places = _places(names, layout.header)
        if not places:
            if declared is not None or column.required:
                looked = " or ".join(repr(name) for name in names)
                what = f"there is no column {looked} for {column.name}."
                mend = _advice(column.name, declared, names_shown) if found else _NO_HEADER
                problems.append(Problem(path, what, mend, row=layout.row))
        elif len(places) > 1:
            several = [layout.header[at] for at in places]
            shown = ", ".join(repr(name) for name in dict.fromkeys(several))
            what = f"more than one column could be {column.name}: {shown} is there twice."
            mend = "Name a header that occurs once, or rename one in the export."
            problems.append(Problem(path, what, mend, row=layout.row, column=several[0]))
        elif _about_a_person(column, layout.header[places[0]]):
            what = f"{column.name} would be read from a column about a person."
            mend = "Names, addresses, e-mails and phone numbers are never read; map another one."
            shown = layout.header[places[0]]
            problems.append(Problem(path, what, mend, row=layout.row, column=shown))
    return problems


def _about_a_person(column: Column, header: str) -> bool:
    """Whether a column would bring what is private; "Name" alone may be that of an order."""
    if header == column.name or not private(header):
        return False
    if column.name in _MAY_BE_NAMED:
        return not names_a_firm(header)
    return not (plain(header).casefold() in _NAME_ALONE and column.kind in ("reference", "sku"))


def _advice(name: str, declared: tuple[str, ...] | None, header: Sequence[str]) -> str:
    if not header:
        return "The header row has no other names."
    if declared:
        return nearest(declared[0], header)
    folded = {word.casefold().replace(" ", "_"): word for word in header}
    near = difflib.get_close_matches(name, list(folded), n=1)
    mend = "Name its header in [source.columns], or give a constant in [source.values]."
    return f"{mend} Is it {folded[near[0]]!r}?" if near else mend
