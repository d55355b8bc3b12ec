"""An export that nobody has described yet: where its header is, and what stands under it.

Columns that may be about a person, and those without a header, are never read.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache, cached_property
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from reconcile.errors import Problem, RefusedError
from reconcile.intake.cells import tidy
from reconcile.intake.coded import one_piece
from reconcile.intake.layout import Layout, headers_of
from reconcile.intake.private import private
from reconcile.intake.propose import Proposal, propose
from reconcile.intake.reading import Files, Grid, Opened, open_with
from reconcile.intake.words import read_header, trade_words
from reconcile.references import plain
from reconcile.shop import Format

_SAMPLE = 2_000
_LEAST_KNOWN = 2  # columns of a header that the trade has its words for
LEAST_REFERENCES = 5  # of fewer nobody can say what they share
_ALPHABET = 26
# What stands in cells and hardly in a header: addresses of mail, dates, amounts, numbers
_CELL = re.compile(
    r"[^\s@]@[^\s@]+\.\w|\d{5}|\d[.,]\d{2}(?!\w)|\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|^\W*\d+\W*$"
    r"|\d[-. ]{0,2}[^\W\d_]{3,}[-. ]{0,2}\d{2}|[^\W\d_]{3,}\.? \d{1,2},? \d{4}"
)
_WORDS_FOR_A_CELL = 4  # so many words of a header make up for one of those
# What a reference may have before and behind its number: "LL-", "-R"
_BEGIN, _END = r"^#?(?P<part>\pL{1,8}[-_/ ]{0,2})[0-9]", r"[0-9](?P<part>[-_/]\pL{1,3})$"


@dataclass(frozen=True)
class Unseen:
    """A file by its likeliest reading (a delimiter or a sheet) and the header in it."""

    grid: Grid
    reading: str
    layout: Layout

    @property
    def header_row(self) -> int:
        """The row of the header, the upper one of two, from 1."""
        return self.layout.row - self.layout.lines + 1

    @property
    def nameless(self) -> list[str]:
        """The letters of the columns that have cells and no header."""
        below = self.grid.readings[self.reading][self.layout.row :]
        filled = {at for row in below for at, cell in enumerate(row) if cell.strip()}
        blank = [at for at, name in enumerate(self.layout.header) if not name]
        return [_letters(at) for at in blank if at in filled]

    @property
    def written(self) -> dict[str, str]:
        """How the file is written as a whole, what leaves it open blank: ASCII is any encoding."""
        if self.grid.workbook is not None:
            return {"sheet": self.reading if len(self.grid.readings) > 1 else ""}
        plain_text = self.grid.encoding == "utf-8" and self.grid.text.ascii
        return {"encoding": "" if plain_text else self.grid.encoding, "delimiter": self.reading}

    @cached_property
    def opened(self) -> Opened:
        """The table, with every column that has a header and cannot hold names of persons."""
        named = [name if name and not private(name) else "" for name in self.layout.header]
        others = trade_words().names["bank"]["counterparty"]
        places = {
            str(at): at
            for at, name in enumerate(named)
            if name and not others.hold(read_header(name))
        }
        return open_with(None, self.grid, self.reading, replace(self.layout, positions=places))

    def sample(self, at: int) -> pa.Array:
        """The first distinct texts of a column; neither a repeated header nor a total is one."""
        if at not in self.opened.table.columns:
            return pa.array([], pa.string())
        texts = pc.unique(one_piece(tidy(self.opened.table.columns[at].texts)))
        lines = self.grid.readings[self.reading][self.header_row - 1 : self.layout.row]
        names = {self.layout.header[at], *(plain(line[at]) for line in lines if at < len(line))}
        no_cells = pc.is_in(texts, pa.array(["", *sorted(names)], pa.string()))
        totals = pa.array(sorted(trade_words().totals), pa.string())
        no_cells = pc.or_(no_cells, pc.is_in(pc.utf8_lower(texts), totals))
        return texts.filter(pc.invert(no_cells)).slice(0, _SAMPLE)

    def propose(self, record: str | None) -> Proposal:
        """What it seems to hold; ``record`` where a person has said it."""
        return propose(self.layout.header, self.sample, record)


def look_into(folder: Path, path: Path, *, told: bool) -> Unseen:
    """Find the delimiter or sheet, and the header in it, that know most words of the trade.

    ``told`` is whether a person has said what the file holds. Raises RefusedError where the file
    cannot be used, or no row looks like a header: what would be shown as one may be cells.
    """
    grid = Files(folder).grid(path, Format())
    best, known, found = -1, 0, None
    for reading, rows in grid.readings.items():
        for layout in headers_of(rows, None):
            score, words = like_header(layout.header)
            if score > best:
                best, known, found = score, words, Unseen(grid, reading, layout)
    if found is None:
        mend = "Export it again; a file without orders still has its header."
        raise RefusedError([Problem(grid.path, "the file is empty.", mend)])
    if known < (1 if told else _LEAST_KNOWN):
        what = "no row looks like a header: none has words of the trade for its columns."
        mend = "Give the file a row of headers above its first row, and look again."
        raise RefusedError([Problem(grid.path, what, mend)])
    return found


def like_header(row: Iterable[str]) -> tuple[int, int]:
    """How much a row looks like a header, and how many columns the trade has its words for.

    Both are 0 where too many look like amounts, dates or numbers: a row of cells may well hold
    words that are headers elsewhere.

    >>> like_header(["Order", "Order date", "Quantity"])
    (12, 3)
    >>> like_header(["LL-1", "2026-10-03", "1", "invoice", "Date"])
    (0, 0)
    """
    kinds = Counter(_kind(cell) for cell in set(row))
    words = kinds["named"] + kinds["vague"]
    if words <= _WORDS_FOR_A_CELL * kinds["cell"]:
        return 0, 0
    return 4 * kinds["named"] + 2 * kinds["vague"] + kinds["private"] - kinds["cell"], words


@cache
def _kind(cell: str) -> str:
    if _CELL.search(cell):
        return "cell"
    if not re.search(r"[^\W\d_]", cell):
        return ""
    read, words = read_header(cell), trade_words()
    for kind, table in (("named", words.names), ("vague", words.vague)):
        if any(phrases.hold(read) for columns in table.values() for phrases in columns.values()):
            return kind
    return "private" if private(cell) else ""


def shared_parts(references: pa.Array) -> tuple[list[str], list[str]]:
    """What several references begin with before their number, and what some of them end with.

    Letters only, as most write them; what every one ends with is no suffix of some.
    """
    texts = pc.list_flatten(pc.split_pattern_regex(references.cast(pa.string()), "[;,]"))
    texts = pc.unique(pc.utf8_trim_whitespace(texts))
    if len(texts) < LEAST_REFERENCES:
        return [], []
    begins, ends = _counted(texts, _BEGIN), _counted(texts, _END)
    often = sorted((n, part) for part, n in begins.items() if n >= LEAST_REFERENCES)
    spelled = {part.casefold(): part for _, part in often}  # references are compared folded
    return sorted(spelled.values()), sorted(part for part, n in ends.items() if n < len(texts))


def _counted(texts: pa.Array, regex: str) -> dict[str, int]:
    parts = pc.extract_regex(texts, regex).field("part")
    counts = pc.value_counts(parts.filter(pc.not_equal(parts, ""))).to_pylist()
    return {each["values"]: each["counts"] for each in counts}


def _letters(at: int) -> str:
    """What a spreadsheet calls a column, counted from 0: A, B, …, Z, AA."""
    letters = ""
    at += 1
    while at:
        at, rest = divmod(at - 1, _ALPHABET)
        letters = chr(ord("A") + rest) + letters
    return letters
