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

from reconcile.digests import Ints, is_one_of
from reconcile.empty import without_rows
from reconcile.joined import joined_texts
from reconcile.lean import Texts, plain, stacked
from reconcile.memory.behind import NONE_BEHIND, Behind
from reconcile.memory.nights import Before, Run
from reconcile.memory.roll import moved, open_items
from reconcile.memory.rows import Rows

_OF_CLEARED = (
    "id", "rule", "title", "class", "list", "currency", "order_ref", "sku", "supplier", "document"
)  # fmt: skip
_SHOWN = 6  # places of rows that a cell names
GONE = "rows behind it are no longer in the files"
_GONE_SAID = (
    "Not found any more, but rows behind it are no longer in the files, or cannot be read, so that "
    "nobody can tell whether it was cleared. It was: "
)


@dataclass(frozen=True)
class Carried:
    """Tonight's exceptions with those that are gone, and what was cleared since.

    ``found`` has ``gone``, ``cleared`` has ``reason`` and ``evidence_of``. ``then``: of each
    exception its place in the night before, -1 where it was not there; ``behind`` its rows.
    """

    found: pd.DataFrame
    then: Ints
    behind: Behind
    cleared: pd.DataFrame


@dataclass(frozen=True)
class Compared:
    """``found``: tonight's exceptions with what the history adds, and those that are gone.

    ``behind``: the rows behind them. ``cleared``: exceptions of the night before that are no more,
    with ``reason`` and ``evidence_of``. ``moves``: the roll-forward of what is open, by class and
    currency. ``new_contents``: digests of what tonight's rows say and no earlier night's did.
    """

    found: pd.DataFrame
    behind: Behind
    cleared: pd.DataFrame
    moves: pd.DataFrame
    open_items: pd.DataFrame
    new_contents: Ints


def nothing_before(found: pd.DataFrame) -> Compared:
    """What a run without a history knows: tonight, and nothing else."""
    nobody = np.empty(0, dtype=np.int64)
    empty = moved(found.iloc[:0], found.iloc[:0].assign(change=""), nobody)
    names = (*_OF_CLEARED, "reason", "evidence_of")
    cleared = without_rows(dict.fromkeys(names, "str") | {"amount_minor": "Int64"})
    return Compared(found, NONE_BEHIND, cleared, empty, open_items(found), nobody)


def carried(
    found: pd.DataFrame,
    texts: Texts,
    behind: Behind,
    before: Before,
    rows: Rows,
    run: Run,
    as_of: date,
) -> Carried:
    """Which exceptions of the night before stay though they are not found, and what was cleared."""
    out = found.reset_index(drop=True).assign(gone=False)
    then, last = before.places(out["id"]), before.states
    over = np.array((last["verdict"] == "open") | last["gone"], dtype=bool)
    over[then[then >= 0]] = False
    ended = before.whole(np.flatnonzero(over))
    held = _held(before.behind, ended["place"].to_numpy())
    missing = np.unique(held["at"].to_numpy()[~_there(held, rows)])
    gone, cleared = ended.iloc[missing], ended.drop(index=missing.tolist())
    if len(gone):
        out = stacked([out, texts.aside(_still_there(gone, rows, as_of))])
        then = np.concatenate([then, gone["place"].to_numpy()])
        behind = behind.with_more(before.behind.of(gone["place"].to_numpy())[0])
    return Carried(
        out, then, behind, cleared.assign(**_cleared_by(cleared, held, rows, before, run))
    )


def compared(
    all_of: Carried,
    found: pd.DataFrame,
    earlier: pd.DataFrame,
    before: Before,
    rows: Rows,
    as_of: date,
) -> Compared:
    """Fill ``first_seen`` and ``change``, and add up what moved since the night before.

    ``found``: the exceptions that were carried, after decisions. ``earlier``: of those that the
    night before did not have ``first_seen`` and ``was_open`` on other nights, by id.
    """
    out = _changed(found, all_of.then, before.states, earlier, as_of)
    moves = moved(before.states, out, all_of.then)
    return Compared(out, all_of.behind, all_of.cleared, moves, open_items(out), rows.new)


