"""The first sheet: what to do today, and whether the figures can be trusted."""

from __future__ import annotations

import pandas as pd

from reconcile.report.cells import Column
from reconcile.report.contents import LINE_STATES, LISTS, Contents
from reconcile.report.sheets import Block, Sheet
from reconcile.report.summary import CAUTION, money_by, money_in_order

_URGENT = 10
_LIST_WORK = {
    "hold": "Do not pay: hold these back",
    "pay": "Not paid, or not in full",
    "chase": "Ask the supplier",
    "claim": "Ask for the money back",
    "post": "Give the customer the tracking number",
    "refund": "Pay the customer back",
    "collect": "Ask the customer for the rest",
    "check": "Look at these before you decide",
    "": "On no list",
}
_SAFE_TO_PAY = "Of all supplier orders, safe to pay now"
_READY_TO_POST = "Tracking numbers ready to post"
_CLASS_MEANING = {
    "stop": "Not paid yet; hold it",
    "claim": "Paid; you may get it back",
    "owed": "You owe it",
    "at-risk": "May be lost",
    "timing": "Nothing lost yet",
    "info": "For information",
}
_STATE_MEANING = {
    "to-pay": "The supplier has to be paid",
    "to-ship": "Paid; the supplier has to ship",
    "no-tracking": "Shipped without a tracking number",
    "to-post": "The customer has to be given the tracking number",
    "unfunded": "The customer has not paid",
    "unknown": "Cannot be told from these files",
    "in-transit": "On its way",
    "delivered": "With the customer",
    "refunded": "Paid back in full",
    "cancelled": "Called off",
}


def first_sheet(contents: Contents) -> Sheet:
    """The page to read at breakfast."""
    to_act = contents.exceptions[contents.exceptions["verdict"] == "open"]
    return Sheet(
        "Today",
        f"{contents.shop}: what to do on {contents.as_of.isoformat()}",
        [CAUTION, *_trust(contents)],
        [
            *_since(contents, to_act),
            _work(contents, to_act),
            _urgent(to_act),
            _money(to_act),
            _states(contents.order_lines),
        ],
    )


def _trust(contents: Contents) -> list[str]:
    """Whether the figures can be relied on, in sentences."""
    failed = contents.proofs[~contents.proofs["holds"].astype(bool)]
    rows, rejected = int(contents.files["rows"].sum()), int(contents.files["rejected"].sum())
    unknown = int((contents.exceptions["verdict"] == "unknown").sum())
    lines = [
        f"PROOF FAILED, do not act on this report: {failed['proof'].iloc[0]} (see Inputs)."
        if len(failed)
        else f"Every row is accounted for; proofs that hold: {len(contents.proofs)} of "
        f"{len(contents.proofs)}."
    ]
    if rejected:
        lines.append(
            f"Rows rejected, and in no figure: {rejected:,} of {rows:,} (see Rejected rows)."
        )
    else:
        lines.append(f"Rows rejected: none of {rows:,}.")
    if unknown:
        lines.append(f"Exceptions that these files cannot decide: {unknown:,} (see Unknown).")
    return lines


def _since(contents: Contents, to_act: pd.DataFrame) -> list[Block]:
    """What is new and what was cleared since the night before; nothing without one."""
    if contents.night_before is None:
        return []
    new = to_act[to_act["change"].isin(["new", "reopened"])]
    cleared = contents.cleared
    about = [
        Column("Order", "order_ref", width=18),
        Column("What", "title", "prose", width=40),
        Column("List", "list"),
        Column("Class", "class"),
        Column("Amount", "amount_minor", "amount", "currency"),
        Column("Currency", "currency"),
    ]
    found = [*about, Column("Due by", "due_by", "date"), Column("Change", "change", width=44)]
    gone = [
        *about,
        Column("By", "reason", "prose", width=40),
        Column("Rows", "evidence_of", width=44),
    ]
    since = f"since {contents.night_before.isoformat()}"
    return [
        Block(_counted(f"New {since}", len(new)), found, new.head(_URGENT)),
        Block(_counted(f"Cleared {since}", len(cleared)), gone, cleared.head(_URGENT)),
    ]


