"""The sheets after those to work through: what waits or was cleared, what was read, the rules."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.joined import are_among, in_one_piece, side_by_side
from reconcile.report.action_sheets import (
    Worked,
    evidence_sheets,
    filled,
    list_sheets,
    urgency,
)
from reconcile.report.cells import Column
from reconcile.report.contents import LINE_STATES, Contents
from reconcile.report.figures import figures_sheet
from reconcile.report.layout import Sheet, limited
from reconcile.report.totals import totals_sheet

_FINISHED = ("delivered", "refunded", "cancelled")
_NOT_OPEN = {
    "waiting": "Exceptions that are not due yet, or wait for a pending payment or an invoice",
    "unknown": "Exceptions that these files cannot decide",
    "follows": "Symptoms of other exceptions; settle the cause first",
    "accepted": "Exceptions that a decision covers",
}
_CAUSE = {
    "unknown": Column("What is missing", "cause", "prose", width=28),
    "follows": Column("Cause", "cause", width=28),
    "accepted": Column("Decision", "cause", "prose", width=40),
}
_MONEY = [
    Column("Amount", "amount_minor", "amount", "currency"),
    Column("Currency", "currency"),
    Column("Class", "class"),
]
_ABOUT = [
    Column("Order", "order_ref", width=18),
    Column("SKU", "sku", width=18),
    Column("Supplier", "supplier", width=16),
    Column("Document", "document", width=22),
]


def sheets(contents: Contents, work: Worked) -> list[Sheet]:
    """All sheets after the first, in their order; what has no rows has no sheet."""
    lines, of = lines_shown(contents)
    lists = list_sheets(work, contents)
    found = [
        *lists,
        *(_verdict(contents, name) for name in _NOT_OPEN),
        _cleared(contents),
        totals_sheet(work.lists, lists),
        _order_lines(lines, of, contents),
        *evidence_sheets(work, lines, contents),
        _proofs(contents),
        _inputs(contents),
        _sums(contents),
        _rejected(contents),
        _notes(contents),
        _rules(contents),
        figures_sheet(contents),
    ]
    return [sheet for sheet in found if len(sheet.blocks[0].rows)]


def _verdict(contents: Contents, verdict: str) -> Sheet:
    found, most = contents.exceptions, contents.report_rows
    mine = (found["verdict"] == verdict).to_numpy(dtype=bool)
    order = urgency(found.loc[mine, ["due_by", "amount_home_minor", "amount_minor"]])
    rows = contents.texts.rows(found, np.flatnonzero(mine)[order[:most]])
    cause = [_CAUSE[verdict]] if verdict in _CAUSE else []
    shown = [
        Column("Due by", "due_by", "date"),
        *_MONEY,
        Column("What", "title", "prose", width=28),
        *filled(_ABOUT, found.loc[mine, [column.source for column in _ABOUT]]),
        *cause,
        Column("Explanation", "explanation", "prose", width=54),
        Column("Change", "change"),
        Column("First seen", "first_seen"),
        Column("Evidence", "evidence", "prose", width=60),
        Column("Rule", "rule", width=24),
        Column("Id", "id", width=40),
    ]
    what, name = _NOT_OPEN[verdict], verdict.capitalize()
    rest, of = "exceptions.csv", len(order)
    block = limited(what, "", shown, rows, name, most=most, rest=rest, of=of)
    return Sheet(name, [block], printed=len(shown) - 5)


def _cleared(contents: Contents) -> Sheet:
    shown = [
        *_MONEY,
        Column("What", "title", "prose", width=28),
        *_ABOUT,
        Column("Cleared by", "reason", "prose", width=40),
        Column("Rows that cleared it", "evidence_of", "prose", width=60),
        Column("List", "list"),
        Column("Rule", "rule", width=24),
        Column("Id", "id", width=40),
    ]
    what = f"Open on {contents.night_before}, and cleared since"
    most = contents.report_rows
    block = limited(what, "", shown, contents.cleared, "Cleared", most=most, rest="history.db")
    return Sheet("Cleared", [block], printed=len(shown) - 2)


def lines_shown(contents: Contents) -> tuple[pd.DataFrame, int]:
    """Order lines that are not finished or have an exception, those to act on first.

    As many as a sheet holds, and how many there are.
    """
    found, most = contents.exceptions, contents.report_rows
    shown, size = pd.DataFrame(), 0
    for piece in contents.order_lines.pieces():
        at = _to_show(piece, found)
        size += len(at)
        first = piece.iloc[at[_first_to_act(piece, at)[:most]]]
        shown = pd.concat([shown, first], ignore_index=True) if len(shown) else first
    return shown.iloc[_first_to_act(shown, np.arange(len(shown)))[:most]], size


def _to_show(lines: pd.DataFrame, found: pd.DataFrame) -> NDArray[np.int64]:
    """The lines that are not finished, or have an exception, or whose whole order has one."""
    state, names = pd.factorize(lines["state"])
    finished = np.array([name in _FINISHED for name in names], dtype=bool)
    wanted = ~finished[state] if len(names) else np.zeros(0, dtype=bool)
    # Few finished lines are of an order with an exception, and only these are looked at closely.
    others = np.flatnonzero(~wanted)
    there = np.flatnonzero(are_among(found["order_ref"], lines["order_ref"].iloc[others]))
    mine = found[["order_ref", "sku"]].iloc[there]
    others = others[are_among(lines["order_ref"].iloc[others], mine["order_ref"])]
    here = lines[["order_ref", "sku"]].iloc[others]
    whole = mine.loc[mine["sku"] == "", "order_ref"]
    wanted[others] = are_among(_both(here), _both(mine)) | are_among(here["order_ref"], whole)
    return np.flatnonzero(wanted)


def _first_to_act(lines: pd.DataFrame, at: NDArray[np.int64]) -> NDArray[np.int64]:
    """The order of some lines by state and day; else as they stand."""
    rank = {name: place for place, name in enumerate(LINE_STATES)}
    state, names = pd.factorize(lines["state"])
    ranks = np.array([*(rank.get(str(name), len(rank)) for name in names), len(rank)])
    return np.lexsort((lines["ordered_date"].to_numpy()[at], ranks[state[at]]))


def _both(rows: pd.DataFrame) -> pd.Series:
    """Order and SKU as one text."""
    order, sku = (in_one_piece(rows[name]) for name in ("order_ref", "sku"))
    return pd.Series(side_by_side(order, sku, between="\x1f"), dtype="str")


def _open_exceptions(lines: pd.DataFrame, contents: Contents) -> pd.Series:
    """How many open exceptions are about each line, or about its whole order."""
    found, keys = contents.exceptions, ["order_ref", "sku"]
    mine = (found["verdict"] == "open") & are_among(found["order_ref"], lines["order_ref"])
    to_act = found.loc[mine, keys]
    by_line = to_act.groupby(keys, observed=True).size().rename("own")
    whole = to_act[to_act["sku"] == ""].groupby("order_ref", observed=True).size().rename("whole")
    counts = lines[keys].join(by_line, on=keys).join(whole, on="order_ref")
    own, of_order = (counts[name].astype("Int64").fillna(0) for name in ("own", "whole"))
    return own + of_order.where(lines["sku"] != "", 0)


def _order_lines(lines: pd.DataFrame, of: int, contents: Contents) -> Sheet:
    shown = [
        Column("State", "state"),
        Column("Order", "order_ref", width=18),
        Column("Store", "store", width=14),
        Column("Line", "line_no"),
        Column("SKU", "sku", width=18),
        Column("Open exceptions", "found", "number"),
        Column("Supplier", "supplier", width=16),
        Column("Ordered on", "ordered_date", "date"),
        Column("Units ordered", "ordered", "number"),
        Column("Units live", "live", "number"),
        Column("Units billed", "billed", "number"),
        Column("Units shipped", "shipped", "number"),
        Column("Tracking number posted", "posted", width=26),
        Column("Delivered on", "delivered_date", "date"),
        Column("Amount agreed", "agreed_minor", "amount", "currency"),
        Column("Amount billed", "billed_minor", "amount", "currency"),
        Column("Amount paid", "paid_minor", "amount", "currency"),
        Column("Currency", "currency"),
    ]
    what = (
        f"Order lines that are not finished or have an exception, of {len(contents.order_lines):,} "
        "in order_lines.csv"
    )
    most, rest = contents.report_rows, "order_lines.csv"
    shown = filled(shown, lines)
    lines = lines.assign(found=_open_exceptions(lines, contents))
    block = limited(what, "", shown, lines, "OrderLines", most=most, rest=rest, of=of)
    return Sheet("Order lines", [block])


def _proofs(contents: Contents) -> Sheet:
    shown = [
        Column("Unit", "unit"),
        Column("What has to be equal", "proof", "prose", width=70),
        Column("Left", "left", "amount", "unit"),
        Column("Right", "right", "amount", "unit"),
        Column("Holds", "holds", "yes-no"),
    ]
    what = "Proofs that no row and no amount is lost"
    most = contents.report_rows
    block = limited(what, "", shown, contents.proofs, "Proofs", most=most, rest="summary.json")
    return Sheet("Proof", [block])


def _inputs(contents: Contents) -> Sheet:
    shown = [
        Column("Source", "source", width=22),
        Column("File", "file", "prose", width=52),
        Column("Rows in it", "rows", "number"),
        Column("Header", "header", "number"),
        Column("Blank", "blank", "number"),
        Column("Totals", "totals", "number"),
        Column("Repeats", "repeats", "number"),
        Column("Rejected", "rejected", "number"),
        Column("Later", "later", "number"),
        Column("Accepted", "accepted", "number"),
        Column("Covers up to", "covered_to"),
        Column("Record", "record"),
        Column("How it was read", "format", "prose", width=60),
        Column("Sheet", "sheet", width=20),
        Column("SHA-256", "sha256", width=66),
    ]
    what = "Files, and where each of their rows went"
    most = contents.report_rows
    block = limited(what, "", shown, contents.files, "Files", most=most, rest="summary.json")
    return Sheet("Inputs", [block], printed=13)


def _sums(contents: Contents) -> Sheet:
    shown = [
        Column("Source", "source", width=22),
        Column("File", "file", "prose", width=52),
        Column("Column", "column", width=20),
        Column("Rows", "rows", "number"),
        Column("Sum", "sum_minor", "amount", "currency"),
        Column("Currency", "currency"),
    ]
    what = "Sums of the accepted rows"
    most = contents.report_rows
    block = limited(what, "", shown, contents.sums, "InputSums", most=most, rest="summary.json")
    return Sheet("Input sums", [block])


def _rejected(contents: Contents) -> Sheet:
    rows = contents.rejected
    shown = [
        Column("Source", "source", width=22),
        Column("File", "file", width=40),
        Column("Sheet", "sheet", width=20),
        Column("Row", "row", "number" if pd.api.types.is_numeric_dtype(rows["row"]) else "text"),
        Column("Column", "column", width=24),
        Column("Text found", "text", "prose", width=40),
        Column("Expected", "expected", "prose", width=40),
    ]
    what = "Cells for which rows were rejected; these rows are in no figure of this report"
    most, rest = contents.report_rows, "rejected_rows.csv"
    block = limited(what, "", shown, rows, "RejectedRows", most=most, rest=rest)
    return Sheet("Rejected rows", [block])


def _notes(contents: Contents) -> Sheet:
    shown = [
        Column("Source", "source", width=22),
        Column("File", "file", width=40),
        Column("Sheet", "sheet", width=20),
        Column("Row", "row", "number"),
        Column("Column", "column", width=24),
        Column("Text found", "text", "prose", width=40),
        Column("What was found", "why", "prose", width=40),
    ]
    what = "What else was found in files and cells; row 0 is the whole file"
    most = contents.report_rows
    block = limited(what, "", shown, contents.notes, "Notes", most=most, rest="summary.json")
    return Sheet("Notes", [block])


def _rules(contents: Contents) -> Sheet:
    rows = contents.rules.assign(marked=contents.rules["changed"].map({True: "CHANGED", False: ""}))
    shown = [
        Column("Rule", "rule", width=24),
        Column("What", "title", width=40),
        Column("Severity", "severity"),
        Column("Class", "class"),
        Column("List", "list"),
        Column("Settings", "settings", "prose", width=60),
        Column("By the shop", "marked"),
    ]
    most = contents.report_rows
    block = limited("Rules in force", "", shown, rows, "Rules", most=most, rest="the rule files")
    return Sheet("Rules", [block])
