"""One file as rows of cells: titles, header, body, and what else stands between the rows."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

import pyarrow as pa

from tests.shops.catalogue import ITEMS
from tests.shops.renderings.cells import MONEY, Cell, column, money_cell
from tests.shops.renderings.parts import ROW_DATES
from tests.shops.renderings.way import Way

# Sums of these mean something; unit prices have no sum, nor have values repeated on each line
_SUMMED = ("amount", "discount", "shipping", "line_total", "qty", "refunded_qty")
_PRINTED, _LIST_PRICE = "2026-10-04", "1234.50"


@dataclass(frozen=True)
class Grid:
    """The rows of one file; ``header_row`` counts from 1 and is the first of two lines."""

    rows: list[Sequence[Cell]]
    header_row: int
    body: frozenset[int]  # places in ``rows``


@lru_cache
def header_words() -> Mapping[tuple[str, str, str], str]:
    """Headers by set, record and column; columns of no record have the record ""."""
    with Path(__file__).with_name("headers.csv").open(encoding="utf-8", newline="") as file:
        return {
            (kind, row["record"], row["column"]): word
            for row in csv.DictReader(file, delimiter=";")
            for kind, word in row.items()
            if kind not in ("record", "column")
        }


def headers_of(way: Way, record: str, names: Sequence[str], number: int) -> list[str]:
    """The header of each column in the file with this number; "" where it has none."""
    words, kind = header_words(), way.headers_of(number)
    return [
        ""
        if way.nameless.get(record) == name
        else words.get((kind, record, name)) or words[kind, "", name]
        for name in names
    ]


def names_of(way: Way, record: str, rows: pa.Table) -> list[str]:
    """Our names of the columns of a file, in their order; extras stand in among them."""
    names = list(rows.column_names)
    for place, extra in enumerate(way.extras if "sku" in names else ()):
        names.insert(1 + 2 * place, extra)
    turn = way.turn if record == "orders" else 0
    return names[turn:] + names[:turn]


def grid_of(
    way: Way, record: str, rows: pa.Table, number: int, period: tuple[str, str], zone: ZoneInfo
) -> Grid:
    """The cells of the file with this number of a source."""
    whole = _with_extras(way, rows)
    names = names_of(way, record, rows)
    headers = _header_rows(way, record, headers_of(way, record, names, number))
    cells = [column(way, record, whole, name, zone) for name in names]
    if way.trailing:
        cells.append([""] * len(rows))
        headers = [[*header, ""] for header in headers]
    begin, end = period
    grid: list[Sequence[Cell]] = [
        [title.format(record=record, begin=begin, end=end)] if title else [] for title in way.titles
    ]
    header_row = len(grid) + 1
    grid += headers
    body = []
    for place, row in enumerate(zip(*cells, strict=True)):
        if place and way.blank_rows and place % way.blank_rows == 0:
            grid.append([] if place // way.blank_rows % 2 else [""] * len(row))
        if place and place == way.repeat_header:
            grid += headers
        body.append(len(grid))
        grid.append(row)
    if way.totals and record not in ("rates", "quotes"):
        grid.append(_totals(way, names, rows))
    return Grid(grid, header_row, frozenset(body))


def period_of(record: str, tables: Mapping[str, pa.Table]) -> tuple[str, str]:
    """The period that an export states: orders to their last day, all others to a month's end.

    Orders are known up to their last row, and stating more would promise more.
    """
    days = {
        name: [cell[:10] for cell in table[ROW_DATES[name]].to_pylist()]
        for name, table in tables.items()
        if name in ROW_DATES
    }
    first = min(days.get(record, days["orders"]))
    if record == "orders":
        return first, max(days["orders"])
    last = max(map(max, days.values()))
    ends = {"02": "28", "04": "30", "06": "30", "09": "30", "11": "30"}
    return f"{first[:7]}-01", f"{last[:7]}-{ends.get(last[5:7], '31')}"


def _with_extras(way: Way, rows: pa.Table) -> pa.Table:
    """The columns that nobody needs, where a row is about goods."""
    items = {item.sku: item.name for item in ITEMS}
    for extra in way.extras if "sku" in rows.column_names else ():
        if extra == "description":
            texts = [items.get(sku.upper(), "") for sku in rows["sku"].to_pylist()]
        else:
            texts = [_PRINTED if extra == "printed_on" else _LIST_PRICE] * len(rows)
        rows = rows.append_column(extra, pa.array(texts, pa.string()))
    return rows


def _header_rows(way: Way, record: str, headers: list[str]) -> list[list[Cell]]:
    if record not in way.two_lines:
        return [list(headers)]
    split = [header.partition(" ") for header in headers]
    upper: list[Cell] = [first if last else "" for first, _, last in split]
    return [upper, [last or first for first, _, last in split]]


def _totals(way: Way, names: Sequence[str], rows: pa.Table) -> list[Cell]:
    """The last row: a label, and the sums of the columns as they are written."""
    credit = [False] * len(rows)
    if way.negative and "kind" in rows.column_names:
        credit = [kind == "credit" for kind in rows["kind"].to_pylist()]
    out: list[Cell] = []
    for name in names:
        texts = rows[name].to_pylist() if name in _SUMMED else []
        signed = name in MONEY and name != "amount"
        parts = [
            -Decimal(cell) if signed and back else Decimal(cell)
            for cell, back in zip(texts, credit, strict=False)
            if cell
        ]
        total = str(sum(parts)) if parts else ""
        out.append(money_cell(way, name, total, "EUR") if name in MONEY else total)
    out[0] = way.totals
    return out