def _counted(what: str, count: int) -> str:
    """The heading of a block that shows some of its rows."""
    shown = f"{count:,}" if count <= _URGENT else f"the first {_URGENT} of {count:,}"
    return f"{what}: {shown if count else 'none'}"


def _work(contents: Contents, to_act: pd.DataFrame) -> Block:
    keys = ["list", "class", "currency"]
    open_work = money_by(to_act, keys).astype(dict.fromkeys(keys, "str"))
    open_work["work"] = open_work["list"].map(_LIST_WORK).fillna("")
    open_work["where"] = "sheet Open"
    written = open_work["list"].isin(set(LISTS) - {"pay", "post"})
    open_work.loc[written, "where"] = "lists/" + open_work["list"] + ".csv"
    pay = contents.pay.groupby("currency", as_index=False, observed=True).agg(
        count=("order_ref", "size"), amount_minor=("amount_minor", "sum"), due_by=("due_by", "min")
    )
    safe = pay.assign(list="pay", work=_SAFE_TO_PAY, where="lists/pay.csv")
    safe["class"] = "owed"
    post = pd.DataFrame(
        {"list": "post", "work": _READY_TO_POST, "where": "lists/post.csv", "class": "timing"},
        index=range(min(len(contents.post), 1)),
    ).assign(count=len(contents.post), currency="")
    rows = pd.concat([part for part in (open_work, safe, post) if len(part)] or [open_work])
    rank = {name: place for place, name in enumerate(LISTS)}
    order = rows["list"].map(rank).fillna(len(rank)).to_numpy().argsort(kind="stable")
    shown = [
        Column("List", "list"),
        Column("What it is", "work", "prose", width=40),
        Column("How many", "count", "number"),
        Column("Class", "class"),
        Column("Amount", "amount_minor", "amount", "currency"),
        Column("Currency", "currency"),
        Column("Earliest due", "due_by", "date"),
        Column("Where", "where", width=44),
    ]
    return Block("What to do" if len(rows) else "There is nothing to do.", shown, rows.iloc[order])


def _urgent(to_act: pd.DataFrame) -> Block:
    shown = [
        Column("Order", "order_ref", width=18),
        Column("What", "title", "prose", width=40),
        Column("Days old", "age_days", "number"),
        Column("Class", "class"),
        Column("Amount", "amount_minor", "amount", "currency"),
        Column("Currency", "currency"),
        Column("Due by", "due_by", "date"),
        Column("What to do", "action", "prose", width=60),
        Column("Supplier", "supplier", width=16),
        Column("Document", "document", width=22),
    ]
    rows = to_act.head(_URGENT)
    return Block(f"The most urgent: {len(rows)} of {len(to_act):,}", shown, rows)


def _money(to_act: pd.DataFrame) -> Block:
    rows = money_in_order(to_act[to_act["amount_minor"].notna()])
    rows = rows.assign(meaning=rows["class"].astype("str").map(_CLASS_MEANING).fillna(""))
    shown = [
        Column("Class", "class"),
        Column("What it means", "meaning", "prose", width=40),
        Column("How many", "count", "number"),
        Column("Currency", "currency"),
        Column("Amount", "amount_minor", "amount", "currency"),
    ]
    note = "Open money by class and currency; these are never added up"
    return Block(note if len(rows) else "No money is open.", shown, rows)


def _states(lines: pd.DataFrame) -> Block:
    counts = lines["state"].astype("str").value_counts()
    rows = pd.DataFrame(
        {
            "state": LINE_STATES,
            "meaning": [_STATE_MEANING[name] for name in LINE_STATES],
            "lines": [int(counts.get(name, 0)) for name in LINE_STATES],
        }
    )
    shown = [
        Column("State", "state"),
        Column("What it means", "meaning", "prose", width=40),
        Column("Lines", "lines", "number"),
    ]
    return Block(f"Order lines by state: {len(lines):,}", shown, rows[rows["lines"] > 0])
