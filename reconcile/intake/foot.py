"""Rows that are no records: the header again, and totals at the foot.

Totals are set aside and used: what they state has to be what the rows above them add up to.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake.amounts import parse_amounts
from reconcile.intake.cells import nothing, tidy
from reconcile.intake.coded import Bools, Coded, bools
from reconcile.intake.formats import Forms, Table, plain_numbers
from reconcile.intake.layout import Layout
from reconcile.intake.total_word import total_word
from reconcile.money import MICRO_DIGITS
from reconcile.records import RECORDS, Column, Record
from reconcile.references import plain

_NUMBERS = ("money", "price", "count")
_FOOT = 12  # rows at the end of a table among which totals are looked for


@dataclass(frozen=True)
class Foot:
    """The rows of a table that are no records, by their place among its rows.

    ``totals`` are in the order of the table.
    """

    headers: NDArray[np.int64]
    totals: NDArray[np.int64]


def find_foot(record: str, table: Table, layout: Layout, forms: Forms) -> Foot:
    """Find the header in mid-table, and totals below the last record."""
    count = len(table.texts.rows)
    headers = _headers_again(table, layout) if count else np.zeros(0, dtype=bool)
    keep = ~headers
    likely: dict[int, bool] = {}
    for at in np.flatnonzero(~headers)[-_FOOT:][::-1]:
        worded = _worded(RECORDS[record], table, int(at))
        if worded is None:
            break
        likely[int(at)], keep[at] = worded, False
    totals: list[int] = []
    for at, worded in likely.items():
        if not worded and not _adds_up(record, table, at, keep, forms):
            break
        totals.append(at)
    return Foot(np.flatnonzero(headers), np.array(sorted(totals), dtype=np.int64))


def _headers_again(table: Table, layout: Layout) -> Bools:
    again = np.ones(len(table.texts.rows), dtype=bool)
    for at in sorted(set(table.positions.values())):
        if not layout.header[at]:
            continue
        column = table.texts.columns[at]
        again &= column.take(bools(pc.equal(column.texts, layout.header[at])))
        if not again.any():
            break
    return again


def _worded(record: Record, table: Table, at: int) -> bool | None:
    """Whether a row is one of totals by a word; None where it is a record, whole or not.

    A word in the place of the reference that every record has tells by itself. Else nothing but
    such words, numbers and the currency may stand in the row: with an order, a country or a
    parcel in it, it is a record that lacks something. Where it has numbers alone, they have to
    add up.
    """
    texts = {name: plain(_cell(table, place, at)) for name, place in table.positions.items()}
    filled = {name for name, text in texts.items() if not nothing(pa.array([text]))[0]}
    kinds = {column.name: column for column in record.columns if column.name in filled}
    numbers = {name for name, column in kinds.items() if column.kind in _NUMBERS}
    words = {name for name in filled - numbers if total_word(texts[name])}
    if any(kinds[name].required and kinds[name].kind == "reference" for name in words):
        return True
    required = {column.name for column in record.columns if column.required}
    if required & set(texts) <= filled or filled - numbers - words - {"currency"}:
        return None
    # Nobody adds up prices that are on offer; there only a word can tell.
    return bool(words) or (False if numbers and record.date else None)


def _adds_up(record: str, table: Table, at: int, keep: Bools, forms: Forms) -> bool:
    """Whether a number in a row is what its column adds up to.

    Beside a unit price a quantity alone is none: a line without its names looks like that.
    """
    priced = any(
        _cell(table, table.positions[column.name], at).strip()
        for column in RECORDS[record].columns
        if column.kind == "price" and column.name in table.positions
    )
    return any(
        one.ok[at] and not one.blank[at] and int(one.micro[at]) in one.sums
        for one in _added_up(record, table, keep, forms)
        if one.column.kind == "money" or not priced
    )


def _cell(table: Table, place: int, at: int) -> str:
    return table.texts.columns[place].at(np.array([at]))[0]


@dataclass(frozen=True)
class _Added:
    """A column that is added up: its cells, and what they may add up to."""

    column: Column
    place: int
    decimal: str
    coded: Coded
    micro: NDArray[np.int64]
    ok: Bools
    blank: Bools
    sums: list[int]


def _added_up(record: str, table: Table, keep: Bools, forms: Forms) -> Iterator[_Added]:
    """The columns of amounts and counts; unit prices are not added up by anybody."""
    for column in RECORDS[record].columns:
        if column.kind not in ("money", "count") or column.name not in table.positions:
            continue
        place, decimal = table.positions[column.name], forms.decimals[column.name]
        coded = plain_numbers(table.texts.columns[place], table.texts.numbers.get(place), decimal)
        parsed = parse_amounts(tidy(coded.texts), decimal)
        ok, micro = coded.take(parsed.ok), coded.take(parsed.micro)
        sums = _sums(table, column, micro, ok & keep)
        yield _Added(column, place, decimal, coded, micro, ok, coded.take(parsed.blank), sums)


def stated_totals(record: str, table: Table, foot: Foot, keep: Bools, forms: Forms) -> pd.DataFrame:
    """What totals rows state against what the rows add up to, where the two differ.

    One row per column: ``file``, ``row``, ``column``, ``stated``, ``found``, both as decimal
    text in major units; ``stated`` as it stands where it cannot be read. A value of a whole
    order that stands on each of its rows may have been added up once an order, and a total may
    be of one currency.
    """
    rows = []
    for one in _added_up(record, table, keep, forms):
        name, micro, sums = one.column.name, one.micro, one.sums
        for at in foot.totals:
            if one.blank[at] or (one.ok[at] and int(micro[at]) in sums):
                continue
            text = one.coded.at(np.array([at]))[0].strip()
            stated = _decimal_text(int(micro[at])) if one.ok[at] else text
            rows.append((table.path, table.texts.rows[at], name, stated, sums[0]))
        for short in table.texts.short:
            text = short.cells[one.place] if one.place < len(short.cells) else ""
            told = parse_amounts(tidy(pa.array([text])), one.decimal)
            if not told.blank[0] and not (told.ok[0] and int(told.micro[0]) in sums):
                rows.append((table.path, short.row, name, text.strip(), sums[0]))
    names = ["file", "row", "column", "stated", "found"]
    frame = pd.DataFrame(rows, columns=names).sort_values(["row", "column"], ignore_index=True)
    frame["found"] = [_decimal_text(value) for value in frame["found"]]
    return frame.astype({"row": "int64"} | dict.fromkeys(("file", "column", *names[3:]), "str"))


def _sums(table: Table, column: Column, micro: NDArray[np.int64], where: Bools) -> list[int]:
    """What the rows may have been added up to: all, once an order, or those of one currency."""
    sums = [_sum(micro, where)]
    if column.whole_order and "order_ref" in table.positions:
        refs = table.texts.columns[table.positions["order_ref"]]
        sums.append(_sum(micro, where & _first_of_each(refs, where)))
    if "currency" in table.positions:
        currency = table.texts.columns[table.positions["currency"]]
        sums += [
            _sum(micro, where & currency.where(text)) for text in currency.distinct.to_pylist()
        ]
    return sums


def _sum(micro: NDArray[np.int64], where: Bools) -> int:
    """An exact sum that cannot run over 64 bits: whole units and millionths apart."""
    unit = 10**MICRO_DIGITS
    whole, part = np.divmod(micro[where], unit)
    total: int = int(whole.sum()) * unit + int(part.sum())
    return total


def _first_of_each(refs: Coded, where: Bools) -> Bools:
    """The first of the rows of each reference that count."""
    texts = refs.series()
    first = np.zeros(len(texts), dtype=bool)
    at = np.flatnonzero(where)
    first[at[~texts.iloc[at].duplicated().to_numpy()]] = True
    return first


def _decimal_text(micro: int) -> str:
    whole, part = divmod(abs(micro), 10**MICRO_DIGITS)
    digits = f"{part:0{MICRO_DIGITS}d}".rstrip("0").ljust(2, "0")
    return f"{'-' if micro < 0 else ''}{whole}.{digits}"


def kept_rows(count: int, foot: Foot) -> Bools:
    """The rows of a table that are records."""
    keep = np.ones(count, dtype=bool)
    keep[foot.headers] = False
    keep[foot.totals] = False
    return keep


def without(foot: Foot) -> Mapping[str, int]:
    """How many rows are set aside, by fate."""
    return {"header": len(foot.headers), "totals": len(foot.totals)}
