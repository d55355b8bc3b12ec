"""Rows that are no records: the header again, and totals at the foot.

Totals are set aside and used: what they state has to be what the rows above them add up to.
"""

from __future__ import annotations

from collections.abc import Mapping
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

_FOOT = 12  # rows at the end of a table among which totals are looked for


@dataclass(frozen=True)
class Foot:
    """The rows of a table that are no records, by their place among its rows.

    ``totals`` are in the order of the table.
    """

    headers: NDArray[np.int64]
    totals: NDArray[np.int64]


def find_foot(record: str, table: Table, layout: Layout) -> Foot:
    """Find the header in mid-table, and totals below the last record."""
    count = len(table.texts.rows)
    headers = _headers_again(table, layout) if count else np.zeros(0, dtype=bool)
    last = np.flatnonzero(~headers)[-_FOOT:]
    totals: list[int] = []
    for at in last[::-1]:
        if not _is_total(RECORDS[record], table, int(at)):
            break
        totals.append(int(at))
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


def _is_total(record: Record, table: Table, at: int) -> bool:
    """A row that no record could be, with a word for totals or with nothing but numbers.

    A record has its required references and its date; without them, and with a number in it,
    a row at the foot is a total. Where it is none after all, its numbers are not what the
    column adds up to, and that is said.
    """
    texts = {name: plain(_cell(table, place, at)) for name, place in table.positions.items()}
    filled = {name for name, text in texts.items() if not nothing(pa.array([text]))[0]}
    numbers, marking = set(), set()
    for column in record.columns:
        if column.name not in filled:
            continue
        if column.kind in ("money", "price", "count"):
            numbers.add(column.name)
        elif column.required and column.name != "currency":
            marking.add(column.name)
    required = {column.name for column in record.columns if column.required}
    if required & set(texts) <= filled:
        return False
    if record.date in filled and not total_word(texts[record.date]):
        return False
    if any(total_word(texts[name]) for name in filled - numbers):
        return True
    return bool(numbers) and not marking


def _cell(table: Table, place: int, at: int) -> str:
    return table.texts.columns[place].at(np.array([at]))[0]


def stated_totals(record: str, table: Table, foot: Foot, keep: Bools, forms: Forms) -> pd.DataFrame:
    """What totals rows state against what the rows add up to, where the two differ.

    One row per column: ``file``, ``row``, ``column``, ``stated``, ``found``, both as decimal
    text in major units; ``stated`` as it stands where it cannot be read. Unit prices are not
    added up by anybody and are left out. A value of a whole order that stands on each of its
    rows may have been added up once an order, and a total may be of one currency.
    """
    rows = []
    for column in RECORDS[record].columns:
        if column.kind not in ("money", "count") or column.name not in table.positions:
            continue
        place, decimal = table.positions[column.name], forms.decimals[column.name]
        coded = plain_numbers(table.texts.columns[place], table.texts.numbers.get(place), decimal)
        parsed = parse_amounts(tidy(coded.texts), decimal)
        ok, micro = coded.take(parsed.ok), coded.take(parsed.micro)
        blank = coded.take(parsed.blank)
        sums = _sums(table, column, micro, ok & keep)
        for at in foot.totals:
            if blank[at] or (ok[at] and int(micro[at]) in sums):
                continue
            stated = (
                _decimal_text(int(micro[at])) if ok[at] else coded.at(np.array([at]))[0].strip()
            )
            rows.append((table.path, table.texts.rows[at], column.name, stated, sums[0]))
        for short in table.texts.short:
            text = short.cells[place] if place < len(short.cells) else ""
            told = parse_amounts(tidy(pa.array([text])), decimal)
            if not told.blank[0] and not (told.ok[0] and int(told.micro[0]) in sums):
                rows.append((table.path, short.row, column.name, text.strip(), sums[0]))
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
