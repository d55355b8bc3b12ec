"""Evidence: file and row of each record behind an exception."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.checks.catalogue import Rule
from reconcile.joined import joined_texts

_SHOWN = 12  # rows of one record that a cell names; a bulk payment's orders are many
_SELF = {"payments": "payments", "shipments": "shipments", "order_lines": "orders"}

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
    out = pd.Series("", index=found.index, dtype="str")
    wanted = np.unique(found["supplier_order"].to_numpy())
    behind = {
        record: _by_supplier_order(record, wanted, places)
        for record in ("orders", "invoices", "payments", "shipments")
        if record in places.rows
    }
    for name, mine in found.groupby("rule"):
        rule = rules[str(name)]
        text = pd.Series("", index=mine.index, dtype="str")
        if "self" in rule.evidence:
            text = _own(rule, mine, tables, places)
        for record in rule.evidence:
            if record == _SELF.get(rule.table.name) == "shipments":
                text = _joined(text, _own(rule, mine, tables, places))
            elif record == "quotes":
                text = _joined(text, _quote(rule, mine, tables, places))
            elif record == "candidates":
                text = _joined(text, _gathered(places.links[record], mine, places))
            elif record in behind:
                here = mine["supplier_order"].map(behind[record]).astype("str").fillna("")
                text = _joined(text, here)
        out[mine.index] = text
    return out


def rows_behind_orders(wanted: np.ndarray, places: Places) -> pd.Series:
    """The rows of orders, invoices and payments behind supplier orders, by their number."""
    out = pd.Series("", index=wanted, dtype="str")
    for record in ("orders", "invoices", "payments"):
        if record in places.rows:
            found = _by_supplier_order(record, wanted, places)
            out = _joined(out, pd.Series(wanted, index=wanted).map(found).astype("str").fillna(""))
    return out


def _joined(left: pd.Series, right: pd.Series) -> pd.Series:
    between = np.where((left != "") & (right != ""), "; ", "")
    return (left + between + right).astype("str")


def _text(places: Places, rows: pd.DataFrame) -> pd.Series:
    files = np.array(places.files, dtype=object)[rows["file"].to_numpy(np.int64)]
    return pd.Series(files, index=rows.index, dtype="str") + " row " + rows["row"].astype("str")


def _by_supplier_order(record: str, wanted: np.ndarray, places: Places) -> pd.Series:
    """Text of the rows behind each supplier order that has an exception."""
    link = places.links[record]
    link = link[np.isin(link["supplier_order"].to_numpy(), wanted[wanted >= 0])]
    return _few(_rows_of(record, link["supplier_order"], link["row_id"], places), record)


def _rows_of(record: str, owner: pd.Series, row_id: pd.Series, places: Places) -> pd.DataFrame:
    rows = places.rows[record].iloc[row_id.to_numpy()]
    return pd.DataFrame(
        {
            "owner": owner.to_numpy(),
            "file": np.array(places.files, dtype=object)[rows["file"].to_numpy(np.int64)],
            "row": rows["row"].to_numpy(),
            "text": _text(places, rows).to_numpy(),
        }
    )


def _few(frame: pd.DataFrame, record: str) -> pd.Series:
    """The first places of each owner, and how many more there are."""
    frame = frame.sort_values(["owner", "file", "row"])
    nth = frame.groupby("owner").cumcount()
    few = frame[nth < _SHOWN]
    shown = joined_texts(few["owner"], few["text"])
    more = frame.groupby("owner").size() - _SHOWN
    more = more[more > 0]
    shown[more.index] = shown[more.index] + "; and " + more.astype("str") + f" more {record} rows"
    return shown


def _quote(
    rule: Rule, mine: pd.DataFrame, tables: Mapping[str, pd.DataFrame], places: Places
) -> pd.Series:
    """The quote that stands against each row; blank where there is none."""
    quote = tables[rule.table.name]["quote_row"].to_numpy()[mine["at"].to_numpy()]
    text = pd.Series("", index=mine.index, dtype="str")
    found = quote >= 0
    text[found] = _text(places, places.rows["quotes"].iloc[quote[found]]).to_numpy()
    return text


def _own(
    rule: Rule, mine: pd.DataFrame, tables: Mapping[str, pd.DataFrame], places: Places
) -> pd.Series:
    """The row that the exception is about itself."""
    rows = tables[rule.table.name].iloc[mine["at"].to_numpy()]
    if rule.table.name in _GATHERED:
        return _gathered(places.links[rule.table.name], mine, places)
    if "evidence" in rows:
        return rows["evidence"].set_axis(mine.index)
    text = pd.Series("", index=mine.index, dtype="str")
    record = rows["record"] if "record" in rows else pd.Series(rule.table.name, index=rows.index)
    for name in sorted(set(record)):
        here = (record == name).to_numpy()
        at = places.rows[name].iloc[rows["row_id"].to_numpy()[here]]
        text[here] = _text(places, at).to_numpy()
    return text


def _gathered(link: pd.DataFrame, mine: pd.DataFrame, places: Places) -> pd.Series:
    """The rows that each exception of several rows is made of, record by record."""
    out = pd.Series("", index=mine.index, dtype="str")
    for record, rows in link[link["at"].isin(mine["at"])].groupby("record", sort=True):
        found = _rows_of(str(record), rows["at"], rows["row_id"], places)
        here = mine["at"].map(_few(found, str(record))).astype("str").fillna("")
        out = _joined(out, here)
    return out
