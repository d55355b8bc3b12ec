"""What decisions of people cover: which exceptions, up to which amount, and until when."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from reconcile.lean import plain
from reconcile.memory.decision_log import Decision
from reconcile.money import digits_of, major_text


def named_in(records: pd.DataFrame | None, found: pd.DataFrame) -> pd.DataFrame:
    """The exceptions that rows of a decisions file are about, by id or by rule and order.

    One row per decision and exception: ``id, decided_on, decided_by, reason, until, micro``
    (the amount in millionths, NA where it names none) and the exception's ``amount_minor`` and
    ``currency``; in the order of the file.
    """
    if records is None:
        records = pd.DataFrame({"id": [], "decided_date": []}, dtype="str")
    rows = pd.DataFrame({"order": np.arange(len(records))})
    for name in ("id", "rule", "decided_by", "reason", "order_ref_key"):
        rows[name] = records[name].to_numpy() if name in records else ""
        rows[name] = rows[name].astype("str")
    for name in ("decided", "until"):
        dates = records[f"{name}_date"].to_numpy() if f"{name}_date" in records else "NaT"
        rows[name] = pd.Series(dates, index=rows.index).astype("datetime64[s]")
    micro = records["amount_micro"].array if "amount_micro" in records else pd.NA
    rows["micro"] = pd.Series(micro, index=rows.index, dtype="Int64")
    rows = rows.rename(columns={"decided": "decided_on", "order_ref_key": "order_key"})
    named = plain(found[["id", "rule", "order_key", "amount_minor", "currency"]])
    by_id = rows[rows["id"] != ""].drop(columns=["rule", "order_key"]).merge(named, on="id")
    pairs = rows[rows["id"] == ""].drop(columns="id").merge(named, on=["rule", "order_key"])
    out = pd.concat([by_id, pairs], ignore_index=True).sort_values(["order", "id"])
    return out.drop(columns=["rule", "order_key", "order"]).reset_index(drop=True)


def in_one_table(
    logged: list[Decision],
    records: pd.DataFrame | None,
    found: pd.DataFrame,
    amounts: pd.DataFrame | None,
) -> pd.DataFrame:
    """The decisions of the log and of a file, as ``accepted`` takes them.

    A row of the file that names no amount covers the one that the exception had then: as
    ``amounts`` (``id``, ``decided_on``, ``amount_minor_then``, ``currency_then``) gives it from
    the history, else tonight's.
    """
    log, each = as_table(logged), named_in(records, found)
    if amounts is not None:
        then = each[["id", "decided_on"]].merge(amounts, on=["id", "decided_on"], how="left")
        there = then["currency_then"].notna().to_numpy()
        for name in ("amount_minor", "currency"):
            each[name] = each[name].where(~there, then[f"{name}_then"])
    scale = 10 ** (6 - digits_of(each["currency"]))
    given = each["micro"].notna()
    each["amount_minor"] = each["amount_minor"].where(~given, each["micro"] // scale)
    both = pd.concat([log, each[[*log.columns]]], ignore_index=True)
    return both.astype({"amount_minor": "Int64", "currency": "str", "id": "str"})


def as_table(decisions: list[Decision]) -> pd.DataFrame:
    """Decisions as a table, in the order in which they were taken."""
    names = ["id", "amount_minor", "currency", "decided_on", "decided_by", "reason", "until"]
    frame = pd.DataFrame([vars(decision) for decision in decisions], columns=names)
    frame["amount_minor"] = frame["amount_minor"].astype("Int64")
    for name in ("decided_on", "until"):
        frame[name] = pd.to_datetime(frame[name]).astype("datetime64[s]")
    return frame


def accepted(found: pd.DataFrame, decisions: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """Exceptions with the verdict ``accepted`` where a decision covers them.

    ``decisions``: ``id``, ``amount_minor`` (NA where there was none), ``currency``,
    ``decided_on``, ``decided_by``, ``reason``, ``until`` (the last day). Of several on one
    exception the latest counts. What follows a cause goes on to follow it.
    """
    day = pd.Timestamp(as_of)
    known = decisions[~(decisions["decided_on"] > day)].reset_index(drop=True)
    if known.empty or found.empty:
        return found
    known = known.assign(place=known.index).sort_values("decided_on", kind="stable")
    latest = known.drop_duplicates("id", keep="last").set_index("id")["place"]
    at = found["id"].map(latest).fillna(-1).to_numpy(np.int64)
    known = known.sort_values("place")
    mine = known.iloc[np.maximum(at, 0)].reset_index(drop=True)
    covers = (at >= 0) & ~(mine["until"] < day).to_numpy()
    covers &= _within(found.reset_index(drop=True), mine)
    covers &= found["verdict"].isin(["open", "waiting", "unknown"]).to_numpy()
    out = found.copy()
    out.loc[covers, "verdict"] = "accepted"
    out.loc[covers, "cause"] = _said(mine)[covers].to_numpy()
    return out


def _within(found: pd.DataFrame, mine: pd.DataFrame) -> np.ndarray:
    """Where the amount is no more than the one that was decided on, in the same currency."""
    amount, limit = found["amount_minor"], mine["amount_minor"].astype("Int64").fillna(0)
    fits = (amount <= limit).fillna(value=False) & (
        mine["currency"] == found["currency"].astype("str")
    )
    return np.asarray(amount.isna() | fits, dtype=bool)


def _said(mine: pd.DataFrame) -> pd.Series:
    """The decision in words: who, when, until when, up to which amount, and why."""
    days = [mine[name].dt.strftime("%Y-%m-%d") for name in ("decided_on", "until")]
    by = (" by " + mine["decided_by"]).where(mine["decided_by"] != "", "")
    until = (" until " + days[1]).where(mine["until"].notna(), "")
    amount = major_text(mine["amount_minor"].astype("Int64"), mine["currency"])
    limit = (" up to " + amount + " " + mine["currency"]).where(mine["amount_minor"].notna(), "")
    said: pd.Series = "accepted on " + days[0] + by + until + limit + ": " + mine["reason"]
    return said.astype("str")
