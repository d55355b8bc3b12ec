"""Tonight against the night before: what is new, what was cleared and by what, what is gone.

An exception that is no longer found was cleared only where every row behind it still stands in
the files. Where one is missing nobody can tell: the exception stays, as unknown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.joined import joined_texts
from reconcile.memory.nights import Before, Run
from reconcile.memory.roll import moved, open_items

_OF_CLEARED = (
    "id", "rule", "title", "class", "list", "currency", "order_ref", "sku", "supplier", "document"
)  # fmt: skip
_SHOWN = 6  # places of rows that a cell names
GONE = "rows behind it are no longer in the files"
_GONE_SAID = (
    "Not found any more, but rows behind it are no longer in the files, or cannot be read, so that "
    "nobody can tell whether it was cleared. It was: "
)
_PAIR = 3  # whole numbers that are kept of a row: key, last of its whole, content


@dataclass(frozen=True)
class Rows:
    """The rows of tonight's files, and which of them stand behind what.

    ``rows``: every row as ``rows.digests`` gives it, ``shared`` the rows that many orders are
    compared with (``record``, ``file``, ``row``, ``content``), and ``files`` the names by which
    both are placed. ``links``: ``record``, ``row_id``, ``supplier_order``. ``behind``:
    ``exception`` (a position), ``record``, ``row_id``. ``telling``: by rule the records that it
    cannot do without. ``known``: contents that earlier nights have read.
    """

    rows: pd.DataFrame
    shared: pd.DataFrame
    files: tuple[str, ...]
    links: pd.DataFrame
    behind: pd.DataFrame
    telling: Mapping[str, tuple[str, ...]]
    known: NDArray[np.int64]

    def fresh(self, rows: pd.DataFrame) -> NDArray[np.bool_]:
        """Which rows no earlier night has read as they are."""
        return ~np.isin(rows["content"].to_numpy(np.int64), self.known)

    def places(self, rows: pd.DataFrame) -> pd.Series:
        """File and row of each row, as text; of a file its name."""
        names = np.array([*self.files, ""], dtype=object)
        file = pd.Series(names[rows["file"].to_numpy(np.int64)], index=rows.index, dtype="str")
        row = (" row " + rows["row"].astype("str")).where(rows["row"] > 0, "")
        return (file + row).astype("str")

    @property
    def contents(self) -> NDArray[np.int64]:
        """Everything that tonight's files say, each thing once."""
        both = [part["content"].to_numpy(np.int64) for part in (self.rows, self.shared)]
        return np.unique(np.concatenate(both))


@dataclass(frozen=True)
class Compared:
    """``found``: tonight's exceptions with what the history adds, and those that are gone.

    ``cleared``: exceptions of the night before that are no more, with ``reason`` and
    ``evidence_of``. ``moves``: the roll-forward of what is open, by class and currency.
    ``contents``: what tonight's rows say, as digests.
    """

    found: pd.DataFrame
    cleared: pd.DataFrame
    moves: pd.DataFrame
    open_items: pd.DataFrame
    contents: NDArray[np.int64]


def nothing_before(found: pd.DataFrame) -> Compared:
    """What a run without a history knows: tonight, and nothing else."""
    empty = moved(found.iloc[:0], found.iloc[:0].assign(change=""))
    names = (*_OF_CLEARED, "reason", "evidence_of")
    texts = {name: pd.Series(dtype="str") for name in names}
    cleared = pd.DataFrame(texts).assign(amount_minor=pd.Series(dtype="Int64"))
    return Compared(found, cleared, empty, open_items(found), np.empty(0, dtype=np.int64))


