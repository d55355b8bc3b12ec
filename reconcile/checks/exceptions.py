"""All rules over all fact tables: exceptions with ids, causes, sentences and evidence."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.checks.catalogue import SEVERITIES, Rule
from reconcile.checks.causes import follow
from reconcile.checks.evidence import Places, evidence_of
from reconcile.checks.explain import explain
from reconcile.checks.rows import Rows, date_text, one_of, text_of
from reconcile.checks.verdicts import Setting, judge, unknown_amounts, untold
from reconcile.empty import without_rows
from reconcile.joined import beside_each_other, side_by_side
from reconcile.money import whole_numbers

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
_LETTERS = np.frombuffer(b"abcdefghijklmnopqrstuvwxyz234567", dtype=np.uint8)
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

    def of(rule: Rule) -> pd.DataFrame | None:
        frame = tables[rule.table.name]
        found = judge(rule, frame, run)
        return _described(rule, found, frame, orders, run) if len(found) else None

    # Arrow and numpy let go of the interpreter: two rules are told in little more than the time
    # of one.
    with ThreadPoolExecutor(max_workers=2) as both:
        found = zip(rules.values(), both.map(of, rules.values()), strict=True)
        told = [(rule, piece) for rule, piece in found if piece is not None]
    named, pieces = [rule for rule, _ in told], [piece for _, piece in told]
    del told
    if not pieces:
        return _empty()
    out = pd.concat(pieces, ignore_index=True)
    which = np.repeat(np.arange(len(named)), [len(one) for one in pieces])
    out["rule"] = one_of([rule.name for rule in named], which)
    out["severity"] = one_of([rule.severity for rule in named], which)
    out["table"] = one_of([rule.table.name for rule in named], which)
    out = follow(out, rules)
    order = _order(out)
    out, which = out.iloc[order].reset_index(drop=True), which[order]
    # Long texts come last: what is not there yet need not be put in order.
    out["title"] = one_of([rule.title for rule in named], which)
    out["action"] = one_of([rule.text["action"] for rule in named], which)
    out["evidence"] = evidence_of(out, rules, tables, places)
    days = np.datetime64(run.as_of, "D") - out["event_date"].to_numpy().astype("datetime64[D]")
    unknown = np.isnat(days)
    age = np.where(unknown, 0, days.astype(np.int64))
    out["age_days"] = pd.arrays.IntegerArray(age, unknown)
    nothing = np.zeros(len(out), dtype=np.int8)
    out["first_seen"], out["change"] = one_of([str(run.as_of)], nothing), one_of(["new"], nothing)
    return out


def _described(
    rule: Rule, found: pd.DataFrame, frame: pd.DataFrame, orders: pd.DataFrame, run: Setting
) -> pd.DataFrame:
    """Add who the exception is about, its id and its sentence."""
    rows = Rows(frame, found["at"].to_numpy(np.int64))
    for name in untold(rule, run):
        rows[name] = unknown_amounts(rows)
    order = rows["order"].to_numpy()
    _name_orders(rows, orders)
    if "main" in rows:
        rows["side"] = rows["currency"].where(~rows["main"], "")
    _say_day(rows)
    said = {
        name: pd.Series(text_of(rows[name]), dtype="str") if name in rows else _blank(len(rows))
        for name in _SHOWN
    }
    if rule.table.name == "order_lines" and "first_number" in rows and rule.list == "post":
        said["document"] = rows["first_number"]
    said["currency"] = said["currency"].where(found["amount_minor"].notna(), "")
    said["supplier_order"] = rows["supplier_order"]
    key = text_of(rows["key"])
    if "order_ref_key" in rows:
        key = pc.if_else(pa.array(order < 0), text_of(rows["order_ref_key"]), key)
    said["order_key"] = pd.Series(key, dtype="str")
    said["id"] = _ids(rule, rows)
    said["explanation"] = explain(rule, rows, found["due_by"], run.as_of)
    return beside_each_other({**found, **said})


def _blank(size: int) -> pd.Series:
    return one_of([""], np.zeros(size, dtype=np.int8))


def _name_orders(rows: Rows, orders: pd.DataFrame) -> None:
    """The reference, store and key of each row's order."""
    order = rows["order"].to_numpy()
    known = pa.array(order >= 0)
    named = Rows(orders, np.maximum(order, 0))
    for name in ("order_ref", "store", "key"):
        if name in rows and name != "order_ref":
            continue
        # What is about no order, as a month of a supplier, names none.
        own = text_of(rows[name]) if name in rows else ""
        if len(orders):
            rows[name] = pd.Series(pc.if_else(known, text_of(named[name]), own), dtype="str")
        elif name not in rows:
            rows[name] = _blank(len(rows))


def ids_of(rule: Rule, frame: pd.DataFrame) -> pd.Series:
    """The ids that exceptions have where the rule fires on exactly these rows of its table."""
    rows = Rows(frame)
    _say_day(rows)
    return _ids(rule, rows)


