"""Tonight against the night before: what is new, what was cleared and by what, what is gone.

An exception that is no longer found was cleared only where every row behind it still stands in
the files. Where one is missing nobody can tell: the exception stays, as unknown.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from reconcile.joined import joined_texts
from reconcile.memory.nights import Before, Run

_OF_CLEARED = (
    "id", "rule", "title", "class", "list", "currency", "order_ref", "sku", "supplier", "document"
)  # fmt: skip
_SHOWN = 6  # places of rows that a cell names
GONE = "rows behind it are no longer in the files"


@dataclass(frozen=True)
class Rows:
    """The rows of tonight's files, and which of them stand behind what.

    ``rows``: ``record``, ``row_id``, ``key``, ``content`` and ``place`` (a text) of every row.
    ``links``: ``record``, ``row_id``, ``supplier_order``. ``behind``: ``exception`` (a position),
    ``record``, ``row_id``.
    """

    rows: pd.DataFrame
    links: pd.DataFrame
    behind: pd.DataFrame


@dataclass(frozen=True)
class Compared:
    """``found``: tonight's exceptions with what the history adds, and those that are gone.

    ``cleared``: exceptions of the night before that are no more, with ``reason`` and
    ``evidence_of``. ``moves``: the roll-forward of what is open, by class and currency.
    """

    found: pd.DataFrame
    cleared: pd.DataFrame
    moves: pd.DataFrame
    open_items: pd.DataFrame


def nothing_before(found: pd.DataFrame) -> Compared:
    """What a run without a history knows: tonight, and nothing else."""
    empty = moved(found.iloc[:0], found.iloc[:0].assign(change=""))
    names = (*_OF_CLEARED, "reason", "evidence_of")
    texts = {name: pd.Series(dtype="str") for name in names}
    cleared = pd.DataFrame(texts).assign(amount_minor=pd.Series(dtype="Int64"))
    return Compared(found, cleared, empty, open_items(found))


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
    missing = np.unique(held["at"][~held["key"].isin(rows.rows["key"]).to_numpy()])
    gone, cleared = ended.iloc[missing], ended.drop(index=missing.tolist())
    if len(gone):
        out = pd.concat([out, _still_there(gone, as_of)], ignore_index=True)
    return out, cleared.assign(**_cleared_by(cleared, held, rows, before.run, run))


def compared(found: pd.DataFrame, cleared: pd.DataFrame, before: Before, as_of: date) -> Compared:
    """Fill ``first_seen`` and ``change``, and add up what moved since the night before."""
    out = _changed(found, before, as_of)
    return Compared(out, cleared, moved(before.seen, out), open_items(out))


def _packed(found: pd.DataFrame, rows: Rows) -> pd.Series:
    """Keys and contents of the rows behind what is open, as bytes; None for the others."""
    open_ = np.flatnonzero((found["verdict"] == "open").to_numpy())
    mine = rows.behind[rows.behind["exception"].isin(open_)]
    mine = mine.merge(rows.rows, on=["record", "row_id"])
    mine = mine[["exception", "key", "content"]].drop_duplicates()
    mine = mine.sort_values(["exception", "key", "content"])
    pairs = np.ascontiguousarray(mine[["key", "content"]].to_numpy(np.int64).astype("<i8"))
    owners, begin = np.unique(mine["exception"].to_numpy(), return_index=True)
    out = pd.Series([None] * len(found), dtype=object)
    parts = np.split(pairs, begin[1:]) if len(owners) else []
    for owner, part in zip(owners, parts, strict=True):
        out.iloc[owner] = part.tobytes()
    # What has no row behind it, such as two files that contradict each other
    out.iloc[np.setdiff1d(open_, owners)] = b""
    return out


def _unpacked(ended: pd.DataFrame) -> pd.DataFrame:
    """The pairs of each exception: ``at``, ``key``, ``content``."""
    parts = [np.frombuffer(text, "<i8").reshape(-1, 2) for text in ended["behind"]]
    pairs = np.concatenate([np.empty((0, 2), np.int64), *parts]).astype(np.int64)
    at = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    return pd.DataFrame({"at": at, "key": pairs[:, 0], "content": pairs[:, 1]})


def _still_there(gone: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """Exceptions whose rows are missing, as unknown as they were told last."""
    out = gone.drop(columns=["was_open"]).assign(verdict="unknown", cause=GONE, gone=True)
    days = np.datetime64(as_of, "D") - out["event_date"].to_numpy().astype("datetime64[D]")
    unknown = out["event_date"].isna().to_numpy()
    age = np.where(unknown, 0, days.astype(np.int64))
    out["age_days"] = pd.arrays.IntegerArray(age, unknown)
    first = ~gone["gone"].to_numpy(dtype=bool)
    said = (
        "Not found any more, but rows behind it are no longer in the files, so that nobody can "
        "tell whether it was cleared. It was: "
    )
    out["explanation"] = np.where(first, said + out["explanation"], out["explanation"])
    out["at"], out["supplier_order"] = -1, -1
    for name in ("verdict", "cause", "explanation"):
        out[name] = out[name].astype("str")
    return out


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
    cleared: pd.DataFrame, held: pd.DataFrame, rows: Rows, then: Run | None, now: Run
) -> dict[str, pd.Series]:
    """Of each cleared exception the rows that are new or changed since, in words and places."""
    mine = held[held["at"].isin(cleared.index)]
    hits = mine.merge(rows.rows, on="key", suffixes=("_then", ""))
    owners = hits.merge(rows.links, on=["record", "row_id"])
    # A bulk payment leads to every order that it paid; goods and bills lead to their own.
    own = owners[owners["record"] != "payments"]
    alone = owners[~owners["at"].isin(own["at"])]
    owners = pd.concat([own, alone])[["at", "supplier_order"]].drop_duplicates()
    around = owners.merge(rows.links, on="supplier_order")[["at", "record", "row_id"]]
    around = pd.concat([around, hits[["at", "record", "row_id"]]]).drop_duplicates()
    around = around.merge(rows.rows, on=["record", "row_id"])
    known = mine.assign(known=True)[["at", "key", "content", "known"]].drop_duplicates()
    fresh = around.merge(known, on=["at", "key", "content"], how="left")
    fresh = fresh[fresh["known"].isna()].sort_values(["at", "record", "place"])
    few = fresh[fresh.groupby("at").cumcount() < _SHOWN]
    place = joined_texts(few["at"], few["place"]) if len(few) else pd.Series(dtype="str")
    names = few[["at", "record"]].drop_duplicates()
    what = joined_texts(names["at"], names["record"], " and ") if len(few) else place
    at = pd.Series(cleared.index, index=cleared.index)
    evidence = at.map(place).astype("str").where(at.isin(place.index), "")
    said = "new or changed rows in the " + at.map(what).astype("str")
    other = "no row behind it is new: the day has changed"
    if then is not None and (then.settings, then.rules) != (now.settings, now.rules):
        other = "no row behind it is new: the settings or the rules have changed"
    reason = said.where(evidence != "", other)
    return {"reason": reason.astype("str"), "evidence_of": evidence.astype("str")}


def open_items(found: pd.DataFrame) -> pd.DataFrame:
    """What is open: ``class, currency, count, amount_minor``."""
    mine = found[found["verdict"] == "open"]
    grouped = mine.groupby(["class", "currency"], as_index=False, observed=True).agg(
        count=("id", "size"), amount_minor=("amount_minor", "sum")
    )
    return grouped.astype({"count": "int64", "amount_minor": "int64"})


_MOVES = ("start", "new", "reopened", "cleared", "accepted", "not_open", "changed", "end")


def moved(last: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """The roll-forward of open exceptions: ``class, currency, move, count, amount_minor``.

    The moves before ``end`` add up to it, by class and currency; ``cleared``, ``accepted`` and
    ``not_open`` are below 0. Each move is exact by id: an exception whose class or currency has
    changed leaves the one and enters the other under ``changed``. ``not_open`` is what waits,
    follows or is unknown now.
    """
    names = ["id", "class", "currency", "amount_minor"]
    start = last.loc[last["verdict"] == "open", names]
    end = found.loc[found["verdict"] == "open", [*names, "change"]]
    now = found.set_index("id")["verdict"].reindex(start["id"]).to_numpy()
    left = pd.Series(np.select([now == "open", now == "accepted", pd.isna(now)],
        ["", "accepted", "cleared"], "not_open"), index=start.index)  # fmt: skip
    stays = start[left == ""].merge(end, on="id", suffixes=("_then", ""))
    differs = stays[
        (stays["class"] != stays["class_then"])
        | (stays["currency"] != stays["currency_then"])
        | (stays["amount_minor"].fillna(0) != stays["amount_minor_then"].fillna(0))
    ]
    then = differs[["id", "class_then", "currency_then", "amount_minor_then"]]
    then = then.set_axis(names, axis=1)
    pieces = [_move(start, "start", 1), _move(end, "end", 1)]
    pieces += [_move(end[end["change"] == name], name, 1) for name in ("new", "reopened")]
    pieces += [_move(start[left == name], name, -1) for name in ("cleared", "accepted", "not_open")]
    pieces += [_move(differs, "changed", 1), _move(then, "changed", -1)]
    table = pd.concat(pieces, ignore_index=True)
    return table.groupby(["class", "currency", "move"], as_index=False, observed=True).sum()


def _move(rows: pd.DataFrame, move: str, sign: int) -> pd.DataFrame:
    amount = rows["amount_minor"].fillna(0).astype("int64") * sign
    return pd.DataFrame(
        {"class": rows["class"], "currency": rows["currency"], "move": move, "count": sign}
    ).assign(amount_minor=amount)


def roll_proofs(before: Before, compared: Compared) -> pd.DataFrame:
    """Equalities of the roll-forward, as the other proofs: ``proof, unit, left, right``."""
    moves = compared.moves
    rows = []
    for unit, value in (("rows", "count"), ("", "amount_minor")):
        for (kind, currency), part in moves.groupby(["class", "currency"], sort=True):
            if value == "amount_minor" and not currency:
                continue
            by = part.set_index("move")[value]
            steps = int(by.drop("end", errors="ignore").sum())
            said = f"open {kind} at the start ± what moved = open at the end"
            named = said if unit == "" or not currency else f"{said}, {currency}"
            rows.append((named, unit or currency, steps, int(by.get("end", 0))))
    start = moves[moves["move"] == "start"]
    kept = before.open_items
    rows.append(
        ("open as the night before kept it = open at the start", "rows",
         int(kept["count"].sum()), int(start["count"].sum()))
    )  # fmt: skip
    for currency in sorted({*kept["currency"], *start["currency"]} - {""}):
        sums = [
            int(frame.loc[frame["currency"] == currency, "amount_minor"].sum())
            for frame in (kept, start)
        ]
        rows.append(("open as the night before kept it = open at the start", currency, *sums))
    return pd.DataFrame(rows, columns=["proof", "unit", "left", "right"])
