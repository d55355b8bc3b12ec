"""What each sheet of the workbook shows, as blocks of columns over tables."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from reconcile.report.cells import Column
from reconcile.report.chart import Chart
from reconcile.report.contents import LINE_STATES, VERDICTS, Contents

CAP = 20_000  # rows of a block; beyond this a person filters the CSV


@dataclass(frozen=True)
class Block:
    """A table on a sheet: a line above it, its columns, and its rows.

    ``note`` stands alone where there are no rows. ``rows`` are those shown, ``chart`` is drawn
    beside them.
    """

    note: str
    columns: list[Column]
    rows: pd.DataFrame
    chart: Chart | None = None


@dataclass(frozen=True)
class Sheet:
    """A sheet: its name, lines at the top, tables one below the other.

    A sheet of one table gets a filter and a header that stays in sight. ``printed`` is how many
    of its columns go on paper, 0 for all. ``one_page`` is one upright page, whatever is on it.
    """

    name: str
    title: str
    lines: list[str]
    blocks: list[Block]
    printed: int = 0
    one_page: bool = False


_NOTES = {
    "open": ("Open", "Open exceptions; act on these", "Nothing is open."),
    "waiting": ("Waiting", "Exceptions that are not due yet", "Nothing is waiting."),
    "unknown": (
        "Unknown",
        "Exceptions that these files cannot decide",
        "Nothing is unknown: the files could decide every rule.",
    ),
    "follows": (
        "Follows",
        "Symptoms of other exceptions; settle the cause first",
        "No exception follows from another.",
    ),
    "accepted": ("Accepted", "Exceptions that a decision covers", "Nothing has been accepted."),
}
_CAUSE = {"unknown": "What is missing", "follows": "Cause", "accepted": "Decision"}


def sheets(contents: Contents) -> list[Sheet]:
    """All sheets after the first, in their order."""
    out = [
        _exceptions(contents, verdict)
        for verdict in VERDICTS
        if verdict != "accepted" or (contents.exceptions["verdict"] == verdict).any()
    ]
    return [
        *out,
        _order_lines(contents),
        _inputs(contents),
        _rejected(contents),
        _notes(contents),
        _rules(contents),
    ]


def _exceptions(contents: Contents, verdict: str) -> Sheet:
    name, what, none = _NOTES[verdict]
    rows = contents.exceptions[contents.exceptions["verdict"] == verdict]
    cause = [Column(_CAUSE[verdict], "cause", width=28)] if verdict in _CAUSE else []
    shown = [
        Column("Due by", "due_by", "date"),
        Column("Severity", "severity"),
        Column("What", "title", width=26),
        Column("List", "list"),
        Column("Order", "order_ref", width=18),
        Column("SKU", "sku", width=18),
        Column("Supplier", "supplier", width=16),
        Column("Document", "document", width=22),
        Column("Amount", "amount_minor", "amount", "currency"),
        Column("Currency", "currency"),
        Column("Class", "class"),
        *cause,
        Column("Explanation", "explanation", "prose", width=52),
        Column("What to do", "action", "prose", width=44),
        Column(f"Amount in {contents.home_currency}", "amount_home_minor", "amount"),
        Column("Happened", "event_date", "date"),
        Column("Days old", "age_days", "number"),
        Column("Change", "change"),
        Column("First seen", "first_seen"),
        Column("Evidence", "evidence", "prose", width=60),
        Column("Rule", "rule"),
        Column("Id", "id", width=40),
    ]
    printed = len(shown) - 8
    return Sheet(name, "", [], [_capped(what, none, shown, rows, "exceptions.csv")], printed)


def _capped(what: str, none: str, shown: list[Column], rows: pd.DataFrame, elsewhere: str) -> Block:
    if not len(rows):
        return Block(none, shown, rows)
    note = f"{what}: {len(rows):,}."
    if len(rows) > CAP:
        note += (
            f" The first {CAP:,} are here, the most urgent first; "
            f"the other {len(rows) - CAP:,} are in {elsewhere} only."
        )
    return Block(note, shown, rows.head(CAP))


def _order_lines(contents: Contents) -> Sheet:
    lines = contents.order_lines
    rank = {name: place for place, name in enumerate(LINE_STATES)}
    state, names = pd.factorize(lines["state"])
    ranks = pd.Series([rank.get(str(name), len(rank)) for name in names], dtype="int64")
    order = pd.DataFrame(
        {"rank": ranks.to_numpy()[state], "date": lines["ordered_date"].to_numpy()}
    ).sort_values(["rank", "date"], kind="stable")
    shown = [
        Column("State", "state"),
        Column("Order", "order_ref", width=18),
        Column("Store", "store", width=14),
        Column("Line", "line_no"),
        Column("SKU", "sku", width=18),
        Column("Supplier", "supplier", width=16),
        Column("Ordered on", "ordered_date", "date"),
        Column("Ordered", "ordered", "number"),
        Column("Live", "live", "number"),
        Column("Billed", "billed", "number"),
        Column("Shipped", "shipped", "number"),
        Column("Tracking number posted", "posted", width=26),
        Column("Delivered on", "delivered_date", "date"),
        Column("Agreed", "agreed_minor", "amount", "currency"),
        Column("Billed amount", "billed_minor", "amount", "currency"),
        Column("Paid", "paid_minor", "amount", "currency"),
        Column("Currency", "currency"),
    ]
    rows = lines.iloc[order.index[:CAP]]
    block = _capped(
        "Order lines, those to act on first",
        "There are no order lines.",
        shown,
        lines,
        "order_lines.csv",
    )
    return Sheet("Order lines", "", [], [Block(block.note, shown, rows)])


def _inputs(contents: Contents) -> Sheet:
    proofs = [
        Column("Unit", "unit"),
        Column("What has to be equal", "proof", "prose", width=52),
        Column("Left", "left", "amount", "unit"),
        Column("Right", "right", "amount", "unit"),
        Column("Holds", "holds", "yes-no"),
    ]
    files = [
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
    sums = [
        Column("Source", "source", width=22),
        Column("File", "file", "prose", width=52),
        Column("Rows", "rows", "number"),
        Column("Sum", "sum_minor", "amount", "currency"),
        Column("Currency", "currency"),
        Column("Column", "column", width=20),
    ]
    parts = [
        ("Proofs that no row and no amount is lost", "No proof.", proofs, contents.proofs),
        ("Files, and where each of their rows went", "No file.", files, contents.files),
        ("Sums of the accepted rows", "No amounts were read.", sums, contents.sums),
    ]
    blocks = [_capped(*part, "summary.json") for part in parts]
    return Sheet("Inputs", "What was read", [], blocks, printed=13)


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
    none = "No row was rejected."
    block = _capped(what, none, shown, rows, "rejected_rows.csv")
    return Sheet("Rejected rows", "", [], [block])


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
    block = _capped(what, "Nothing else was found.", shown, contents.notes, "summary.json")
    return Sheet("Notes", "", [], [block])


def _rules(contents: Contents) -> Sheet:
    shown = [
        Column("Rule", "rule", width=24),
        Column("What", "title", width=40),
        Column("Severity", "severity"),
        Column("Class", "class"),
        Column("List", "list"),
        Column("Settings", "settings", "prose", width=50),
        Column("Changed by the shop", "changed", "yes-no"),
    ]
    block = _capped("Rules", "No rule was used.", shown, contents.rules, "the rule files")
    return Sheet("Rules", "", [], [block])
