"""The rows behind exceptions, as digests: by them a later night knows whether they still stand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.digests import Ints, each_once
from reconcile.memory.rows import FILES, Rows

_RECORD_OF = {"order_lines": "orders", "invoice_lines": "invoices"}


@dataclass(frozen=True)
class Behind:
    """The rows behind exceptions: of each exception how many, and the rows of one after another.

    ``rows``: ``key`` and ``last`` of each row, as ``Rows`` has them.
    """

    count: Ints
    rows: pd.DataFrame

    def of(self, exceptions: Ints) -> tuple[Behind, Ints]:
        """Those of some exceptions, and for each row the place of its exception in them."""
        count = self.count[exceptions]
        owner = np.repeat(np.arange(len(exceptions)), count)
        within = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
        first = np.cumsum(self.count) - self.count
        rows = self.rows.take(first[exceptions][owner] + within)
        return Behind(count, rows.reset_index(drop=True)), owner

    def with_more(self, other: Behind) -> Behind:
        """These exceptions and then others."""
        count = np.concatenate([self.count, other.count])
        return Behind(count, pd.concat([self.rows, other.rows], ignore_index=True))


NONE_BEHIND = Behind(np.empty(0, np.int64), pd.DataFrame({"key": [], "last": []}, dtype=np.int64))


def behind_open(found: pd.DataFrame, tables: Mapping[str, pd.DataFrame], rows: Rows) -> Behind:
    """The rows that open exceptions are made of; of others none.

    All rows of the supplier order, and the row itself or the rows that were gathered; of what is
    wrong with the input its files.
    """
    at = np.flatnonzero(found["verdict"] == "open")
    to_act = found[["supplier_order", "table", "at"]].iloc[at].set_index(at)
    pairs = _rows_behind(to_act, tables, rows)
    # By key, so that their order in the files does not matter
    by_key, place = _by_key(pairs["row"].to_numpy(np.int64), rows)
    size = max(len(by_key), 1)
    each = each_once(pairs["exception"].to_numpy(np.int64) * size + place)
    exception, place = np.divmod(each, size)
    count = np.asarray(np.bincount(exception, minlength=len(found)), dtype=np.int64)
    return Behind(count, by_key.take(place).reset_index(drop=True))


def _by_key(row: Ints, rows: Rows) -> tuple[pd.DataFrame, Ints]:
    """``key`` and ``last`` of some rows, each row once and by key, and where each stands there."""
    place = np.full(len(rows.digests), -1, dtype=np.int64)
    place[row] = 0
    distinct = np.flatnonzero(place == 0)
    digests = pd.DataFrame({name: rows.of(name, distinct) for name in ("key", "last")})
    order = np.argsort(digests["key"].to_numpy(), kind="stable")
    place[distinct[order]] = np.arange(len(order))
    return digests.take(order), place[row]


def _rows_behind(
    found: pd.DataFrame, tables: Mapping[str, pd.DataFrame], rows: Rows
) -> pd.DataFrame:
    """Exceptions (their labels) and their rows: ``exception``, ``row``."""
    of_order = found["supplier_order"] >= 0
    owned = found.loc[of_order, ["supplier_order"]].rename_axis("exception").reset_index()
    of_orders = rows.of_orders(owned["supplier_order"].to_numpy(np.int64))
    pieces = [owned.merge(of_orders, on="supplier_order")[["exception", "row"]]]
    for table in sorted(found["table"].unique()):
        frame = tables[table]
        asked = found.loc[found["table"] == table, ["at"]].rename_axis("exception").reset_index()
        gathered = rows.links.get(table)
        if gathered is not None and "at" in gathered:
            asked = asked.merge(gathered, on="at")
        elif "row_id" in frame:
            at = asked["at"].to_numpy()
            asked["row_id"] = frame["row_id"].to_numpy()[at]
            asked["record"] = _RECORD_OF.get(table, table)
            if "record" in frame:
                asked["record"] = frame["record"].array.take(at)
        elif table == "inputs":
            evidence = frame["evidence"].to_numpy()[asked["at"].to_numpy()]
            asked = _files_named(asked.assign(evidence=evidence), pd.Series(rows.files))
        else:
            continue
        begin = asked["record"].astype("str").map(dict(rows.begin))
        asked["row"] = asked["row_id"].astype("Int64") + begin.astype("Int64")
        asked = asked.dropna(subset=["row"])
        pieces.append(asked[["exception", "row"]].astype({"row": "int64"}))
    return pd.concat(pieces, ignore_index=True)


def _files_named(asked: pd.DataFrame, files: pd.Series) -> pd.DataFrame:
    """The files that the evidence of input exceptions names, as rows of the record of files."""
    places = asked["evidence"].str.split("; ").explode()
    names = places.str.replace(r" row \d+$", "", regex=True)
    at = names.map(pd.Series(np.arange(len(files)), index=files)[~files.duplicated().to_numpy()])
    out = asked[["exception"]].join(at.dropna().astype("int64").rename("row_id"), how="inner")
    return out.assign(record=FILES)
