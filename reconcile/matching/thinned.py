"""What is left of a matched portion once its rules have run: what its exceptions stand on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from reconcile.matching.columns import Bools, Ints, has
from reconcile.matching.match import Matched
from reconcile.matching.union import OF_TABLE, SMALL
from reconcile.pieces import InMemory

_NAMES = ["store", "order_ref", "key"]
# What is asked of the rows of tables once they were judged: where they stand, and what can be paid
# or posted
_ASKED = ("record", "row_id", "supplier_order")
_MORE = {
    "supplier_orders": (
        *("order", "payable", "unpaid_rest", "pending", "undecided", "unread_row"),
        *("paid_in_other_currency", "invoice_awaited", "perhaps_paid", "not_ruled_out"),
    ),
    "order_lines": ("first_number", "carrier"),
}
_GATHERED = ("possible_doubles", "candidates")


def thinned(found: Matched, at: Mapping[str, Ints]) -> tuple[Matched, dict[str, Ints]]:
    """A portion without what is asked no more; and the new places of rows, by table.

    ``at``: rows of the fact tables that exceptions stand on. Of the supplier orders among them
    every row stays, in whatever currency. Names of orders, lines, proofs, links of records and
    what is added up over all portions stay whole.
    """
    chosen = {name: _chosen(name, frame, at) for name, frame in found.tables.items()}
    moved = {name: np.where(keep, np.cumsum(keep) - 1, -1) for name, keep in chosen.items()}
    tables = {
        name: frame if name == SMALL else _asked(name, frame)[chosen[name]].reset_index(drop=True)
        for name, frame in found.tables.items()
    }
    links = dict(found.links)
    for name in _GATHERED:
        place = moved[OF_TABLE.get(name, name)][links[name]["at"].to_numpy(np.int64)]
        links[name] = links[name].assign(at=place)[place >= 0].reset_index(drop=True)
    owners = tables["supplier_orders"]["supplier_order"].to_numpy(np.int64)
    kept = replace(
        found,
        tables=tables,
        links=links,
        named=InMemory(found.orders[_NAMES]),
        places={
            name: frame if name == "quotes" else frame[_placed(name, frame, links, owners)]
            for name, frame in found.places.items()
        },
        shares=found.shares.iloc[:0],
        line_amounts=found.line_amounts[:0],
        line_rows=found.line_rows[:0],
    )
    return kept, moved


def _asked(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    return frame[[each for each in (*_ASKED, *_MORE.get(name, ())) if each in frame]]


def _chosen(name: str, frame: pd.DataFrame, at: Mapping[str, Ints]) -> Bools:
    if name == SMALL:
        return np.ones(len(frame), dtype=bool)
    keep = has(at.get(name, np.zeros(0, dtype=np.int64)), len(frame))
    if name == "supplier_orders":
        owner = frame["supplier_order"].to_numpy(np.int64)
        keep = has(owner[keep], int(owner.max(initial=-1)) + 1)[owner]
    return keep


def _placed(
    name: str, frame: pd.DataFrame, links: Mapping[str, pd.DataFrame], owners: Ints
) -> Bools:
    """Places are asked for once more: of invoices behind supplier orders and small differences."""
    if name != "invoices":
        return np.zeros(len(frame), dtype=bool)
    link = links["invoices"]
    mine = link.loc[link["supplier_order"].isin(owners), "row_id"]
    return has(pd.concat([mine, links[SMALL]["row_id"]]).to_numpy(np.int64), len(frame))
