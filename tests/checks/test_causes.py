"""One cause, one amount: what follows a cause, and what does not."""

from __future__ import annotations

import pandas as pd

from reconcile.checks.catalogue import load_catalogue
from reconcile.checks.causes import follow

RULES = load_catalogue()


def _found(*rows: tuple[str, str, int, int]) -> pd.DataFrame:
    """Exceptions as rule, verdict, row of its table, supplier order; the ids are a, b, c and on."""
    columns = ["rule", "verdict", "at", "supplier_order"]
    return pd.DataFrame(rows, columns=columns).assign(
        id=[chr(ord("a") + number) for number in range(len(rows))], cause=""
    )


def _followed(found: pd.DataFrame) -> list[tuple[str, str]]:
    out = follow(found, RULES)
    return list(zip(out["verdict"], out["cause"], strict=True))


def test_symptom_on_the_same_row_follows_its_cause() -> None:
    found = _found(("refunded-but-paid", "open", 4, 9), ("double-paid", "open", 4, 9))
    assert _followed(found) == [("open", ""), ("follows", "a")]


def test_symptom_on_another_table_follows_by_supplier_order() -> None:
    found = _found(
        ("unfulfilled", "open", 7, 9), ("unfulfilled", "open", 9, 8), ("unfunded", "open", 9, 9)
    )
    assert _followed(found) == [("follows", "c"), ("open", ""), ("open", "")]


def test_symptom_of_a_symptom_names_the_root() -> None:
    found = _found(
        ("billed-twice", "open", 1, 9),
        ("double-paid", "open", 4, 9),
        ("refunded-but-paid", "open", 4, 9),
    )
    assert _followed(found) == [("follows", "c"), ("follows", "c"), ("open", "")]


def test_one_currency_does_not_follow_the_other() -> None:
    found = _found(("refunded-but-paid", "open", 4, 9), ("double-paid", "open", 5, 9))
    assert _followed(found) == [("open", ""), ("open", "")]


def test_what_is_not_open_explains_nothing() -> None:
    for verdict in ("waiting", "unknown"):
        found = _found(("refunded-but-paid", verdict, 4, 9), ("double-paid", "open", 4, 9))
        assert _followed(found) == [(verdict, ""), ("open", "")]


def test_accepted_cause_still_explains() -> None:
    found = _found(("refunded-but-paid", "accepted", 4, 9), ("double-paid", "open", 4, 9))
    assert _followed(found) == [("accepted", ""), ("follows", "a")]


def test_documents_without_order_explain_nothing() -> None:
    found = _found(("unfunded", "open", 0, -1), ("unfulfilled", "open", 1, -1))
    assert _followed(found) == [("open", ""), ("open", "")]
