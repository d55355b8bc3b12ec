"""The first sheet, one printed page: whether to trust it, the money, and what to do first."""

from __future__ import annotations

import textwrap
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from reconcile.money import minor_digits
from reconcile.report.action_sheets import LIST_WORK, Worked, sheet_name, urgency
from reconcile.report.cells import Kind
from reconcile.report.contents import LINE_STATES, LISTS, SEVERITIES, Contents
from reconcile.report.layout import FIRST_ROW, cell
from reconcile.report.standing import STEPS, ready, since, steps, trust
from reconcile.report.summary import CAUTION
from reconcile.report.totals import TOTALS, money_rows

_URGENT = 10
# What decides what is urgent, and what is shown of it
_RANKED = ("severity", "class", "currency", "amount_minor", "amount_home_minor", "due_by")
_OF_EACH = (
    *("id", "title", "class", "list", "currency", "amount_minor", "due_by", "order_ref"),
    "supplier",
)
_MONEY_ROWS = 12
_LINE = 128  # characters that a line of the page holds
# The widths of the page's columns, in characters; every table stands on this grid.
WIDTHS = (11, 15, 10, 9, 17, 15, 14, 17, 18, 11)
CLASS_MEANING = {
    "stop": "not paid yet, hold it",
    "claim": "paid, you may get it back",
    "owed": "you owe it",
    "at-risk": "may be lost",
    "timing": "nothing lost yet",
    "info": "for information",
}
_STATE_MEANING = {
    "to-pay": "The supplier has to be paid",
    "to-ship": "Paid; the supplier has to ship",
    "no-tracking": "Sent without tracking number",
    "to-post": "Tracking number to be posted",
    "unfunded": "The customer has not paid",
    "unknown": "Cannot be told from these files",
    "in-transit": "On its way",
    "delivered": "With the customer",
    "refunded": "Paid back in full",
    "cancelled": "Called off",
}


@dataclass(frozen=True)
class Value:
    """One cell of the page: where, what, and how; a ``formula`` works ``value`` out anew."""

    row: int
    column: int
    value: Any
    kind: Kind | str = "text"
    digits: int = 0
    formula: str = ""
    link: str = ""


@dataclass(frozen=True)
class Page:
    """The cells of the first sheet, the row from which the charts stand, and the last row."""

    cells: list[Value]
    charts_from: int


def first_page(contents: Contents, work: Worked, totals_rows: int) -> Page:
    """The page to read at breakfast; ``totals_rows``: how many rows the sheet of totals has."""
    page = _Page(contents, work, totals_rows)
    page.head()
    page.money()
    page.urgent()
    page.beside()
    return Page(page.cells, page.row)


