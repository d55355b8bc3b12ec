"""The sheets to work through: one for each list, and where the evidence of each row stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.joined import in_one_piece, side_by_side
from reconcile.money import whole_numbers
from reconcile.report.cells import Column
from reconcile.report.contents import LISTS, Contents
from reconcile.report.layout import FIRST_ROW, Block, Sheet, cells, note_of
from reconcile.report.totals import list_totals

LIST_WORK = {
    "hold": "Do not pay: hold these back",
    "pay": "Not paid, or not in full",
    "chase": "Ask the supplier",
    "claim": "Ask for the money back",
    "post": "Give the customer the tracking number",
    "refund": "Pay the customer back",
    "collect": "Ask the customer for the rest",
    "check": "Look at these before you decide",
}
_WHAT = Column("What", "title", "prose", width=28)
_WHY = Column("Explanation", "explanation", "prose", width=54)
_DO = Column("What to do", "action", "prose", width=40)
_ORDER = Column("Order", "order_ref", width=18)
_SKU = Column("SKU", "sku", width=18)
_SUPPLIER = Column("Supplier", "supplier", width=16)
_DOCUMENT = Column("Document", "document", width=22)
# What a person needs who works through the list, after deadline and money
_COLUMNS = {
    "hold": [_SUPPLIER, _DOCUMENT, _ORDER, _SKU, _WHAT, _WHY, _DO],
    "pay": [
        _SUPPLIER,
        _ORDER,
        Column("In pay.csv", "ready", "yes-no"),
        Column("Invoice", "invoice_no", width=22),
        _WHAT,
        _WHY,
    ],
    "chase": [_SUPPLIER, _ORDER, _SKU, _DOCUMENT, _WHAT, _WHY, _DO],
    "claim": [_SUPPLIER, _ORDER, _SKU, _DOCUMENT, _WHAT, _WHY, _DO],
    "post": [
        _ORDER,
        _SKU,
        Column("Carrier", "carrier", width=18),
        Column("Tracking number to post", "tracking_no", width=26),
        _SUPPLIER,
        _WHAT,
        _WHY,
    ],
    "refund": [_ORDER, _WHAT, _WHY, _DO],
    "collect": [_ORDER, _WHAT, _WHY, _DO],
    "check": [
        Column("Severity", "severity"),
        _WHAT,
        _SUPPLIER,
        _ORDER,
        _SKU,
        _DOCUMENT,
        _WHY,
        _DO,
    ],
}
# What is counted of the rows of a list, and decides their order
_COUNTED = ("list", "class", "currency", "amount_minor", "amount_home_minor", "due_by")
_LAST = [Column("Change", "change"), Column("Evidence", "seen_at", "link", link="evidence_at")]


@dataclass(frozen=True)
class Worked:
    """Open exceptions as the lists show them.

    ``lists``: per list all of its rows, the most urgent first, with what is counted of them.
    ``shown``: those on the sheets, in the order of the lists, with ``sheet`` and ``at`` (its row
    there).
    """

    lists: dict[str, pd.DataFrame]
    shown: pd.DataFrame


def sheet_name(of: str) -> str:
    """What the sheet of a list is called."""
    return of.capitalize()


def urgency(rows: pd.DataFrame) -> NDArray[np.int64]:
    """The positions of rows by deadline, then by home money, the most first; else as they came.

    Money that no rate turns into the home currency comes after money that one does.
    """
    due = rows["due_by"].to_numpy().astype("datetime64[s]")
    money = [(rows[name].isna(), rows[name]) for name in ("amount_home_minor", "amount_minor")]
    keys = [np.isnat(due), due.astype(np.int64)]
    for unknown, minor in money:
        keys += [unknown.to_numpy(dtype=bool), -whole_numbers(minor)]
    return np.lexsort(keys[::-1])


def worked(contents: Contents) -> Worked:
    """The lists of what is open, and where each row of them stands."""
    found, most = contents.exceptions, contents.report_rows
    open_at = np.flatnonzero(found["verdict"] == "open")
    to_act = found[list(_COUNTED)].iloc[open_at].reset_index(drop=True)
    lists, parts = {}, [(np.zeros(0, dtype=np.int64), "")]
    for name in LISTS:
        mine = np.flatnonzero(to_act["list"] == name)
        if len(mine):
            mine = mine[urgency(to_act.iloc[mine])]
            lists[name] = to_act.iloc[mine]
            parts.append((open_at[mine[:most]], sheet_name(name)))
    sizes = [len(rows) for rows, _ in parts]
    shown = contents.texts.rows(found, np.concatenate([rows for rows, _ in parts]))
    shown["sheet"] = pd.Series(np.repeat([name for _, name in parts], sizes), dtype="str")
    shown["at"] = FIRST_ROW + np.concatenate([np.arange(size) for size in sizes])
    return Worked(lists, _with_lists(contents, shown))


def _with_lists(contents: Contents, to_act: pd.DataFrame) -> pd.DataFrame:
    """What pay.csv and post.csv add to an exception: its invoices, and what to post."""
    paid = _place_of(to_act, contents.pay)
    posted = _place_of(to_act, contents.post)
    return to_act.assign(
        ready=paid.is_valid().to_numpy(zero_copy_only=False),
        invoice_no=_at(contents.pay["invoice_no"], paid),
        carrier=_at(contents.post["carrier"], posted),
        tracking_no=_at(contents.post["tracking_no"], posted),
    )


def _place_of(rows: pd.DataFrame, table: pd.DataFrame) -> pa.Array:
    """Where each id first stands in a table, null where it does not."""
    mine, known = (_texts(frame["id"]) for frame in (rows, table))
    return pc.index_in(mine, value_set=known)


def _at(column: pd.Series, place: pa.Array) -> pd.Series:
    return pd.Series(pc.fill_null(_texts(column).take(place), ""), dtype="str")


def _texts(column: pd.Series) -> pa.Array:
    return in_one_piece(column.astype("str"))


def list_sheets(work: Worked, contents: Contents) -> list[Sheet]:
    """One sheet for each list that has rows, with its totals below."""
    most = contents.report_rows
    sheet, row = _evidence_places(len(work.shown), most)
    seen = pd.Series(side_by_side(sheet, ", row ", row), dtype="str")
    shown = work.shown.assign(evidence_at=cells(sheet, "A", row), seen_at=seen)
    out = []
    for name, rows in work.lists.items():
        here = shown[shown["sheet"] == sheet_name(name)]
        money = [
            Column("Amount", "amount_minor", "amount", "currency"),
            Column("Currency", "currency"),
            Column("Class", "class"),
        ]
        if rows["amount_minor"].isna().all() and len(set(rows["class"])) == 1:
            money = []
        about = [
            Column("Due by", "due_by", "date"), *money, *filled(_COLUMNS[name], here), *_LAST
        ]  # fmt: skip
        note = note_of(LIST_WORK[name], len(rows), most, _rest(name))
        table = Block(f"{note} Totals below.", about, here, f"{sheet_name(name)}List")
        totals = list_totals(name, rows, here, has_money=bool(money))
        out.append(Sheet(sheet_name(name), [table, totals]))
    return out


def filled(shown: list[Column], rows: pd.DataFrame) -> list[Column]:
    """The columns without those of texts that are blank in every row."""
    return [
        column
        for column in shown
        if column.kind not in ("text", "prose") or (rows[column.source] != "").any()
    ]


def _rest(name: str) -> str:
    return "exceptions.csv" if name in ("pay", "post") else f"lists/{name}.csv"


def _evidence_places(rows: int, most: int) -> tuple[pa.Array, pa.Array]:
    """Sheet and row of each row's evidence; a sheet holds no more than any other."""
    number, at = np.divmod(np.arange(rows), most)
    names = ["Evidence", *(f"Evidence {one}" for one in range(2, rows // most + 2))]
    return pa.array(names).take(pa.array(number)), pa.array(FIRST_ROW + at)


def evidence_sheets(work: Worked, lines: pd.DataFrame, contents: Contents) -> list[Sheet]:
    """The files and rows behind each row of a list, as many sheets as that takes.

    ``lines``: the order lines that have a sheet, in its order.
    """
    rows = work.shown
    rows = rows.assign(
        back=cells(in_one_piece(rows["sheet"]), "A", pa.array(rows["at"])),
        line_at=_line_places(rows, lines),
    )
    shown = [
        Column("List", "sheet", "link", link="back"),
        Column("Order", "order_ref", width=18, link="line_at"),
        Column("SKU", "sku", width=18),
        Column("What", "title", "prose", width=28),
        Column("Files and rows behind it", "evidence", "prose", width=80),
        Column("Happened", "event_date", "date"),
        Column("Days old", "age_days", "number"),
        Column("First seen", "first_seen"),
        Column("Severity", "severity"),
        Column("Rule", "rule", width=24),
        Column("Id", "id", width=40),
    ]
    most = contents.report_rows
    out = []
    for start in range(0, len(rows), most):
        part = rows.iloc[start : start + most]
        number = start // most + 1
        name = "Evidence" if number == 1 else f"Evidence {number}"
        note = f"Evidence of the rows of the lists: {len(part):,} of {len(rows):,}"
        block = Block(note, shown, part, name.replace(" ", ""))
        out.append(Sheet(name, [block], printed=9))
    return out


def _line_places(rows: pd.DataFrame, lines: pd.DataFrame) -> pd.Series:
    """Where each exception's order line stands, or its order's first line; blank if nowhere."""
    place = pd.DataFrame(
        {
            "order_ref": lines["order_ref"].array,
            "sku": lines["sku"].array,
            "at": cells("Order lines", "A", pa.array(FIRST_ROW + np.arange(len(lines)))),
        }
    )
    by_line = place.drop_duplicates(["order_ref", "sku"])
    by_order = place.drop_duplicates("order_ref")[["order_ref", "at"]]
    keys = rows[["order_ref", "sku"]].reset_index(drop=True)
    own = keys.merge(by_line, how="left", on=["order_ref", "sku"])["at"]
    any_line = keys.merge(by_order, how="left", on="order_ref")["at"]
    return own.astype("str").fillna(any_line.astype("str")).fillna("").set_axis(rows.index)
