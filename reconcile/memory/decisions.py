"""What decisions of people cover: which exceptions, up to which amount, and until when.

A decision on a payment without a reference may name the orders that the payment is for. It covers
no more than that: where others add up to the payment, or several sets, it does not count.
"""

from __future__ import annotations

import re
from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from reconcile.lean import plain
from reconcile.memory.decision_log import Decision
from reconcile.money import digits_of, major_text
from reconcile.references import BETWEEN, clean
from reconcile.shop import Refs, Shop

Bools = NDArray[np.bool_]

UNMATCHED = "payment-unmatched"  # the rule whose exceptions say which orders a payment may be for
_PAYS_NONE = "; it names no order, so that the payment pays none"


def with_orders(records: pd.DataFrame | None, shop: Shop) -> pd.DataFrame | None:
    """Rows of a decisions file with ``orders``: the keys of those in order_ref, as one text."""
    if records is None or records.empty or "order_ref" not in records:
        return records
    refs = {source.name: source.refs for source in shop.sources}
    cells = zip(records["order_ref"], records["source"], strict=True)
    return records.assign(orders=[_keys(cell, refs.get(source, Refs())) for cell, source in cells])


def _keys(cell: str, refs: Refs) -> str:
    marks = "".join(map(re.escape, refs.separators))
    parts = [part.strip() for part in re.split(f"[{marks}]" if marks else r"\n", cell)]
    texts = pa.array([part for part in parts if part], pa.string())
    keys, _ = clean(texts, refs.strip_prefix, refs.replacement_suffix)
    return BETWEEN.join(sorted(set(keys.to_pylist())))


def named_in(records: pd.DataFrame | None, found: pd.DataFrame) -> pd.DataFrame:
    """The exceptions that rows of a decisions file are about, by id or by rule and order.

    One row per decision and exception: ``id, decided_on, decided_by, reason, until, orders``,
    ``micro`` (the amount in millionths, NA where it names none) and the exception's
    ``amount_minor`` and ``currency``; in the order of the file. ``records`` as ``with_orders``
    gives them.
    """
    if records is None:
        records = pd.DataFrame({"id": [], "decided_date": []}, dtype="str")
    rows = pd.DataFrame({"order": np.arange(len(records))})
    for name in ("id", "rule", "decided_by", "reason", "order_ref_key", "orders"):
        rows[name] = records[name].to_numpy() if name in records else ""
        rows[name] = rows[name].astype("str")
    for name in ("decided", "until"):
        dates = records[f"{name}_date"].to_numpy() if f"{name}_date" in records else "NaT"
        rows[name] = pd.Series(dates, index=rows.index).astype("datetime64[s]")
    micro = records["amount_micro"].array if "amount_micro" in records else pd.NA
    rows["micro"] = pd.Series(micro, index=rows.index, dtype="Int64")
    rows = rows.rename(columns={"decided": "decided_on", "order_ref_key": "order_key"})
    of_payment = (rows["rule"] == UNMATCHED).to_numpy()
    rows["order_key"] = rows["order_key"].where(~of_payment, rows["orders"])
    named = plain(found[["id", "rule", "order_key", "amount_minor", "currency"]])
    by_id = rows[rows["id"] != ""].drop(columns=["rule", "order_key"]).merge(named, on="id")
    pairs = rows[rows["id"] == ""].drop(columns="id").merge(named, on=["rule", "order_key"])
    out = pd.concat([by_id, pairs], ignore_index=True).sort_values(["order", "id"])
    # The orders of other exceptions say which one is meant, and no more.
    out["orders"] = out["orders"].where((out["rule"] == UNMATCHED).to_numpy(), "")
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
    the history, else tonight's. One that names the orders of a payment needs none.
    """
    log, each = as_table(logged), named_in(records, found)
    if amounts is not None:
        then = each[["id", "decided_on"]].merge(amounts, on=["id", "decided_on"], how="left")
        there = (then["currency_then"].notna() & (each["orders"] == "")).to_numpy()
        for name in ("amount_minor", "currency"):
            each[name] = each[name].where(~there, then[f"{name}_then"])
    scale = 10 ** (6 - digits_of(each["currency"]))
    given = each["micro"].notna()
    each["amount_minor"] = each["amount_minor"].where(~given, each["micro"] // scale)
    both = pd.concat([log, each[[*log.columns]]], ignore_index=True)
    return both.astype({"amount_minor": "Int64", "currency": "str", "id": "str"})


def as_table(decisions: list[Decision]) -> pd.DataFrame:
    """Decisions as a table, in the order in which they were taken."""
    names = [
        "id", "amount_minor", "currency", "decided_on", "decided_by", "reason", "until", "orders",
    ]  # fmt: skip
    frame = pd.DataFrame([vars(decision) for decision in decisions], columns=names)
    frame["amount_minor"] = frame["amount_minor"].astype("Int64")
    for name in ("decided_on", "until"):
        frame[name] = pd.to_datetime(frame[name]).astype("datetime64[s]")
    return frame


def accepted(found: pd.DataFrame, decisions: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """Exceptions with the verdict ``accepted`` where a decision covers them.

    ``decisions``: ``id``, ``amount_minor`` (NA where there was none), ``currency``,
    ``decided_on``, ``decided_by``, ``reason``, ``until`` (the last day), ``orders``. Of several on
    one exception the latest counts. What follows a cause goes on to follow it.
    """
    mine, covers = _covering(found, decisions, as_of)
    if not covers.any():
        return found
    for_orders = ((found["rule"] == UNMATCHED) & (found["order_key"] != "")).to_numpy(dtype=bool)
    pays_none = for_orders & (mine["orders"] == "").to_numpy()
    out = found.copy()
    out.loc[covers, "verdict"] = "accepted"
    said = _said(mine) + np.where(pays_none, _PAYS_NONE, "")
    out.loc[covers, "cause"] = said[covers].to_numpy()
    return out


def orders_accepted(found: pd.DataFrame, decisions: pd.DataFrame, as_of: date) -> Bools:
    """Which exceptions are of payments that pay, by a decision, the orders in ``order_key``."""
    mine, covers = _covering(found, decisions, as_of)
    return covers & (mine["orders"] != "").to_numpy() if covers.any() else covers


def _covering(
    found: pd.DataFrame, decisions: pd.DataFrame, as_of: date
) -> tuple[pd.DataFrame, Bools]:
    """The latest decision on each exception, where there is one, and whether it covers it."""
    day = pd.Timestamp(as_of)
    known = decisions[~(decisions["decided_on"] > day)].reset_index(drop=True)
    if known.empty or found.empty:
        return known, np.zeros(len(found), dtype=bool)
    known = known.assign(place=known.index).sort_values("decided_on", kind="stable")
    latest = known.drop_duplicates("id", keep="last").set_index("id")["place"]
    at = found["id"].map(latest).fillna(-1).to_numpy(np.int64)
    known = known.sort_values("place")
    mine = known.iloc[np.maximum(at, 0)].reset_index(drop=True)
    covers = (at >= 0) & ~(mine["until"] < day).to_numpy()
    covers &= _within(found.reset_index(drop=True), mine)
    covers &= found["verdict"].isin(["open", "waiting", "unknown"]).to_numpy()
    # Where a decision names orders, others may add up to the payment by now.
    named = (found["rule"] == UNMATCHED).to_numpy(dtype=bool) & (mine["orders"] != "").to_numpy()
    same = mine["orders"].to_numpy() == found["order_key"].to_numpy()
    return mine, covers & (~named | same)


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