class _Page:
    def __init__(self, contents: Contents, work: Worked, totals_rows: int) -> None:
        self.contents, self.work, self.totals_rows = contents, work, totals_rows
        found = contents.exceptions
        self.open_at = np.flatnonzero(found["verdict"] == "open")
        self.to_act = found[list(_RANKED)].iloc[self.open_at]
        self.cells: list[Value] = []
        self.row = 1

    def put(self, column: int, value: object, kind: str = "text", **more: Any) -> None:
        self.cells.append(Value(self.row, column, value, kind, **more))

    def lines(self, text: str, kind: str = "line") -> None:
        for line in textwrap.wrap(text, _LINE) or [""]:
            self.put(1, line, kind)
            self.row += 1

    def headings(self, *named: tuple[int, str, bool]) -> None:
        """Headings on a dark bar over all columns from the first to the last named."""
        for column, heading, right in named:
            self.put(column, heading, "heading-right" if right else "heading")
        self.row += 1

    def end_row(self, first: int, last: int) -> None:
        """The line below a row goes on under its empty cells."""
        filled = {value.column for value in self.cells if value.row == self.row}
        for column in range(first, last + 1):
            if column not in filled:
                self.put(column, "", "blank")
        self.row += 1

    def head(self) -> None:
        contents = self.contents
        name = textwrap.shorten(_plain(contents.shop), 60, placeholder="…")
        self.put(1, f"{name}: what to do on {contents.as_of.isoformat()}", "title")
        self.row += 1
        self.lines(CAUTION)
        self.row += 1
        self.put(1, "Can this be trusted?", "note")
        self.row += 1
        for line in trust(contents):
            self.lines(line)
        self.row += 1

    def money(self) -> None:
        rows = self.to_act[self.to_act["amount_minor"].notna()]
        money = money_rows(rows, ["class", "currency"])
        before = self.contents.night_before
        self.put(1, since(self.contents), "note")
        self.row += 1
        if money.empty and not len(self.contents.moves):
            self.lines("No money is open.")
            self.row += 1
            return
        moved = steps(money, self.contents.moves)
        names = ["Class", "Open now", "Currency", "Rows", "", "", "", "", "", ""]
        if before is not None:
            names[4:9] = [f"On {before}", "New", "Changed", "Cleared", "Not open now"]
        self.headings(*((at, name, at in (2, 4, 5, 6, 7, 8, 9)) for at, name in _numbered(names)))
        for step in moved.head(_MONEY_ROWS).to_dict("records"):
            self._money_row(step)
        if len(moved) > _MONEY_ROWS:
            self.lines(
                f"and {len(moved) - _MONEY_ROWS} more classes and currencies: sheet {TOTALS}"
            )
        used = [name for name in CLASS_MEANING if name in set(moved["class"])]
        self.lines("; ".join(f"{name}: {CLASS_MEANING[name]}" for name in used) + ".", "small")
        self.row += 1

    def _money_row(self, step: Mapping[Hashable, Any]) -> None:
        currency, last = str(step["currency"]), FIRST_ROW + self.totals_rows - 1
        digits = minor_digits(currency) or 0
        of = [f"{cell(TOTALS, f'${c}$', FIRST_ROW)}:${c}${last}" for c in ("B", "C", "I", "H")]
        test = f"{of[0]},A{self.row},{of[1]},C{self.row}"
        self.put(1, step["class"])
        known = self.totals_rows > 0
        now = f"ROUND(SUMIFS({of[2]},{test}),{digits})" if known else ""
        count = f"SUMIFS({of[3]},{test})" if known else ""
        self.put(2, step["now"], "amount", digits=digits, formula=now)
        self.put(3, currency)
        self.put(4, step["count"], "number", formula=count)
        if self.contents.night_before is not None:
            for column, name in enumerate(STEPS, start=5):
                self.put(column, step[name], "amount", digits=digits)
        self.end_row(1, len(WIDTHS))

    def urgent(self) -> None:
        order = urgency(self.to_act)
        severity, found = pd.factorize(self.to_act["severity"])
        rank = np.array([SEVERITIES.index(name) for name in found], dtype=np.int64)[severity]
        first = np.argsort(rank[order], kind="stable")
        at = self.open_at[order[first[:_URGENT]]]
        rows = self.contents.texts.rows(self.contents.exceptions, at, _OF_EACH)
        if rows.empty:
            self.put(1, "There is nothing to do.", "note")
            self.row += 2
            return
        what = f"The most urgent decisions: {len(rows)} of {len(self.to_act):,}"
        self.put(1, what, "note")
        self.row += 1
        names = (
            "Due by",
            "Amount",
            "Currency",
            "Class",
            "Order",
            "Supplier",
            "What",
            "",
            "",
            "List",
        )
        self.headings(*((at, name, name == "Amount") for at, name in _numbered(names)))
        for row in rows.to_dict("records"):
            digits = minor_digits(str(row["currency"])) or 0
            self.put(1, row["due_by"], "date")
            self.put(2, row["amount_minor"], "amount", digits=digits)
            for column, name in ((3, "currency"), (4, "class"), (5, "order_ref"), (6, "supplier")):
                self.put(column, _short(row[name], WIDTHS[column - 1]))
            self.put(7, _short(row["title"], sum(WIDTHS[6:9])))
            self.put(10, row["list"], "link", link=self._place(str(row["id"]), str(row["list"])))
            self.end_row(1, len(WIDTHS))
        self.row += 1

    def _place(self, id_: str, of: str) -> str:
        at = self.work.shown.loc[self.work.shown["id"] == id_, "at"]
        return cell(sheet_name(of), "A", int(at.iloc[0])) if len(at) else ""

    def beside(self) -> None:
        """The lists on the left, the order lines by state on the right."""
        top = self.row
        self._lists()
        left, self.row = self.row, top
        self._states()
        self.row = max(left, self.row) + 1

    def _lists(self) -> None:
        self.put(1, "What to work through", "note")
        self.row += 1
        self.headings(
            (1, "List", False), (2, "What it is", False), (3, "", False), (4, "", False),
            (5, "Open", True), (6, "Earliest due", False),
        )  # fmt: skip
        for name in LISTS:
            rows = self.work.lists.get(name)
            there = rows is not None
            link = cell(sheet_name(name), "A", 1) if there else ""
            self.put(1, name, "link" if there else "text", link=link)
            self.put(2, LIST_WORK[name])
            self.put(5, 0 if rows is None else len(rows), "number")
            self.put(6, pd.NaT if rows is None else rows["due_by"].min(), "date")
            self.end_row(1, 6)
        for line in ready(self.contents):
            self.put(1, line, "small")
            self.row += 1

    def _states(self) -> None:
        lines = self.contents.order_lines
        counts = lines.counts("state")
        self.put(7, f"Order lines by state: {len(lines):,}", "note")
        self.row += 1
        self.headings((7, "State", False), (8, "What it means", False), (9, "", False),
                      (10, "Lines", True))  # fmt: skip
        for name in LINE_STATES:
            self.put(7, name)
            self.put(8, _STATE_MEANING[name])
            self.put(10, counts.get(name, 0), "number")
            self.end_row(7, 10)


def _numbered(names: Sequence[str]) -> Iterator[tuple[int, str]]:
    return enumerate(names, start=1)


def _plain(text: str) -> str:
    return "".join(sign if sign.isprintable() else " " for sign in text)


def _short(value: object, width: int) -> str:
    """A text that fits; the whole of it is on its list."""
    plain = _plain(str(value))
    return plain if len(plain) <= width else f"{plain[: width - 1]}…"
