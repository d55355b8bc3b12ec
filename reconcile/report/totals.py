"""Totals that a workbook works out itself, and what they have to come to."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.money import Ints, minor_digits, whole_numbers
from reconcile.report.cells import Column
from reconcile.report.contents import MONEY_CLASSES
from reconcile.report.layout import FIRST_ROW, Block, Sheet, cell, heading_rows

TOTALS = "Totals"
_GROUP = ["class", "currency"]


def money_rows(rows: pd.DataFrame, keys: list[str], here: int = 0) -> pd.DataFrame:
    """Rows counted and their amounts added up, by keys: ``count``, ``amount_minor`` (none: 0).

    The classes in their order, then the currencies. With ``count_here`` and ``sum_here`` of so
    many of the first rows.
    """
    codes = [pd.factorize(rows[key], sort=True) for key in keys]
    group = np.zeros(len(rows), dtype=np.int64)
    for code, names in codes:
        group = group * len(names) + code
    groups, first, of = np.unique(group, return_index=True, return_inverse=True)
    minor = whole_numbers(rows["amount_minor"])
    named = {
        key: [str(name) for name in names[code[first]]]
        for key, (code, names) in zip(keys, codes, strict=True)
    }
    rank = {name: place for place, name in enumerate(MONEY_CLASSES)}
    place = [rank.get(name, len(rank)) for name in named["class"]]
    order = sorted(range(len(groups)), key=lambda at: (place[at], named["currency"][at]))
    numbers = {
        "count": np.bincount(of, minlength=len(groups)),
        "amount_minor": _added(minor, of, len(groups)),
        "count_here": np.bincount(of[:here], minlength=len(groups)),
        "sum_here": _added(minor[:here], of[:here], len(groups)),
    }
    columns = {
        key: pd.Series([names[at] for at in order], dtype="str") for key, names in named.items()
    }
    none = np.zeros(len(groups), dtype=bool)
    return pd.DataFrame(
        columns
        | {name: pd.arrays.IntegerArray(found[order], none) for name, found in numbers.items()}
    )


def _added(minor: Ints, of: NDArray[np.intp], groups: int) -> Ints:
    out = np.zeros(groups, dtype=np.int64)
    np.add.at(out, of, minor)
    return out


def list_totals(name: str, rows: pd.DataFrame, here: pd.DataFrame, *, has_money: bool) -> Block:
    """The totals at the foot of a list's sheet, over the rows that stand there.

    Without money one count; else the amounts under the column of the amounts.
    """
    last = FIRST_ROW + len(here) - 1
    title = f"{name.capitalize()}Totals"
    note = "Totals of this sheet" + (
        f"; the other {len(rows) - len(here):,} rows are on the sheet {TOTALS}"
        if len(rows) > len(here)
        else ""
    )
    if not has_money:
        table = pd.DataFrame({"what": ["all"], "count": [len(here)]})
        table["count_f"] = f"ROWS(A{FIRST_ROW}:A{last})"
        shown = [Column("Total", "what"), Column("Rows", "count", "number", formula="count_f")]
        return Block(note, shown, table.astype({"count": "Int64"}), title, filtered=False)
    # The sheet's groups are those of the whole list, so that each has its row under Totals.
    table = money_rows(rows, _GROUP, len(here)).assign(what="all")
    of_class = f"D${FIRST_ROW}:D${last}"
    of_currency = f"C${FIRST_ROW}:C${last}"
    first = last + 4  # an empty row, the note and the headings stand between
    at = [str(first + place) for place in range(len(table))]
    table["count_f"] = [f"SUMPRODUCT(({of_class}=D{row})*({of_currency}=C{row}))" for row in at]
    table["sum_f"] = [
        f"ROUND(SUMIFS(B${FIRST_ROW}:B${last},{of_class},D{row},{of_currency},C{row}),{digits})"
        for row, digits in zip(at, _digits(table["currency"]), strict=True)
    ]
    table.loc[table["currency"] == "", "sum_here"] = pd.NA
    shown = [
        Column("Total", "what"),
        Column("Amount", "sum_here", "amount", "currency", formula="sum_f"),
        Column("Currency", "currency"),
        Column("Class", "class"),
        Column("Rows", "count_here", "number", formula="count_f"),
    ]
    return Block(note, shown, table, title, filtered=False)


def _digits(currency: pd.Series) -> list[int]:
    return [minor_digits(str(code)) or 0 for code in currency]


def totals_sheet(lists: dict[str, pd.DataFrame], sheets: list[Sheet]) -> Sheet:
    """What is open by list, class and currency: on the sheets, in the CSV only, and in all.

    ``lists``: all rows of each list; ``sheets``: its sheet, in the same order.
    """
    parts = []
    for (name, rows), sheet in zip(lists.items(), sheets, strict=True):
        table, foot = sheet.blocks
        parts.append(
            _of_list(name, rows, table.rows, sheet.name, foot, heading_rows(sheet.blocks)[1])
        )
    rows = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    at = [str(FIRST_ROW + place) for place in range(len(rows))]
    if parts:
        digits = _digits(rows["currency"])
        rows["all_f"] = [f"D{row}+F{row}" for row in at]
        rows["sum_f"] = [f"ROUND(E{row}+G{row},{n})" for row, n in zip(at, digits, strict=True)]
        rows["agrees_f"] = [f'IF(AND(H{row}=J{row},I{row}=K{row}),"yes","NO")' for row in at]
        rows["agrees"] = "yes"
    shown = [
        Column("List", "list"),
        Column("Class", "class"),
        Column("Currency", "currency"),
        Column("Rows on the sheet", "count_here", "number", formula="here_f"),
        Column("Amount on the sheet", "sum_here", "amount", "currency", formula="sum_here_f"),
        Column("Rows in the CSV only", "count_rest", "number"),
        Column("Amount in the CSV only", "sum_rest", "amount", "currency"),
        Column("Rows in all", "count", "number", formula="all_f"),
        Column("Amount in all", "amount_minor", "amount", "currency", formula="sum_f"),
        Column("Rows in exceptions.csv", "count", "number"),
        Column("Amount in exceptions.csv", "amount_minor", "amount", "currency"),
        Column("Agrees", "agrees", formula="agrees_f"),
    ]
    note = "What is open, by list, class and currency; the sheets against exceptions.csv"
    if not parts:
        note = "Nothing is open."
    return Sheet(TOTALS, [Block(note, shown, rows, "OpenTotals")])


def _of_list(
    name: str, rows: pd.DataFrame, here: pd.DataFrame, sheet: str, foot: Block, heading: int
) -> pd.DataFrame:
    out = money_rows(rows, _GROUP, len(here)).assign(list=name)
    out["count_rest"] = out["count"] - out["count_here"]
    out["sum_rest"] = out["amount_minor"] - out["sum_here"]
    bare = out["currency"] == ""
    out.loc[bare, ["sum_here", "sum_rest", "amount_minor"]] = pd.NA
    if any(column.source == "sum_here" for column in foot.columns):
        at = [heading + 1 + place for place in range(len(out))]
        out["here_f"] = [cell(sheet, "E", row) for row in at]
        out["sum_here_f"] = [cell(sheet, "B", row) for row in at]
    else:  # no amounts: one count of the rows, whatever their class
        last = FIRST_ROW + len(here) - 1
        rows_of = f"ROWS({cell(sheet, 'A', FIRST_ROW)}:A{last})"
        out["here_f"] = rows_of
        out["sum_here_f"] = "0"
    return out
