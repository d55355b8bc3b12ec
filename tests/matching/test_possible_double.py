"""Possible double payments: what no reference decides, and what only looks like one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.matching.alike import groups_alike
from tests.matching.said import exceptions, said
from tests.matching.shops import Row, bill, matched, order, payment

pytestmark = pytest.mark.no_cover

RULE = "possible-double-payment"
NOTHING: list[str] = []


def _said(folder: Path, paid: list[Row], many: int = 1, **more: list[Row]) -> list[str]:
    """Orders of one unit that are billed at 40.00 each, and payments of any kind."""
    records: dict[str, list[Row]] = {
        "orders": [order(str(number)) for number in range(1, many + 1)],
        "invoices": [bill(f"K{number}01", str(number), "40.00") for number in range(1, many + 1)],
        "payments": paid,
    }
    return said(matched(folder, records | more), RULE)


def on(day: int, ref: str, amount: str = "40.00", **more: object) -> Row:
    return payment(ref, amount, paid_at=f"2026-03-{day:02}") | more


def test_invoices_of_no_order_at_all(tmp_path: Path) -> None:
    records: dict[str, list[Row]] = {
        "orders": [],
        "invoices": [bill("K101", "1", "40.00")],
        "payments": [on(3, "P1"), on(4, "P2")],
    }
    assert len(said(matched(tmp_path, records), RULE)) == 1


def test_nothing_to_compare_gives_the_same_columns(tmp_path: Path) -> None:
    bare = {"orders": [order("1")], "invoices": [bill("K101", "1", "40.00")]}
    two = bare | {"payments": [on(3, "P1"), on(5, "P2")]}
    some, none = (
        matched(tmp_path / name, records).matched
        for name, records in (("some", two), ("none", bare | {"payments": []}))
    )
    for name in ("possible_doubles", "payments", "supplier_orders", "invoice_lines"):
        pd.testing.assert_series_equal(some.tables[name].dtypes, none.tables[name].dtypes)
    for name in ("possible_doubles", "candidates"):
        pd.testing.assert_series_equal(some.links[name].dtypes, none.links[name].dtypes)
    assert len(some.tables["possible_doubles"]) == 1
    assert none.tables["possible_doubles"].empty


# One amount within some days


def test_more_payments_than_payables_of_one_amount(tmp_path: Path) -> None:
    paid = [on(3, "P1"), on(5, "P2")]
    assert _said(tmp_path / "one", paid) == ["P1; P2 open at-risk 40.00 EUR"]
    assert _said(tmp_path / "two", paid, many=2) == NOTHING
    assert _said(tmp_path / "alone", paid[:1]) == NOTHING


def test_group_is_told_once_with_the_excess(tmp_path: Path) -> None:
    paid = [on(3, "P1"), on(5, "P2"), on(6, "P3"), on(6, "P4")]
    assert _said(tmp_path, paid, many=2) == ["P1; P2; P3; P4 open at-risk 80.00 EUR"]


@pytest.mark.parametrize(("day", "expected"), [(10, 1), (11, 0)])
def test_seven_days_are_within(day: int, expected: int, tmp_path: Path) -> None:
    assert len(_said(tmp_path, [on(3, "P1"), on(day, "P2")])) == expected


@pytest.mark.parametrize(
    "other",
    [
        {"amount": "40.01"},
        {"currency": "USD"},
        {"supplier": "alder"},
        {"status": "failed"},
        {"status": "pending"},
        {"kind": "top-up"},
    ],
)
def test_payment_of_another_kind_is_no_second_one(other: dict[str, object], tmp_path: Path) -> None:
    assert _said(tmp_path, [on(3, "P1"), on(5, "P2") | other]) == NOTHING


def test_payment_beside_one_that_was_decided(tmp_path: Path) -> None:
    paid = [on(3, "P1", order_ref="1"), on(5, "P2")]
    assert _said(tmp_path / "one", paid) == ["P1; P2 open at-risk 40.00 EUR"]
    # The other order of that amount may be what it was for.
    assert _said(tmp_path / "two", paid, many=2) == NOTHING


def test_payments_that_their_references_decide_are_silent(tmp_path: Path) -> None:
    paid = [on(3, "P1", order_ref="1"), on(3, "P2", order_ref="2")]
    assert _said(tmp_path / "two", paid, many=2) == NOTHING
    twice = [on(3, "P1", order_ref="1"), on(3, "P2", order_ref="1")]
    assert _said(tmp_path / "told", twice) == NOTHING  # double-paid tells it


def test_payment_that_was_given_back_is_silent(tmp_path: Path) -> None:
    paid = [on(3, "P1"), on(5, "P2")]
    assert _said(tmp_path, [*paid, on(8, "R1", kind="refund")]) == NOTHING


def test_order_that_came_later_was_not_paid_for(tmp_path: Path) -> None:
    paid = [on(3, "P1"), on(5, "P2")]
    for day, expected in (
        ("2026-03-05", NOTHING),
        ("2026-03-06", ["P1; P2 open at-risk 40.00 EUR"]),
    ):
        orders = [order("1"), order("2", ordered_at=day, customer_paid_at=day)]
        assert _said(tmp_path / day, paid, 2, orders=orders) == expected


def test_invoice_of_two_orders_is_one_payable(tmp_path: Path) -> None:
    bills = [bill("K9", "1", "25.00"), bill("K9", "2", "15.00")]
    one = [on(3, "P1", order_ref="")]
    twice = [*one, on(4, "P2")]
    orders = [order("1"), order("2")]
    records = {"orders": orders, "invoices": bills}
    assert said(matched(tmp_path / "once", records | {"payments": one}), RULE) == NOTHING
    found = said(matched(tmp_path / "twice", records | {"payments": twice}), RULE)
    assert found == ["P1; P2 open at-risk 40.00 EUR"]


# Numbers that are alike


@pytest.mark.parametrize(
    ("number", "expected"),
    [
        ("K-101", 1),
        ("k 1 01", 1),
        ("K110", 1),
        ("1K01", 1),
        ("K101A", 1),
        ("K102", 0),
        ("K100", 0),
        ("K1012", 0),
        ("K011A", 0),
        ("K10", 0),
    ],
)
def test_number_that_is_typed_a_little_differently(
    number: str, expected: int, tmp_path: Path
) -> None:
    paid = [on(3, "P1", invoice_no="K101"), on(19, "P2", invoice_no=number)]
    found = _said(tmp_path, paid)
    assert found == ["P1; P2 open at-risk 40.00 EUR"] * expected


def test_other_amount_under_a_number_that_is_alike(tmp_path: Path) -> None:
    paid = [on(3, "P1", invoice_no="K101"), on(19, "P2", "39.00", invoice_no="K101A")]
    assert _said(tmp_path, paid) == NOTHING


def test_numbers_of_two_invoices_that_both_exist_are_decided(tmp_path: Path) -> None:
    records: dict[str, list[Row]] = {
        "orders": [order("1"), order("2")],
        "invoices": [bill("K12", "1", "40.00"), bill("K21", "2", "40.00")],
        "payments": [on(3, "P1", invoice_no="K12"), on(3, "P2", invoice_no="K21")],
    }
    assert said(matched(tmp_path, records), RULE) == NOTHING


def test_sequential_numbers_alone_say_nothing(tmp_path: Path) -> None:
    paid = [on(day, f"P{day}", invoice_no=f"X{1000 + day}") for day in range(3, 9)]
    assert _said(tmp_path, paid) == NOTHING


def test_parts_of_one_invoice_are_no_double(tmp_path: Path) -> None:
    orders = [order(str(number)) for number in (1, 2, 3)]
    bills = [bill("K9", str(number), "40.00") for number in (1, 2, 3)]
    records = {"orders": orders, "invoices": bills}
    parts = [on(3, "P1", invoice_no="K9"), on(4, "P2", invoice_no="K9")]
    assert said(matched(tmp_path / "two", records | {"payments": parts}), RULE) == NOTHING
    # The fourth is more than the invoice has room for.
    four = [on(day, f"P{day}", invoice_no="K9") for day in (3, 4, 5, 6)]
    found = said(matched(tmp_path / "four", records | {"payments": four}), RULE)
    assert found == ["P3; P4; P5; P6 open at-risk 40.00 EUR"]


def test_deposit_and_balance_of_several_orders_are_no_double(tmp_path: Path) -> None:
    halves = [on(3, "P1", order_ref="1;2"), on(4, "P2", order_ref="1;2")]
    assert _said(tmp_path / "halves", halves, many=2) == NOTHING
    wrong = [row | {"amount": "79.00"} for row in halves]
    assert _said(tmp_path / "wrong", wrong, many=2) == ["P1; P2 open at-risk 79.00 EUR"]


def test_it_says_what_is_alike_and_where_it_stands(tmp_path: Path) -> None:
    records: dict[str, list[Row]] = {
        "orders": [order("1")],
        "invoices": [bill("K101", "1", "40.00")],
        "payments": [on(3, "P1", invoice_no="K101"), on(19, "P2", invoice_no="K101A")],
    }
    found = exceptions(matched(tmp_path, records)).query(f"rule == '{RULE}'")
    assert list(found["evidence"]) == ["payments.csv row 2; payments.csv row 3"]
    assert list(found["explanation"]) == [
        "2 payments of 40.00 EUR each to kestrel from 2026-03-03 to 2026-03-19 (P1; P2), with "
        "references that are alike: K101 and K101A; 1 of them reached no order by a reference, "
        "and 1 of that amount are accounted for: 40.00 EUR may have been paid twice."
    ]


def test_groups_are_joined_step_by_step() -> None:
    texts = pd.Series(["K101", "K101A", "K101B", "K110", "K999", "K101"])
    key = np.array([0, 0, 0, 0, 0, 1])
    decided = np.array([False, False, False, True, False, False])
    assert groups_alike(key, texts, decided).tolist() == [0, 0, 0, 0, 1, 2]


def _bare(text: str) -> str:
    return "".join(letter for letter in text.casefold() if letter.isalnum() or letter == ";")


def _one_change(one: str, other: str) -> bool:
    """Whether a text is another, or becomes it by one slip; said anew, pair by pair."""
    if ";" in one or one == other:
        return one == other
    swaps = {one[:at] + one[at + 1] + one[at] + one[at + 2 :] for at in range(len(one) - 1)}
    added = len(one) > 1 and one[-1].isalpha() and one[-2].isdigit() and one[:-1] == other
    return other in swaps or added


_NEAR = ("1", "12", "21", "12a", "21A", "1-2b", "12ab", "1;2", "2;1", "12;a")
_TEXTS = st.sampled_from(_NEAR) | st.text(alphabet="12aB;-", max_size=5)


@given(st.lists(st.tuples(st.integers(0, 1), _TEXTS, st.booleans()), min_size=1, max_size=12))
def test_any_references_are_brought_together_as_pair_by_pair(
    rows: list[tuple[int, str, bool]],
) -> None:
    label = list(range(len(rows)))
    for _ in rows:
        for here, (key, text, decided) in enumerate(rows):
            for there, (other_key, other, other_decided) in enumerate(rows):
                one, two = _bare(text), _bare(other)
                alike = _one_change(one, two) or _one_change(two, one)
                if key == other_key and alike and not (decided and other_decided):
                    label[here] = label[there] = min(label[here], label[there])
    keys, texts, settled = zip(*rows, strict=True)
    found = groups_alike(np.array(keys), pd.Series(texts, dtype="str"), np.array(settled))
    assert found.tolist() == pd.factorize(np.array(label))[0].tolist()
