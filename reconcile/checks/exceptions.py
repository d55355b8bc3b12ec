"""All rules over all fact tables: exceptions with ids, causes, sentences and evidence."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping

import numpy as np
import pandas as pd

from reconcile.checks.catalogue import SEVERITIES, Rule
from reconcile.checks.causes import follow
from reconcile.checks.evidence import Places, evidence_of
from reconcile.checks.explain import explain
from reconcile.checks.verdicts import Setting, judge

VERDICTS = ("open", "waiting", "unknown", "accepted", "follows")
_ANCHORS: Mapping[str, tuple[str, ...]] = {
    "supplier_orders": ("store", "key", "supplier", "side"),
    "supplier_order_lines": ("store", "key", "supplier", "sku_key", "side"),
    "order_lines": ("store", "key", "line_no", "sku_key"),
    "invoice_lines": ("supplier", "document_key", "order_ref_key", "sku_key", "kind", "day"),
    "small_differences": ("supplier", "currency", "month"),
    "documents": ("record", "supplier", "document", "order_ref_key", "sku_key", "kind", "day"),
    "payments": ("supplier", "document_key", "order_ref", "invoice_no", "kind", "day"),
    "possible_doubles": ("supplier", "currency", "amount_code", "first_day", "alike"),
    "shipments": ("supplier", "order_ref_key", "sku_key", "day"),
    "orders": ("store", "key"),
    "sales": ("store", "key", "supplier"),
    "inputs": ("about", "document", "order_ref", "sku", "supplier"),
}
_SHOWN = ("order_ref", "sku", "supplier", "document", "currency")


def find_exceptions(
    rules: Mapping[str, Rule],
    tables: Mapping[str, pd.DataFrame],
    orders: pd.DataFrame,
    places: Places,
    run: Setting,
) -> pd.DataFrame:
    """Every exception of every rule, in the order in which people read them.

    Columns as the report wants them, money in minor units. ``orders`` has ``store``,
    ``order_ref`` and ``key`` by the order numbers of the tables.
    """
    pieces = []
    for rule in rules.values():
        frame = tables[rule.table.name]
        found = judge(rule, frame, run)
        if len(found):
            pieces.append(_described(rule, found, frame, orders, run))
    if not pieces:
        return _empty()
    out = pd.concat(pieces, ignore_index=True)
    out = follow(out, rules)
    out["evidence"] = evidence_of(out, rules, tables, places)
    days = np.datetime64(run.as_of, "D") - out["event_date"].to_numpy().astype("datetime64[D]")
    age = days.astype(np.int64)
    unknown = out["event_date"].isna().to_numpy()
    out["age_days"] = pd.arrays.IntegerArray(np.where(unknown, 0, age), unknown)
    out["first_seen"], out["change"] = str(run.as_of), "new"
    for name in ("first_seen", "change", "verdict", "class", "list"):
        out[name] = out[name].astype("str")
    return in_order(out)


def _described(
    rule: Rule, found: pd.DataFrame, frame: pd.DataFrame, orders: pd.DataFrame, run: Setting
) -> pd.DataFrame:
    """Add who the exception is about, its id and its sentence."""
    rows = frame.iloc[found["at"].to_numpy()].reset_index(drop=True)
    order = rows["order"].to_numpy()
    named = orders.iloc[np.maximum(order, 0)].reset_index(drop=True) if len(orders) else orders
    for name in ("order_ref", "store", "key"):
        if name not in rows:
            # What is about no order, as a month of a supplier, names none.
            rows[name] = named[name].where(order >= 0, "") if len(orders) else ""
        elif name == "order_ref" and len(orders):
            rows[name] = named[name].where(order >= 0, rows[name])
    rows["side"] = rows["currency"].where(~rows["main"], "") if "main" in rows else ""
    if "dated" in rows:
        rows["day"] = rows["dated"].dt.strftime("%Y-%m-%d").fillna("")
    out = found.copy()
    for name in _SHOWN:
        out[name] = rows[name].fillna("").astype("str") if name in rows else ""
        out[name] = out[name].astype("str")
    if rule.table.name == "order_lines" and "first_number" in rows and rule.list == "post":
        out["document"] = rows["first_number"]
    out["currency"] = out["currency"].where(out["amount_minor"].notna(), "")
    out["rule"], out["title"], out["severity"] = rule.name, rule.title, rule.severity
    out["action"], out["table"] = rule.text["action"], rule.table.name
    out["supplier_order"] = rows["supplier_order"]
    key = rows["order_ref_key"] if "order_ref_key" in rows else pd.Series("", index=rows.index)
    out["order_key"] = key.where(order < 0, rows["key"]).fillna("").astype("str")
    out["id"] = _ids(rule, rows)
    out["explanation"] = explain(rule, rows, out["due_by"], run.as_of)
    return out.astype(dict.fromkeys(("rule", "title", "severity", "action", "table"), "str"))


def _ids(rule: Rule, rows: pd.DataFrame) -> pd.Series:
    """Ids that stay the same from run to run: a digest of the rule and of what it is about."""
    anchor = pd.Series(rule.name, index=rows.index, dtype="str")
    for name in _ANCHORS[rule.table.name]:
        if name in rows:
            anchor = anchor + "\x1f" + rows[name].fillna("").astype("str")
    if anchor.duplicated().any():
        # Twins are numbered by what they hold, so that the order of rows does not matter.
        twins = pd.DataFrame({"anchor": anchor, "amount": 0, "text": ""})
        if rule.amount:
            twins["amount"] = rows[rule.amount].fillna(0).astype("int64")
        if "document" in rows:
            twins["text"] = rows["document"].fillna("").astype("str")
        place = twins.sort_values(["anchor", "amount", "text"], kind="stable")
        nth = place.groupby("anchor").cumcount().reindex(rows.index)
        anchor = anchor.where(nth == 0, anchor + "\x1f" + nth.astype("str"))
    return pd.Series([_digest(text) for text in anchor], index=rows.index, dtype="str")


def _digest(text: str) -> str:
    raw = hashlib.sha256(text.encode()).digest()[:8]
    return base64.b32encode(raw).decode().lower()[:12]


def in_order(out: pd.DataFrame) -> pd.DataFrame:
    """Input first; then by verdict, severity, due date and money; the id decides the rest."""
    keys = pd.DataFrame(
        {
            "input": out["table"] != "inputs",
            "verdict": out["verdict"].map({name: n for n, name in enumerate(VERDICTS)}),
            "severity": out["severity"].map({name: n for n, name in enumerate(SEVERITIES)}),
            "due": out["due_by"],
            "amount": -out["amount_minor"].fillna(0).astype("int64"),
            "rule": out["rule"],
            "order": out["order_ref"],
            "sku": out["sku"],
            "id": out["id"],
        }
    )
    return out.loc[keys.sort_values(list(keys.columns)).index].reset_index(drop=True)


def _empty() -> pd.DataFrame:
    texts = (
        "id", "rule", "title", "verdict", "severity", "class", "currency", "order_ref", "sku",
        "supplier", "document", "list", "cause", "explanation", "action", "evidence",
        "first_seen", "change", "table", "order_key",
    )  # fmt: skip
    columns = {name: pd.Series(dtype="str") for name in texts}
    columns |= {name: pd.Series(dtype="Int64") for name in ("amount_minor", "age_days")}
    columns |= {name: pd.Series(dtype="datetime64[s]") for name in ("event_date", "due_by")}
    columns |= {name: pd.Series(dtype="int64") for name in ("at", "supplier_order")}
    return pd.DataFrame(columns)