def carried(
    found: pd.DataFrame, before: Before, rows: Rows, run: Run, as_of: date
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Tonight's exceptions with those that are gone, and what was cleared since.

    Adds ``gone`` and ``behind`` to the exceptions, and ``reason`` and ``evidence_of`` to what was
    cleared.
    """
    out = found.reset_index(drop=True).assign(gone=False)
    out["behind"] = _packed(out, rows)
    last = before.seen
    stood = (last["verdict"] == "open") | last["gone"]
    ended = last[stood & ~last["id"].isin(out["id"])].reset_index(drop=True)
    held = _unpacked(ended)
    there = held["key"].isin(rows.rows["key"]) | held["last"].isin(rows.rows["part"])
    missing = np.unique(held["at"][~there.to_numpy()])
    gone, cleared = ended.iloc[missing], ended.drop(index=missing.tolist())
    if len(gone):
        out = pd.concat([out, _still_there(gone, rows, as_of)], ignore_index=True)
    return out, cleared.assign(**_cleared_by(cleared, held, rows, before, run))


def compared(
    found: pd.DataFrame, cleared: pd.DataFrame, before: Before, rows: Rows, as_of: date
) -> Compared:
    """Fill ``first_seen`` and ``change``, and add up what moved since the night before."""
    out = _changed(found, before, as_of)
    return Compared(out, cleared, moved(before.seen, out), open_items(out), rows.contents)


def _packed(found: pd.DataFrame, rows: Rows) -> pd.Series:
    """Digests of the rows behind what is open, as bytes; None for the others."""
    open_ = np.flatnonzero((found["verdict"] == "open").to_numpy())
    mine = rows.behind[rows.behind["exception"].isin(open_)]
    mine = mine.merge(rows.rows, on=["record", "row_id"])
    names = ["exception", "key", "last", "content"]
    mine = mine[names].drop_duplicates().sort_values(names)
    digests = np.ascontiguousarray(mine[names[1:]].to_numpy(np.int64).astype("<i8"))
    owners, begin = np.unique(mine["exception"].to_numpy(), return_index=True)
    out = pd.Series([None] * len(found), dtype=object)
    parts = np.split(digests, begin[1:]) if len(owners) else []
    # What has no row behind it, such as references that collide
    held = dict.fromkeys(open_.tolist(), b"")
    held |= {int(owner): part.tobytes() for owner, part in zip(owners, parts, strict=True)}
    out.iloc[list(held)] = list(held.values())
    return out


def _unpacked(ended: pd.DataFrame) -> pd.DataFrame:
    """The digests of each exception: ``at``, ``key``, ``last``, ``content``."""
    parts = [np.frombuffer(text, "<i8").reshape(-1, _PAIR) for text in ended["behind"]]
    digests = np.concatenate([np.empty((0, _PAIR), np.int64), *parts]).astype(np.int64)
    at = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    columns = dict(zip(("key", "last", "content"), digests.T, strict=True))
    return pd.DataFrame({"at": at, **columns})


def _still_there(gone: pd.DataFrame, rows: Rows, as_of: date) -> pd.DataFrame:
    """Exceptions whose rows are missing, as unknown as they were told last."""
    out = gone.drop(columns=["was_open"]).assign(verdict="unknown", gone=True)
    out["cause"] = _files_missing(gone["evidence"], rows.files)
    days = np.datetime64(as_of, "D") - out["event_date"].to_numpy().astype("datetime64[D]")
    unknown = out["event_date"].isna().to_numpy()
    age = np.where(unknown, 0, days.astype(np.int64))
    out["age_days"] = pd.arrays.IntegerArray(age, unknown)
    out["explanation"] = _GONE_SAID + out["explanation"]
    out["at"], out["supplier_order"] = -1, -1
    for name in ("verdict", "cause", "explanation"):
        out[name] = out[name].astype("str")
    return out


def _files_missing(evidence: pd.Series, files: tuple[str, ...]) -> pd.Series:
    """What is missing: the files of the evidence that are not there, where it is whole files."""
    places = evidence.str.split("; ").explode()
    places = places[places.str.contains(r" row \d+$")].str.replace(r" row \d+$", "", regex=True)
    lost = places[~places.isin(files)].rename_axis("at").reset_index().drop_duplicates()
    lost = lost.sort_values(["at", "evidence"])
    if lost.empty:
        return pd.Series(GONE, index=evidence.index, dtype="str")
    which = evidence.index.to_series().map(joined_texts(lost["at"], lost["evidence"], ", "))
    return (GONE + ("; missing: " + which).fillna("")).astype("str")


def _changed(out: pd.DataFrame, before: Before, as_of: date) -> pd.DataFrame:
    """``first_seen``, ``was_open`` and ``change`` of each exception.

    For what is open ``change`` is against what was open; for the rest against what was there.
    """
    last = before.seen.set_index("id")
    past = pd.concat([last[["first_seen", "was_open"]], before.earlier.set_index("id")])
    first = out["id"].map(past["first_seen"])
    out["first_seen"] = first.astype("str").where(first.notna(), str(as_of)).astype("str")
    once_open = out["id"].map(past["was_open"]).astype("Float64").fillna(0).astype(bool).to_numpy()
    is_open = (out["verdict"] == "open").to_numpy()
    out["was_open"] = once_open | is_open
    there = out["id"].isin(last.index).to_numpy()
    verdict = out["id"].map(last["verdict"]).astype("str").fillna("").to_numpy()
    stood = np.where(is_open, verdict == "open", there)
    ever = np.where(is_open, once_open, first.notna().to_numpy())
    amount = out["id"].map(last["amount_minor"]).astype("Int64")
    currency = out["id"].map(last["currency"]).astype("str").fillna("")
    equal = (amount == out["amount_minor"]).fillna(False) | (  # noqa: FBT003
        amount.isna() & out["amount_minor"].isna()
    )
    equal &= currency == out["currency"]
    same = np.where(equal.to_numpy(dtype=bool), "same", "amount")
    change = np.where(stood, same, np.where(ever, "reopened", "new"))
    out["change"] = pd.Series(change, index=out.index).astype("str")
    return out


def _cleared_by(
    cleared: pd.DataFrame, held: pd.DataFrame, rows: Rows, before: Before, now: Run
) -> dict[str, pd.Series]:
    """What cleared each exception, in words, and the places of the rows that did."""
    around = _around(held[held["at"].isin(cleared.index)], rows)
    fresh = around[rows.fresh(around)]
    fresh = _telling(fresh, cleared["rule"], rows.telling)
    place, what = _shown(fresh, rows)
    at = pd.Series(cleared.index, index=cleared.index)
    evidence = at.map(place).astype("str").where(at.isin(place.index), "")
    said = "new or changed rows in the " + at.map(what).astype("str")
    why, places = _else_changed(rows, before, now)
    evidence = evidence.where(evidence != "", places).where(~cleared["gone"], evidence)
    back = "the rows behind it are back in the files, and it is found no more"
    other = pd.Series(why, index=cleared.index, dtype="str").where(~cleared["gone"], back)
    reason = said.where(at.isin(place.index), other)
    return {"reason": reason.astype("str"), "evidence_of": evidence.astype("str")}


def _around(held: pd.DataFrame, rows: Rows) -> pd.DataFrame:
    """The rows behind exceptions as they are tonight, and those that now stand beside them."""
    every = rows.rows
    hits = held[["at", "key"]].merge(every, on="key")
    moved_on = held[~held["key"].isin(every["key"])][["at", "last"]]
    wholes = moved_on.merge(every[["part", "whole"]], left_on="last", right_on="part")
    hits = pd.concat([hits, wholes[["at", "whole"]].merge(every, on="whole")])
    owners = hits.merge(rows.links, on=["record", "row_id"])
    # A bulk payment leads to every order that it paid; goods and bills lead to their own.
    own = owners[owners["record"] != "payments"]
    alone = owners[~owners["at"].isin(own["at"])]
    owners = pd.concat([own, alone])[["at", "supplier_order"]].drop_duplicates()
    around = owners.merge(rows.links, on="supplier_order")[["at", "record", "row_id"]]
    around = pd.concat([around, hits[["at", "record", "row_id"]]]).drop_duplicates()
    return around.merge(every, on=["record", "row_id"])


def _telling(
    fresh: pd.DataFrame, rules: pd.Series, telling: Mapping[str, tuple[str, ...]]
) -> pd.DataFrame:
    """Where a rule waits for a record and rows of it are new, those alone."""
    pairs = [(rule, record, True) for rule, several in telling.items() for record in several]
    wanted = pd.DataFrame(pairs, columns=["rule", "record", "asked"])
    out = fresh.assign(rule=fresh["at"].map(rules)).astype({"rule": "str"})
    asked = out.merge(wanted, on=["rule", "record"], how="left")["asked"].notna().to_numpy()
    some = out["at"].isin(out["at"][asked]).to_numpy()
    return out[asked | ~some]


def _shown(fresh: pd.DataFrame, rows: Rows) -> tuple[pd.Series, pd.Series]:
    """By ``at`` the places of the first rows, and the records that they are of."""
    nothing = pd.Series(dtype="str")
    if fresh.empty:
        return nothing, nothing
    ordered = fresh.assign(place=rows.places(fresh)).sort_values(["at", "record", "file", "row"])
    few = ordered[ordered.groupby("at").cumcount() < _SHOWN]
    names = few[["at", "record"]].drop_duplicates()
    what = joined_texts(names["at"], names["record"], " and ")
    return joined_texts(few["at"], few["place"]), what


def _else_changed(rows: Rows, before: Before, now: Run) -> tuple[str, str]:
    """What has changed where no row of an exception is new, and the first places of that."""
    alone = "no row behind it is new: "
    if before.run is not None and before.run != now:
        return alone + "the settings, the rules or the tool have changed", ""
    fresh = rows.shared[rows.fresh(rows.shared)]
    if len(fresh):
        place, what = _shown(fresh.assign(at=0), rows)
        return f"{alone}there are new or changed rows in the {what.loc[0]}", str(place.loc[0])
    if rows.fresh(rows.rows).any():
        return alone + "rows of others, or the day, have changed", ""
    return alone + "the day has changed", ""
