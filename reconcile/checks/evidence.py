"""Evidence: file and row of each record behind an exception."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.checks.catalogue import Rule
from reconcile.checks.rows import Rows, text_of
from reconcile.joined import filled_parts, side_by_side

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
_SHOWN = 12  # rows of one record that a cell names; a bulk payment's orders are many
_SELF = {"payments": "payments", "shipments": "shipments", "order_lines": "orders"}

_BEHIND = ("orders", "invoices", "payments", "shipments")
_GATHERED = ("small_differences", "possible_doubles")


@dataclass(frozen=True)
class Places:
    """Where records stand.

    ``files`` by number, ``rows`` (``file``, ``row``) per record, and ``links`` (``row_id``,
    ``supplier_order``) per record; for the tables whose rows stand for several rows of records
    ``at``, ``record`` and ``row_id``.
    """

    files: tuple[str, ...]
    rows: Mapping[str, pd.DataFrame]
    links: Mapping[str, pd.DataFrame]


def evidence_of(
    found: pd.DataFrame,
    rules: Mapping[str, Rule],
    tables: Mapping[str, pd.DataFrame],
    places: Places,
) -> pd.Series:
    """The evidence of each exception, records in a fixed order, rows in order of file and row."""
    codes, names = pd.factorize(found["rule"])
    at, owner = (found[name].to_numpy(np.int64) for name in ("at", "supplier_order"))
    behind = {}
    for record in _BEHIND:
        asking = [record in rules[name].evidence for name in names]
        if record in places.rows and any(asking):
            behind[record] = _by_supplier_order(record, owner[np.array(asking)[codes]], places)
    texts, order = [], []
    for number, name in enumerate(names):
        rows = np.flatnonzero(codes == number)
        order.append(rows)
        texts.append(_of_rule(rules[name], at[rows], owner[rows], behind, tables, places))
    if not texts:
        return pd.Series("", index=found.index, dtype="str")
    back = np.empty(len(found), dtype=np.int64)
    back[np.concatenate(order)] = np.arange(len(found))
    whole = pa.concat_arrays(texts).take(pa.array(back))
    return pd.Series(whole, index=found.index, dtype="str")


def _of_rule(
    rule: Rule,
    at: Ints,
    owner: Ints,
    behind: Mapping[str, _Told],
    tables: Mapping[str, pd.DataFrame],
    places: Places,
) -> pa.Array:
    """The evidence of the exceptions of one rule: rows of its table, and their supplier orders."""
    parts = []
    if "self" in rule.evidence:
        parts.append(_own(rule, at, tables, places))
    for record in rule.evidence:
        if record == _SELF.get(rule.table.name) == "shipments":
            parts.append(_own(rule, at, tables, places))
        elif record == "quotes":
            parts.append(_quote(rule, at, tables, places))
        elif record == "candidates":
            parts.append(_gathered(places.links[record], at, places))
        elif record in behind:
            parts.append(behind[record].of(owner))
    return _joined(parts, len(at))


def rows_behind_orders(wanted: np.ndarray, places: Places) -> pd.Series:
    """The rows of orders, invoices and payments behind supplier orders, by their number."""
    parts = [
        _by_supplier_order(record, wanted, places).of(wanted)
        for record in ("orders", "invoices", "payments")
        if record in places.rows
    ]
    return pd.Series(_joined(parts, len(wanted)), index=wanted, dtype="str")


def _joined(parts: list[pa.Array], size: int) -> pa.Array:
    """The parts of each row that are not null, one after the other."""
    return filled_parts(*(parts or [pa.nulls(size, pa.large_string())]), between="; ")


@dataclass(frozen=True)
class _Told:
    """A text for each of some owners, by their numbers."""

    owners: Ints
    texts: pa.Array

    @cached_property
    def _places(self) -> Ints:
        """Where the text of each owner is, -1 where it has none, and at the end as well."""
        out = np.full(int(self.owners.max(initial=-1)) + 2, -1)
        out[self.owners] = np.arange(len(self.owners))
        return out

    def of(self, owner: Ints) -> pa.Array:
        """The text of each owner, null where there is none."""
        place = self._places[np.minimum(owner, len(self._places) - 1)]
        return self.texts.take(pa.array(place, mask=place < 0))


def _text(places: Places, file: Ints, row: Ints) -> pa.Array:
    names = pa.array(places.files, pa.large_string()).take(pa.array(file))
    return side_by_side(names, " row ", pa.array(row))


def _by_supplier_order(record: str, wanted: np.ndarray, places: Places) -> _Told:
    """Text of the rows behind each supplier order that is wanted."""
    owner, row_id = (places.links[record][name].to_numpy() for name in ("supplier_order", "row_id"))
    is_wanted = np.zeros(max(owner.max(initial=0), wanted.max(initial=0)) + 1, dtype=bool)
    is_wanted[wanted[wanted >= 0]] = True
    mine = is_wanted[np.maximum(owner, 0)] & (owner >= 0)
    return _few(record, owner[mine], row_id[mine], places)


def _few(record: str, owner: Ints, row_id: Ints, places: Places) -> _Told:
    """The first places of each owner, and how many more there are."""
    file, row = (places.rows[record][name].to_numpy()[row_id] for name in ("file", "row"))
    _, rank = np.unique(np.array(places.files, dtype=object), return_inverse=True)
    order = np.lexsort((row, rank[file], owner))
    owner, file, row = owner[order], file[order], row[order]
    first = np.flatnonzero(np.diff(owner, prepend=-1))
    owners, count = owner[first], np.diff(first, append=len(owner))
    shown = np.arange(len(owner)) - np.repeat(first, count) < _SHOWN
    ends = np.append(0, np.cumsum(np.minimum(count, _SHOWN)))
    lists = pa.LargeListArray.from_arrays(ends, _text(places, file[shown], row[shown]))
    texts = pc.binary_join(lists, pa.scalar("; ", pa.large_string()))
    more = pa.array(count - _SHOWN, mask=count <= _SHOWN)
    if more.null_count < len(more):
        said = pc.fill_null(side_by_side("; and ", more, f" more {record} rows"), "")
        texts = side_by_side(texts, said)
    return _Told(owners, texts)


def _quote(rule: Rule, at: Ints, tables: Mapping[str, pd.DataFrame], places: Places) -> pa.Array:
    """The quote that stands against each row; null where there is none."""
    quote = tables[rule.table.name]["quote_row"].to_numpy()[at]
    return _rows_of("quotes", quote, quote >= 0, places)


def _rows_of(record: str, row_id: Ints, known: Bools, places: Places) -> pa.Array:
    """The place of each row of a record; null where it is not known."""
    rows = places.rows[record]
    file, row = (rows[name].to_numpy()[row_id[known]] for name in ("file", "row"))
    place = np.cumsum(known) - 1
    return _text(places, file, row).take(pa.array(place, mask=~known))


def _own(rule: Rule, at: Ints, tables: Mapping[str, pd.DataFrame], places: Places) -> pa.Array:
    """The row that the exception is about itself."""
    if rule.table.name in _GATHERED:
        return _gathered(places.links[rule.table.name], at, places)
    rows = Rows(tables[rule.table.name], at)
    if "evidence" in rows:
        return _or_null(text_of(rows["evidence"]))
    row_id = rows["row_id"].to_numpy()
    if "record" not in rows:
        return _rows_of(rule.table.name, row_id, np.ones(len(at), dtype=bool), places)
    record = rows["record"]
    parts = [
        _rows_of(name, row_id, (record == name).to_numpy(dtype=bool), places)
        for name in sorted(record.unique())
    ]
    return _joined(parts, len(at))


def _gathered(link: pd.DataFrame, at: Ints, places: Places) -> pa.Array:
    """The rows that each exception of several rows is made of, record by record."""
    parts = [
        _few(str(record), rows["at"].to_numpy(), rows["row_id"].to_numpy(), places).of(at)
        for record, rows in link[link["at"].isin(at)].groupby("record", sort=True)
    ]
    return _or_null(_joined(parts, len(at)))


def _or_null(texts: pa.Array) -> pa.Array:
    return pc.if_else(pc.equal(texts, ""), None, texts)
