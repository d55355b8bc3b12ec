"""Sentences: a rule's template filled with the facts of each exception, by column."""

from __future__ import annotations

from datetime import date

import pandas as pd

from reconcile.checks.catalogue import FIELD, Rule
from reconcile.money import major_text

_UNKNOWN = "an unknown amount"


def explain(rule: Rule, rows: pd.DataFrame, due: pd.Series, as_of: date) -> pd.Series:
    """The explanation of each row; money with its currency, dates as YYYY-MM-DD."""
    text = pd.Series("", index=rows.index, dtype="str")
    pieces = FIELD.split(rule.text["explanation"])
    for number, piece in enumerate(pieces):
        text = text + (_field(rule, piece, rows, due, as_of) if number % 2 else piece)
    return _words(text)


def _words(column: pd.Series) -> pd.Series:
    words: pd.Series = column.astype("str")
    return words


def _date(column: pd.Series) -> pd.Series:
    return _words(column.dt.strftime("%Y-%m-%d").fillna("an unknown date"))


def _field(rule: Rule, name: str, rows: pd.DataFrame, due: pd.Series, as_of: date) -> pd.Series:
    if name == "due":
        return _date(due)
    if name == "as_of":
        return pd.Series(str(as_of), index=rows.index, dtype="str")
    if name in rule.settings:
        return pd.Series(str(rule.settings[name].value), index=rows.index, dtype="str")
    fact = rule.table.facts.get(name)
    column = rows[name]
    if name == "supplier":
        return _words(column.where(column != "", "the supplier"))
    if fact is not None and fact.kind == "money":
        amount = major_text(column.astype("Int64"), rows["currency"])
        shown = amount + " " + rows["currency"]
        return _words(shown.where(column.notna(), _UNKNOWN))
    if fact is not None and fact.kind == "date":
        return _date(column)
    return _words(column).fillna("unknown")
