"""Sentences: a rule's template filled with the facts of each exception, by column."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.checks.catalogue import FIELD, FORMS, Rule
from reconcile.checks.rows import Rows, date_text, text_of
from reconcile.joined import side_by_side
from reconcile.money import decimal_texts, digits_of

_UNKNOWN = "an unknown amount"
_NO_DATE = "an unknown date"


def explain(rule: Rule, rows: Rows, due: pd.Series, as_of: date) -> pd.Series:
    """The explanation of each row; money with its currency, dates as YYYY-MM-DD."""
    parts: list[pa.Array | str] = []
    counted = ""
    for at, piece in enumerate(FIELD.split(rule.text["explanation"])):
        if at % 2:
            parts.append(_field(rule, piece, rows, due, as_of))
            counted = piece if rule.counts(piece) else counted
        else:
            parts.extend(_in_form(piece, rule, counted, rows))
    nothing = pa.array([""], pa.string()).take(pa.array(np.zeros(len(rows), dtype=np.int8)))
    return pd.Series(side_by_side(nothing, *parts), dtype="str")


def _in_form(piece: str, rule: Rule, counted: str, rows: Rows) -> Iterator[pa.Array | str]:
    """Words between two fields, in their form for one or for several of what was counted last."""
    words, *more = FORMS.split(piece)
    yield words
    one = _is_one(rule, counted, rows) if more else None
    for single, several, rest in zip(more[::3], more[1::3], more[2::3], strict=True):
        yield pc.if_else(one, single, several)
        yield rest


def _is_one(rule: Rule, name: str, rows: Rows) -> pa.Scalar | pa.Array:
    """Whether a count, or a setting, is 1."""
    if name in rule.settings:
        return pa.scalar(rule.settings[name].value == 1)
    return pa.array((rows[name] == 1).to_numpy(dtype=bool, na_value=False))


def _field(rule: Rule, name: str, rows: Rows, due: pd.Series, as_of: date) -> pa.Array | str:
    if name == "due":
        return date_text(due, _NO_DATE)
    if name == "as_of":
        return str(as_of)
    if name in rule.settings:
        return str(rule.settings[name].value)
    fact = rule.table.facts.get(name)
    column = rows[name]
    if name == "supplier":
        text = text_of(column, "unknown")
        return pc.if_else(pc.equal(text, ""), "the supplier", text)
    if fact is not None and fact.kind == "money":
        amount = decimal_texts(column, digits_of(rows["currency"]))
        currency = text_of(rows["currency"])
        shown = side_by_side(amount, currency, between=" ")
        if pc.any(pc.equal(currency, "")).as_py():  # nothing is billed, quoted or paid yet
            shown = pc.utf8_rtrim(shown, " ")
        return pc.fill_null(shown, _UNKNOWN)
    if fact is not None and fact.kind == "date":
        return date_text(column, _NO_DATE)
    return text_of(column, "unknown")
