"""How the cells of each column are written: found from all of its cells, never from one.

A column has one decimal mark and one form of dates. What its cells do not decide is decided by
what they share a file or a source with, where that is safe; what is left is a question, and the
run is refused until somebody answers it in [source.format].
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.errors import Problem
from reconcile.intake.amounts import Marks, marks
from reconcile.intake.cells import nothing, tidy
from reconcile.intake.coded import Bools, Coded, bools
from reconcile.intake.day_order import EITHER, MIXED, first_of
from reconcile.intake.moments import fitting
from reconcile.intake.text_table import TextTable
from reconcile.money import minor_digits
from reconcile.records import RECORDS, Column
from reconcile.shop import Source

NUMBERS = ("money", "price", "count", "rate")
_CLEAR = 9  # so many times as many cells have to speak for one form as for the next
_ISO_DAY = "^[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ].*)?$"


@dataclass(frozen=True)
class Forms:
    """The decimal mark and the form of dates of each column of one file, by canonical name."""

    decimals: dict[str, str] = field(default_factory=dict)
    dates: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Table:
    """One table of a source, with what its columns are."""

    path: str
    positions: dict[str, int]
    texts: TextTable


def find_forms(source: Source, tables: Sequence[Table]) -> tuple[list[Forms], list[Problem]]:
    """The forms of each table of one source, and a question for each that cannot be found."""
    record = RECORDS[source.record]
    numbers = [column for column in record.columns if column.kind in NUMBERS]
    days = [column for column in record.columns if column.kind == "date"]
    decimals = _decimals(source, tables, numbers)
    dates = _dates(source, tables, days)
    problems = [problem for found in (*decimals, *dates) for problem in found[1]]
    forms = [Forms(decimal[0], date[0]) for decimal, date in zip(decimals, dates, strict=True)]
    return forms, problems


Found = tuple[dict[str, str], list[Problem]]


def _decimals(source: Source, tables: Sequence[Table], columns: list[Column]) -> list[Found]:
    declared = source.format.decimal
    if declared:
        return [({column.name: declared for column in columns}, []) for _ in tables]
    seen = [
        {c.name: marks(*_written(table, c)) for c in columns if c.name in table.positions}
        for table in tables
    ]
    own = [{name: _clear(found) for name, found in each.items()} for each in seen]
    results = []
    for table, found, decided in zip(tables, seen, own, strict=True):
        marked: dict[str, str] = {}
        problems: list[Problem] = []
        in_file = {mark for name, mark in decided.items() if mark}
        for column in columns:
            if column.name not in found:
                marked[column.name] = "."
                continue
            others = {each[column.name] for each in own if each.get(column.name)}
            if _speaks_both(found[column.name]) or not others <= (in_file or others):
                others = set()  # what the file itself shows counts more than other files
            mark = decided[column.name] or _agreed(others)
            mark = mark or _by_kind(source, table, column, found[column.name], in_file)
            marked[column.name] = mark or "."
            if not mark:
                problems.append(_question(table, column, found[column.name]))
        results.append((marked, problems))
    return results


def _written(table: Table, column: Column) -> tuple[pa.Array, NDArray[np.int64]]:
    """The texts of a column that were written as text, tidy and not blank, and their rows."""
    at = table.positions[column.name]
    coded = table.texts.columns[at]
    typed = table.texts.numbers.get(at), table.texts.dates.get(at)
    masks = [mask for mask in typed if mask is not None]
    if masks:
        coded = coded.filter(~np.logical_or.reduce(masks))
    texts, counts = coded.counted()
    texts = tidy(texts)
    filled = ~nothing(texts)
    return texts.filter(pa.array(filled)), counts[filled]


def _clear(found: Marks) -> str:
    """The decimal mark that the cells of a column show, "" where they do not.

    Where some show the other mark, their rows are rejected; but then a cell that could be read
    with either must not be left, or most have to agree.
    """
    most, least = max(found.point, found.comma), min(found.point, found.comma)
    if not most or (least * _CLEAR >= most and least and (found.lone_point or found.lone_comma)):
        return ""
    return "." if found.point >= found.comma else ","


def _speaks_both(found: Marks) -> bool:
    return bool(found.point and found.comma)


def _agreed(marked: set[str]) -> str:
    return next(iter(marked)) if len(marked) == 1 else ""


def _by_kind(source: Source, table: Table, column: Column, found: Marks, in_file: set[str]) -> str:
    """The mark where no cell is decisive: 1,234 and 1.234 may be twelve hundred or one and a bit.

    A lone comma is never decided here. A lone point is what the record types define, unless the
    file says otherwise: a unit price may have three decimals, an amount only in a currency
    that has them, and a whole number never.
    """
    if _speaks_both(found):
        return ""
    if not found.lone_comma and not found.lone_point:
        return "."
    if column.kind == "rate":  # nobody groups the digits of a rate
        return "" if found.lone_comma and found.lone_point else "," if found.lone_comma else "."
    if found.lone_comma or "," in in_file:
        return ""
    if "." in in_file or column.kind == "price":
        return "."
    if column.kind == "money" and _three_decimals(source, table):
        return "."
    return ""


def _three_decimals(source: Source, table: Table) -> bool:
    """Whether every currency of the table has three decimals or more."""
    if "currency" in source.constants:
        texts: Iterable[str] = [source.constants["currency"]]
    elif "currency" in table.positions:
        texts = tidy(table.texts.columns[table.positions["currency"]].distinct).to_pylist()
    else:
        return False
    digits = [minor_digits(text.strip().upper()) for text in texts]
    return bool(digits) and all(each is not None and each >= 3 for each in digits)  # noqa: PLR2004


def _question(table: Table, column: Column, found: Marks) -> Problem:
    mend = 'Set decimal = "." or decimal = "," in [source.format].'
    if _speaks_both(found):
        what = f"the cells of {column.name} have decimal points and decimal commas."
        mend = "Export it in one form. " + mend
        return Problem(table.path, what, mend)
    lone = "1,234" if found.lone_comma else "1.234"
    row, text = _first(table, column, r"^[^0-9]*[0-9]{1,3}[.,][0-9]{3}[^0-9]*$")
    mark = lone[1]
    what = (
        f"{column.name} can be read in two ways: is {text or lone} with {mark!r} a whole number "
        f"with thousands, or one with three decimals? No cell of the column decides it."
    )
    return Problem(table.path, what, mend, row=row)


def _first(table: Table, column: Column, form: str) -> tuple[int | None, str]:
    """The first row of a column whose text has a form, and the text."""
    coded = table.texts.columns[table.positions[column.name]]
    found = coded.take(bools(pc.match_substring_regex(tidy(coded.texts), form)))
    at = np.flatnonzero(found)[:1]
    if not len(at):
        return None, ""
    return int(table.texts.rows[at[0]]), coded.at(at)[0].strip()


def _dates(source: Source, tables: Sequence[Table], columns: list[Column]) -> list[Found]:
    declared = source.format.dates
    if declared:
        return [({column.name: declared for column in columns}, []) for _ in tables]
    seen = [
        {c.name: _form(table, c) for c in columns if c.name in table.positions} for table in tables
    ]
    orders = [
        {form for form in each.values() if form in ("day-first", "month-first")} for each in seen
    ]
    together = _agreed(set().union(*orders))
    results = []
    for table, found, in_file in zip(tables, seen, orders, strict=True):
        formed: dict[str, str] = {}
        problems = []
        for column in columns:
            form = found.get(column.name, "year-first")
            if form == EITHER:
                form = _agreed(in_file) if in_file else together
                if not form:
                    problems.append(_which_first(table, column))
            elif form in _UNCLEAR:
                problems.append(
                    Problem(table.path, f"{column.name}: {_UNCLEAR[form]}", _MEND[form])
                )
            formed[column.name] = form
        results.append((formed, problems))
    return results


_HALF_TEXT = "half-text"
_UNCLEAR = {
    MIXED: "some of its dates begin with the day and some with the month.",
    _HALF_TEXT: (
        "some of its cells are dates and some are text; a spreadsheet may have swapped day and "
        "month in those that it took for dates."
    ),
}
_MEND = {
    MIXED: "Export it in one form, or set dates in [source.format]; other rows are rejected then.",
    _HALF_TEXT: (
        "Export it as CSV, or set dates in [source.format] to the form of the texts; dates are "
        "read as the workbook has them then."
    ),
}


def _form(table: Table, column: Column) -> str:
    """The form of a column's dates: the one that fits most cells, or why there is none."""
    texts, rows = _written(table, column)
    if not len(texts) or pc.all(pc.match_substring_regex(texts, _ISO_DAY)).as_py():
        return "year-first"
    fits = fitting(texts)
    slashed = fits["day-first"] | fits["month-first"]
    counts = {name: int(rows[mask].sum()) for name, mask in fits.items()}
    counts |= {"day-first": int(rows[slashed].sum()), "month-first": 0}
    # Of equals the form that the record types define.
    best = max(sorted(counts, key=lambda name: name != "year-first"), key=counts.__getitem__)
    if not counts[best] or best != "day-first":
        return best if counts[best] else "year-first"
    if column_has_dates(table, column):
        return _HALF_TEXT
    return first_of(texts.filter(pa.array(slashed)), rows[slashed])


def column_has_dates(table: Table, column: Column) -> bool:
    """Whether some cells of the column are dates in the workbook."""
    mask: Bools | None = table.texts.dates.get(table.positions[column.name])
    return mask is not None and bool(mask.any())


def _which_first(table: Table, column: Column) -> Problem:
    row, text = _first(table, column, "^[0-9]{1,2}[-/.][0-9]{1,2}[-/.]")
    what = (
        f"{column.name} can be read in two ways: does {text} begin with the day or with the "
        f"month? The dates of the file do not decide it."
    )
    mend = 'Set dates = "day-first" or dates = "month-first" in [source.format].'
    return Problem(table.path, what, mend, row=row)


def plain_numbers(coded: Coded, numbers: Bools | None, decimal: str) -> Coded:
    """A column whose cells that are numbers in the workbook are written with its decimal mark."""
    if numbers is None or decimal == "." or not numbers.any():
        return coded
    texts = coded.rows()
    marked = pc.replace_substring(texts, pattern=".", replacement=decimal)
    return Coded(pc.if_else(pa.array(numbers), marked, texts), None, coded.count)