def _say_day(rows: Rows) -> None:
    if "dated" in rows:
        rows["day"] = pd.Series(date_text(rows["dated"]), dtype="str")


def _ids(rule: Rule, rows: Rows) -> pd.Series:
    """Ids that stay the same from run to run: a digest of the rule and of what it is about."""
    about = [text_of(rows[name]) for name in _ANCHORS[rule.table.name] if name in rows]
    anchors = side_by_side(rule.name, *about, between="\x1f")
    digests = _digests(anchors)
    twice = pd.Series(digests).duplicated(keep=False).to_numpy()
    if twice.any():
        digests[twice] = _digests(_numbered(rule, rows, np.flatnonzero(twice), anchors))
    return _in_letters(digests)


def _numbered(rule: Rule, rows: Rows, twice: NDArray[np.int64], anchors: pa.Array) -> pa.Array:
    """Anchors of twins: all but the first get a number.

    Twins are numbered by what they hold, so that the order of rows does not matter.
    """
    anchor = pd.Series(anchors.take(pa.array(twice)), dtype="str")
    twins = pd.DataFrame({"anchor": anchor, "amount": 0, "text": ""})
    if rule.amount:
        twins["amount"] = whole_numbers(rows[rule.amount])[twice]
    if "document" in rows:
        twins["text"] = rows["document"].fillna("").iloc[twice].to_numpy()
    place = twins.sort_values(["anchor", "amount", "text"], kind="stable")
    nth = place.groupby("anchor").cumcount().reindex(twins.index)
    return text_of(anchor.where(nth == 0, anchor + "\x1f" + nth.astype("str")))


def _digests(anchors: pa.Array) -> NDArray[np.uint64]:
    """The first 64 bits of the SHA-256 of each text."""
    texts = pc.cast(anchors, pa.large_binary()).to_pylist()
    whole = b"".join([hashlib.sha256(text).digest() for text in texts])
    return np.frombuffer(whole, dtype=">u8").reshape(-1, 4)[:, 0].astype(np.uint64)


def _in_letters(digests: NDArray[np.uint64]) -> pd.Series:
    """The first 60 bits as twelve letters and digits (RFC 4648, base32), in small letters."""
    shifts = np.arange(59, -1, -5, dtype=np.uint64)
    signs = _LETTERS[(digests[:, None] >> shifts) & np.uint64(31)]
    offsets = np.arange(0, len(shifts) * (len(digests) + 1), len(shifts), dtype=np.int64)
    buffers = [None, pa.py_buffer(offsets), pa.py_buffer(signs)]
    return pd.Series(pa.Array.from_buffers(pa.large_string(), len(digests), buffers), dtype="str")


def in_order(out: pd.DataFrame) -> pd.DataFrame:
    """Input first; then by verdict, severity, due date and money; the id decides the rest."""
    order = _order(out)
    if np.array_equal(order, np.arange(len(out))):
        return out.reset_index(drop=True)
    # Column by column: of all at once there would be two tables for a while.
    left = out.copy(deep=False)
    del out
    taken = {name: left.pop(name).array.take(order) for name in map(str, list(left))}
    return pd.DataFrame(taken, copy=False)


def _order(out: pd.DataFrame) -> NDArray[np.int64]:
    """The positions of exceptions in the order of ``in_order``."""
    place = np.where(out["table"] == "inputs", 0, 100)
    place += 10 * _rank(out["verdict"], VERDICTS) + _rank(out["severity"], SEVERITIES)
    keys = {
        "place": pa.array(place),
        "due": pa.array(out["due_by"]),
        "amount": pa.array(-whole_numbers(out["amount_minor"])),
        "rule": pa.array(pd.factorize(out["rule"], sort=True)[0]),
        **{name: text_of(out[name]) for name in ("order_ref", "sku", "id")},
    }
    by = [(name, "ascending") for name in keys]
    order: NDArray[np.int64] = pc.sort_indices(pa.table(keys), sort_keys=by).to_numpy()
    return order


def _rank(column: pd.Series, names: tuple[str, ...]) -> NDArray[np.int64]:
    """The place of each text among the names; after them where it is none of them."""
    codes, found = pd.factorize(column)
    ranks = [names.index(name) if name in names else len(names) for name in found]
    return np.array([*ranks, len(names)], dtype=np.int64)[codes]


def _empty() -> pd.DataFrame:
    texts = (
        "id", "rule", "title", "verdict", "severity", "class", "currency", "order_ref", "sku",
        "supplier", "document", "list", "cause", "explanation", "action", "evidence",
        "first_seen", "change", "table", "order_key",
    )  # fmt: skip
    kinds = dict.fromkeys(texts, "str")
    kinds |= dict.fromkeys(("amount_minor", "age_days"), "Int64")
    kinds |= dict.fromkeys(("event_date", "due_by"), "datetime64[s]")
    kinds |= dict.fromkeys(("at", "supplier_order"), "int64")
    return without_rows(kinds)
