"""Portions of the orders that were matched apart, put together again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.matching.columns import Ints
from reconcile.matching.match import INVOICED, Matched
from reconcile.matching.small_differences import added_up
from reconcile.matching.states import as_read
from reconcile.pieces import InMemory, InOrder, Pile, Tables

# The record that a row number of a table is of, where the table does not say it row by row.
_RECORD = {"orders": "orders", "sales": "orders", "payments": "payments", "shipments": "shipments"}
OF_TABLE = {"candidates": "payments"}  # whose rows a link stands for, where not its own table's
SMALL = "small_differences"


class Union:
    """Puts portions together, one after the other.

    Numbers of orders, supplier orders and rows of tables go on from portion to portion; rows of
    records get back the numbers that they have in the whole record. What is large waits on disk.
    """

    def __init__(self, folder: Path) -> None:
        """``folder``: what waits on disk is put there, and read from there later."""
        self._folder = folder
        self._found: list[Matched] = []
        self._starts: dict[str, int] = {}
        self._piles: dict[tuple[str, str], Pile] = {}
        self._line_orders: list[NDArray[np.int32]] = []

    def add(self, found: Matched, rows: Mapping[str, Ints]) -> dict[str, int]:
        """Take a portion whose records were the ``rows`` of the whole records.

        Gives back where its orders, supplier orders and the rows of its tables begin, by name.
        """
        starts = {name: self._starts.get(name, 0) for name in (*_COUNTED, *found.tables)}
        for name, frame in found.tables.items():
            self._starts[name] = starts[name] + len(frame)
            if name != SMALL:
                self._put("table", name, _renumbered(name, frame, rows, starts))
        for name, frame in found.links.items():
            if name != SMALL:
                self._put("link", name, _renumbered(name, frame, rows, starts))
        for what, several in (("orders", found.named), ("lines", found.lines)):
            for frame in several.pieces():
                self._put("all", what, frame)
        self._line_orders.append((found.line_orders + starts["order"]).astype(np.int32))
        self._starts["order"] = starts["order"] + len(found.named)
        self._starts["supplier_order"] = starts["supplier_order"] + _owners(found)
        self._found.append(_rest(found, rows, starts))
        return starts

    def _put(self, kind: str, name: str, frame: pd.DataFrame) -> None:
        if (kind, name) not in self._piles:
            self._piles[kind, name] = Pile(self._folder / f"{kind}-{name}.arrow")
        self._piles[kind, name].add(frame)

    def _tables(self, kind: str, held: pd.DataFrame) -> Tables:
        piles = {name: pile for (of, name), pile in self._piles.items() if of == kind}
        return Tables({SMALL: held}, piles)

    def whole(self) -> Matched:
        """Everything that was taken, as if it had been matched at once, but in other row order.

        Differences that pass line by line are added up over all portions. Nothing is said of
        single shares, lines and amounts of rows. Of ``places`` there are some rows only.
        """
        found, orders = self._found, self._piles["all", "orders"]
        small, behind = added_up(
            [one.tables[SMALL] for one in found], [one.links[SMALL] for one in found]
        )
        order = as_read(orders.whole(), np.concatenate(self._line_orders)).astype(np.int32)
        return replace(
            found[0],
            tables=self._tables("table", small),
            named=orders,
            links=self._tables("link", behind),
            places={
                name: _stacked([one.places[name] for one in found]).sort_index()
                if name != "quotes"
                else found[0].places[name]
                for name in found[0].places
            },
            lines=InOrder(self._piles["all", "lines"], order),
            collisions=_together([one.collisions for one in found]),
            conflicts=_together([one.conflicts for one in found]),
            proofs=_summed([one.proofs for one in found]),
        )


_COUNTED = ("order", "supplier_order")


def _owners(found: Matched) -> int:
    """How many supplier orders a portion has."""
    every = [*found.links.values(), found.tables["supplier_orders"]]
    numbers = [frame["supplier_order"].to_numpy() for frame in every if "supplier_order" in frame]
    return int(max(number.max(initial=-1) for number in numbers)) + 1


def _rest(found: Matched, rows: Mapping[str, Ints], starts: Mapping[str, int]) -> Matched:
    """What of a portion stays in memory, with the numbers of the whole."""
    link = found.links[SMALL]
    return replace(
        found,
        tables={SMALL: found.tables[SMALL]},
        named=InMemory(found.orders.iloc[:0]),
        links={SMALL: _renumbered(SMALL, link, rows, starts)},
        places={
            name: frame if name not in rows else frame.set_axis(rows[name][frame.index.to_numpy()])
            for name, frame in found.places.items()
        },
        lines=InMemory(pd.DataFrame()),
        line_orders=found.line_orders[:0],
    )


def _renumbered(
    name: str, frame: pd.DataFrame, rows: Mapping[str, Ints], starts: Mapping[str, int]
) -> pd.DataFrame:
    """A table or link with the whole's numbers of orders, supplier orders and rows."""
    changed: dict[str, Ints] = {}
    for each in _COUNTED:
        if each in frame:
            changed[each] = moved_on(frame[each], starts[each])
    if "at" in frame:
        changed["at"] = frame["at"].to_numpy(np.int64) + starts[OF_TABLE.get(name, name)]
    if "row_id" in frame:
        changed["row_id"] = _row_numbers(name, frame, rows)
    return frame.assign(**changed) if changed else frame


def moved_on(numbers: pd.Series, start: int) -> Ints:
    """Numbers that go on from where those of the portions before ended; -1 is none of them."""
    number = numbers.to_numpy(np.int64)
    return np.where(number >= 0, number + start, number)


def _row_numbers(name: str, frame: pd.DataFrame, rows: Mapping[str, Ints]) -> Ints:
    row = frame["row_id"].to_numpy(np.int64)
    if "record" not in frame:
        return np.asarray(_whole_rows(rows, _RECORD.get(name, name))[row])
    out, record = row.copy(), frame["record"].to_numpy()
    for each in pd.unique(record):
        mine = record == each
        out[mine] = _whole_rows(rows, str(each))[row[mine]]
    return out


def _whole_rows(rows: Mapping[str, Ints], record: str) -> Ints:
    """The numbers that rows have in the whole record; none where no source brings it."""
    return rows.get(record, np.zeros(0, dtype=np.int64))


def _stacked(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Frames of the same columns one below the other; an empty one decides no column's kind."""
    return pd.concat([frame for frame in frames if len(frame)] or [frames[0]])


def _together(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The same, numbered from 0."""
    return _stacked(frames).reset_index(drop=True)


def _summed(proofs: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The proofs of all portions added up, in the order of one that was matched at once."""
    every = pd.concat(proofs, ignore_index=True)
    named = pd.unique(every["proof"])
    every["after"] = (every["proof"] != INVOICED).to_numpy()
    every["nth"] = every["proof"].map({name: at for at, name in enumerate(named)})
    by = ["after", "unit", "nth", "proof"]
    out = every.groupby(by, as_index=False, sort=True).agg({"left": "sum", "right": "sum"})
    return out[["proof", "unit", "left", "right"]]
