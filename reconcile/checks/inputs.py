"""What the input rules look at: one row per thing that is wrong with the files themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.empty import without_rows

_TEXTS = ("about", "order_ref", "sku", "supplier", "document", "detail", "evidence")
_NOTHING = without_rows(dict.fromkeys(_TEXTS, "str") | {"found": "int64", "dated": "datetime64[s]"})
_SHOWN = 20  # places named in one line of evidence; all of them are in the lists


@dataclass(frozen=True)
class Told:
    """What intake found wrong with the files, as it gives it."""

    rejected: pd.DataFrame
    changes: pd.DataFrame
    totals: pd.DataFrame
    gaps: pd.DataFrame


def input_table(
    told: Told,
    collisions: pd.DataFrame,
    conflicts: pd.DataFrame,
    files: list[str],
    as_of: np.datetime64,
) -> pd.DataFrame:
    """The fact table ``inputs``, with ``order``, ``supplier_order``, ``currency``, ``evidence``.

    ``collisions`` and ``conflicts`` are matching's.
    """
    pieces = [
        _rejected(told.rejected, as_of) if len(told.rejected) else _NOTHING,
        _changed(told.changes) if len(told.changes) else _NOTHING,
        _totals(told.totals, as_of) if len(told.totals) else _NOTHING,
        _gaps(told.gaps) if len(told.gaps) else _NOTHING,
        _conflicts(conflicts, files) if len(conflicts) else _NOTHING,
        _collisions(collisions, as_of) if len(collisions) else _NOTHING,
    ]
    out = pd.concat(pieces, ignore_index=True)[list(_NOTHING.columns)]
    for name in _TEXTS:
        out[name] = out[name].fillna("").astype("str")
    out["found"] = out["found"].astype("int64")
    out["dated"] = out["dated"].astype("datetime64[s]")
    return out.assign(order=-1, supplier_order=-1, currency="")


def _rejected(rejected: pd.DataFrame, as_of: np.datetime64) -> pd.DataFrame:
    grouped = rejected.groupby("source", sort=True)
    first = rejected[(grouped.cumcount() < _SHOWN).to_numpy()]
    places = _place(first["file"], first["row"]).groupby(first["source"], sort=True)
    out = pd.DataFrame({"found": grouped.size(), "evidence": places.agg("; ".join)})
    out = out.rename_axis("document").reset_index()
    more = out["found"] - _SHOWN
    out["evidence"] += ("; and " + more.astype("str") + " more").where(more > 0, "")
    out["about"] = "rows-rejected"
    out["detail"] = (
        out["found"].astype("str")
        + np.where(out["found"] == 1, " row", " rows")
        + " of the source "
        + out["document"]
        + " could not be read and had to be left out: see the rejected rows."
    )
    return out.assign(dated=as_of)


def _place(file: pd.Series, row: pd.Series) -> pd.Series:
    return file.astype("str") + " row " + row.astype("str")


def _changed(changes: pd.DataFrame) -> pd.DataFrame:
    old, new = (
        _place(changes[file], changes[row])
        for file, row in (("file", "row"), ("by_file", "by_row"))
    )
    document = changes["invoice_no"].where(changes["invoice_no"] != "", changes["payment_ref"])
    out = changes[["order_ref", "sku", "supplier"]].assign(document=document, found=1)
    out["about"] = "repeat-changed"
    out["dated"] = changes["date"]
    out["evidence"] = new + "; " + old
    out["detail"] = (
        "Two exports show this row with different content; "
        + new
        + (" counts, as the newer one, and not " + old)
        + "."
    )
    return out


def _totals(totals: pd.DataFrame, as_of: np.datetime64) -> pd.DataFrame:
    out = pd.DataFrame(
        {
            "document": totals["file"] + ": " + totals["column"],
            "evidence": _place(totals["file"], totals["row"]),
            "detail": (
                "The file states a total of "
                + totals["stated"]
                + (" for " + totals["column"])
                + (", and its rows that can be read add up to " + totals["found"] + ".")
            ),
        }
    )
    return out.assign(about="totals-differ", found=1, dated=as_of)


def _gaps(gaps: pd.DataFrame) -> pd.DataFrame:
    first = (gaps["after"] + np.timedelta64(1, "D")).dt.strftime("%Y-%m-%d")
    last = (gaps["before"] - np.timedelta64(1, "D")).dt.strftime("%Y-%m-%d")
    out = pd.DataFrame(
        {
            "document": gaps["source"],
            "evidence": gaps["file"],
            "detail": (
                "No file of the source "
                + gaps["source"]
                + (" covers " + first + " to " + last)
                + ("; " + gaps["days"].astype("int64").astype("str"))
                + np.where(gaps["days"] == 1, " day is missing.", " days are missing.")
            ),
            "found": gaps["days"].astype("int64"),
            "dated": gaps["before"].astype("datetime64[s]"),
        }
    )
    return out.assign(about="stale-source")


def _conflicts(conflicts: pd.DataFrame, files: list[str]) -> pd.DataFrame:
    names = np.array([*files, ""], dtype=object)
    place = _place(
        pd.Series(names[conflicts["file"].to_numpy(np.int64)], index=conflicts.index, dtype="str"),
        conflicts["row"],
    )
    out = pd.DataFrame({"order_ref": conflicts["order_ref"], "found": 1, "evidence": place})
    out["about"] = "repeat-changed"
    out["detail"] = (
        "The rows of this order in one export give different values for the whole order; "
        "the first row's count."
    )
    return out.drop_duplicates("order_ref").assign(dated=np.datetime64("NaT", "s"))


def _collisions(collisions: pd.DataFrame, as_of: np.datetime64) -> pd.DataFrame:
    out = collisions[["order_ref", "store"]].assign(document=collisions["key"], found=1)
    others = collisions.groupby(["store", "key"])["order_ref"].transform(
        lambda refs: " and ".join(sorted(refs))
    )
    out["about"] = "key-collision"
    out["detail"] = (
        "The references " + others + " of one store are the same once cleaned; "
        "each is matched by its exact text only."
    )
    out["evidence"] = ""
    return out.assign(dated=as_of)