def as_told_first(explanation: pd.Series, gone: np.ndarray) -> pd.Series:
    """Explanations as they were when the exceptions were found, also of those that are gone."""
    if not gone.any():
        return explanation
    return explanation.where(~gone, explanation.str.removeprefix(_GONE_SAID))


def _held(behind: Behind, exceptions: Ints) -> pd.DataFrame:
    """The rows behind exceptions: ``at`` (the exception's place here), ``key``, ``last``."""
    mine, owner = behind.of(exceptions)
    return mine.rows.assign(at=owner)


def _there(held: pd.DataFrame, rows: Rows) -> np.ndarray:
    """Which rows still stand in the files: themselves, or a whole that has as many parts."""
    key = held["key"].to_numpy()
    there = is_one_of(key, rows.having("key", held["key"])["key"].to_numpy())
    moved_on = np.flatnonzero(~there)
    if len(moved_on):
        last = held["last"].iloc[moved_on]
        there[moved_on] = is_one_of(last.to_numpy(), rows.parts(last)["last"].to_numpy())
    return there


def _still_there(gone: pd.DataFrame, rows: Rows, as_of: date) -> pd.DataFrame:
    """Exceptions whose rows are missing, as unknown as they were told last."""
    out = gone.drop(columns=["was_open", "place"]).assign(verdict="unknown", gone=True)
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


def _changed(
    found: pd.DataFrame, then: Ints, last: pd.DataFrame, earlier: pd.DataFrame, as_of: date
) -> pd.DataFrame:
    """``first_seen``, ``was_open`` and ``change`` of each exception.

    For what is open ``change`` is against what was open; for the rest against what was there.
    """
    out, there = found.copy(deep=False), then >= 0
    names = ["first_seen", "was_open", "verdict", "amount_minor", "currency"]
    before = last[names].take(then[there])
    new = np.flatnonzero(~there) if len(earlier) else np.zeros(0, dtype=np.int64)
    known = out["id"].iloc[new].map(earlier["first_seen"]).dropna()
    first = pd.Series(str(as_of), index=out.index, dtype="str")
    first[there], first[known.index] = before["first_seen"].to_numpy(), known
    out["first_seen"] = first.astype("category")
    once_open = np.zeros(len(out), dtype=bool)
    once_open[there] = before["was_open"]
    once_open[known.index] = out["id"][known.index].map(earlier["was_open"])
    is_open = (out["verdict"] == "open").to_numpy()
    out["was_open"] = once_open | is_open
    stood, ever = there.copy(), there.copy()
    stood[there] = ~is_open[there] | (before["verdict"] == "open").to_numpy()
    ever[known.index] = True
    ever = np.where(is_open, once_open, ever)
    equal = np.zeros(len(out), dtype=bool)
    now = plain(out[["amount_minor", "currency"]].iloc[np.flatnonzero(there)])
    equal[there] = _same_amount(now.reset_index(drop=True), before.reset_index(drop=True))
    change = np.where(stood, np.where(equal, 3, 0), np.where(ever, 2, 1)).astype(np.int8)
    kinds = pd.Index(["amount", "new", "reopened", "same"], dtype="str")
    out["change"] = pd.Series(pd.Categorical.from_codes(change, kinds), index=out.index)
    return out


def _same_amount(now: pd.DataFrame, then: pd.DataFrame) -> np.ndarray:
    """Where both have the same amount in the same currency, or both have none."""
    amount, before = now["amount_minor"], then["amount_minor"]
    equal = (amount == before).fillna(value=False) | (amount.isna() & before.isna())
    return np.asarray(equal & (now["currency"] == then["currency"]), dtype=bool)


