"""Sentences agree with the counts in them."""

from __future__ import annotations

from datetime import date

import pandas as pd

from reconcile.checks.catalogue import FORMS, configured, load_catalogue
from reconcile.checks.explain import explain
from reconcile.checks.rows import Rows

AS_OF = date(2026, 3, 20)
NOT_DUE = pd.Series([pd.NaT] * 4, dtype="datetime64[s]")


def _facts() -> pd.DataFrame:
    counts = pd.Series([1, 2, 0, pd.NA], dtype="Int64")
    texts = {name: [name] * 4 for name in ("supplier", "sku", "order_ref")}
    day = pd.Series(["2026-03-04"] * 4, dtype="datetime64[s]")
    frame = pd.DataFrame({**texts, "shipped": counts + 1, "ordered": counts, "extra": 1}).astype(
        dict.fromkeys(texts, "str")
    )
    return frame.assign(last_shipped_date=day)


def test_words_after_a_count_are_in_its_form() -> None:
    said = explain(load_catalogue()["over-shipped"], Rows(_facts()), NOT_DUE, AS_OF)
    ends = [text.split("2026-03-04; ")[1] for text in said]
    assert ends == [
        "1 was ordered, 1 too many.",
        "2 were ordered, 1 too many.",
        "0 were ordered, 1 too many.",
        "unknown were ordered, 1 too many.",
    ]
    begins = [text.split(" of sku")[0] for text in said]
    assert begins == [
        "supplier sent 2 units",
        "supplier sent 3 units",
        "supplier sent 1 unit",
        "supplier sent unknown units",
    ]


def test_words_after_a_setting_are_in_its_form() -> None:
    texts = {name: ["x"] for name in ("supplier", "sku", "order_ref", "currency", "delivery")}
    days = ("last_shipped_date", "promised_date")
    day = pd.Series(["2026-03-04"], dtype="datetime64[s]")
    row = pd.DataFrame({**texts, "share_of_paid": [5400], **dict.fromkeys(days, day)})
    rows = Rows(row.astype(dict.fromkeys(texts, "str")))
    for value, said in ((1, "1 day beyond"), (2, "2 days beyond"), (0, "0 days beyond")):
        rules, _ = configured(load_catalogue(), {"lost": {"lost_days": value}})
        [text] = explain(rules["lost"], rows, NOT_DUE[:1], AS_OF)
        assert said in text


def test_an_amount_without_a_currency_stands_alone() -> None:
    texts = {name: ["x"] * 2 for name in ("supplier", "sku", "order_ref", "delivery")}
    days = ("last_shipped_date", "promised_date")
    day = pd.Series(["2026-03-04"] * 2, dtype="datetime64[s]")
    frame = pd.DataFrame({**texts, "currency": ["", "EUR"], "share_of_paid": [0, 0]})
    rows = Rows(
        frame.astype(dict.fromkeys([*texts, "currency"], "str")).assign(**dict.fromkeys(days, day))
    )
    said = explain(load_catalogue()["lost"], rows, NOT_DUE[:2], AS_OF)
    assert [text.split("as lost; ")[1] for text in said] == [
        "0 is paid for all of it.",
        "0.00 EUR is paid for all of it.",
    ]


def test_no_rule_leaves_the_choice_of_a_word_to_the_reader() -> None:
    for rule in load_catalogue().values():
        left = FORMS.sub("", rule.text["explanation"])
        assert "(s)" not in left, rule.name
        assert "|" not in left, rule.name