def _cleared_by(
    cleared: pd.DataFrame, held: pd.DataFrame, rows: Rows, before: Before, now: Run
) -> dict[str, pd.Series]:
    """What cleared each exception, in words, and the places of the rows that did."""
    if cleared.empty:
        return dict.fromkeys(("reason", "evidence_of"), pd.Series(dtype="str"))
    around = _around(held[held["at"].isin(cleared.index)], rows)
    fresh = around[is_one_of(rows.of("content", around["row"].to_numpy()), rows.new)]
    places = rows.places(fresh["row"].to_numpy())
    fresh = pd.concat([fresh[["at"]].reset_index(drop=True), places], axis=1)
    fresh = _telling(fresh, cleared["rule"], rows.telling)
    place, what = _shown(fresh, rows.files)
    at = pd.Series(cleared.index, index=cleared.index)
    evidence = at.map(place).astype("str").where(at.isin(place.index), "")
    said = "new or changed rows in the " + at.map(what).astype("str")
    why, elsewhere = _else_changed(rows, before, now)
    evidence = evidence.where(evidence != "", elsewhere).where(~cleared["gone"], evidence)
    back = "the rows behind it are back in the files, and it is found no more"
    other = pd.Series(why, index=cleared.index, dtype="str").where(~cleared["gone"], back)
    reason = said.where(at.isin(place.index), other)
    return {"reason": reason.astype("str"), "evidence_of": evidence.astype("str")}


def _around(held: pd.DataFrame, rows: Rows) -> pd.DataFrame:
    """The rows behind exceptions as they are tonight, and those that now stand beside them.

    ``at`` and ``row``, each pair once.
    """
    hits = held[["at", "key"]].merge(rows.having("key", held["key"]), on="key")
    moved_on = held[~held["key"].isin(hits["key"])][["at", "last"]]
    if len(moved_on):
        wholes = moved_on.merge(rows.parts(moved_on["last"]), on="last")
        wholes["whole"] = rows.of("whole", wholes.pop("row").to_numpy())
        beside = wholes.merge(rows.having("whole", wholes["whole"]), on="whole")
        hits = pd.concat([hits, beside])
    hits = hits[["at", "row"]]
    owners = hits.merge(rows.orders_of(hits["row"].to_numpy()), on="row")
    # A bulk payment leads to every order that it paid; goods and bills lead to their own.
    own = owners[~rows.are("payments", owners["row"].to_numpy())]
    alone = owners[~owners["at"].isin(own["at"])]
    owners = pd.concat([own, alone])[["at", "supplier_order"]].drop_duplicates()
    of_orders = rows.of_orders(owners["supplier_order"].to_numpy())
    around = owners.merge(of_orders, on="supplier_order")[["at", "row"]]
    return pd.concat([around, hits]).drop_duplicates()


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


def _shown(fresh: pd.DataFrame, files: tuple[str, ...]) -> tuple[pd.Series, pd.Series]:
    """By ``at`` the places of the first rows, and the records that they are of."""
    nothing = pd.Series(dtype="str")
    if fresh.empty:
        return nothing, nothing
    ordered = fresh.sort_values(["at", "record", "file", "row"])
    few = ordered[ordered.groupby("at").cumcount() < _SHOWN]
    file = pd.Series(np.array([*files, ""], dtype=object)[few["file"]], index=few.index)
    row = (" row " + few["row"].astype("str")).where(few["row"] > 0, "")
    few = few.assign(place=(file + row).astype("str"))
    names = few[["at", "record"]].drop_duplicates()
    what = joined_texts(names["at"], names["record"], " and ")
    return joined_texts(few["at"], few["place"]), what


def _else_changed(rows: Rows, before: Before, now: Run) -> tuple[str, str]:
    """What has changed where no row of an exception is new, and the first places of that."""
    alone = "no row behind it is new: "
    if before.run is not None and before.run != now:
        return alone + "the settings, the rules or the tool have changed", ""
    fresh = rows.shared[is_one_of(rows.shared["content"].to_numpy(np.int64), rows.new)]
    if len(fresh):
        place, what = _shown(fresh.assign(at=0), rows.files)
        return f"{alone}there are new or changed rows in the {what.loc[0]}", str(place.loc[0])
    if len(rows.new):
        return alone + "rows of others, or the day, have changed", ""
    return alone + "the day has changed", ""
