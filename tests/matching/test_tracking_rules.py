"""Tracking numbers: shown and given, used again, changed by a spreadsheet; and look-alikes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from reconcile.matching.parcel_numbers import number_parts
from tests.matching.shops import Result, Row, matched, order, parcel, payment
from tests.matching.test_deliveries import day, said

pytestmark = pytest.mark.no_cover

PAID = [payment("P1", "10.00", "1"), payment("P2", "20.00", "2")]


def shop(folder: Path, orders: list[Row], parcels: list[Row]) -> Result:
    return matched(folder, {"orders": orders, "shipments": parcels, "payments": PAID})


def parts(cell: str, *, words: bool = True) -> list[str]:
    return sorted(number_parts(pd.Series([cell], dtype="str"), words=words)["number"])


# Reading cells


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("RA473124829GB", ["RA473124829GB"]),
        ("ra473124829gb", ["RA473124829GB"]),
        ("\uff32\uff21473124829\uff27\uff22", ["RA473124829GB"]),
        ("KX-0001, KX-0002", ["KX0001", "KX0002"]),
        ("KX1;KX2|KX3", ["KX1", "KX2", "KX3"]),
        ("see e-mail", []),
        ("", []),
    ],
)
def test_numbers_of_a_cell(cell: str, expected: list[str]) -> None:
    assert parts(cell) == expected


def test_blanks_part_numbers_or_stand_within_one() -> None:
    assert set(parts("RA 473 124 829 GB")) >= {"RA473124829GB"}
    assert set(parts("KX1 KX2")) >= {"KX1", "KX2"}
    assert parts("RA 473 124 829 GB", words=False) == ["RA473124829GB"]


# Shown to the customer


def _shown(folder: Path, shown: str, *parcels: Row, **more: Any) -> list[str]:
    line = order("1", tracking_no=shown, tracking_posted_at="2026-03-05", **more)
    return said(shop(folder, [line], list(parcels)), "tracking-mismatch")


def test_another_number_is_a_mismatch(tmp_path: Path) -> None:
    found = shop(
        tmp_path,
        [order("1", tracking_no="T8", tracking_posted_at="2026-03-05")],
        [parcel("1", tracking_no="T2"), parcel("1", tracking_no="T1")],
    )
    assert said(found, "tracking-mismatch") == ["open"]
    line = found.lines["1", "A"]
    assert (line["posted_number"], line["supplier_number"]) == ("T8", "T1")
    assert day(line["posted_date"]) == "2026-03-05"


@pytest.mark.parametrize("shown", ["T1", "t1", " T-1 ", "T 1", "T9, T1", "T9 T1"])
def test_the_suppliers_number_in_other_words_is_none(tmp_path: Path, shown: str) -> None:
    assert _shown(tmp_path, shown, parcel("1")) == []


@pytest.mark.parametrize(
    "other",
    [
        parcel("1", shipped_at="2026-03-06", tracking_no="T7"),
        parcel("1-R", shipped_at="2026-03-06", tracking_no="T7"),
        parcel("1", "B", tracking_no="T7"),
        parcel("1", sku="", qty="", tracking_no="T7"),
        parcel("1", tracking_no="T7", supplier="alder"),
    ],
    ids=["second parcel", "replacement", "another line", "whole order", "other supplier's name"],
)
def test_any_number_for_the_order_will_do(tmp_path: Path, other: Row) -> None:
    assert _shown(tmp_path, "T7", parcel("1"), other) == []


def test_number_of_another_order_is_a_mismatch(tmp_path: Path) -> None:
    assert _shown(tmp_path, "T7", parcel("1"), parcel("2", tracking_no="T7")) == ["open"]


def test_nothing_shown_or_nothing_given_is_no_mismatch(tmp_path: Path) -> None:
    assert _shown(tmp_path / "a", "", parcel("1")) == []
    assert _shown(tmp_path / "b", "T8", parcel("1", tracking_no="")) == []
    assert _shown(tmp_path / "c", "T8") == []
    bare = [order("1")]
    assert said(shop(tmp_path / "d", bare, [parcel("1")]), "tracking-mismatch") == []


def test_text_that_is_no_number_is_a_mismatch(tmp_path: Path) -> None:
    assert _shown(tmp_path, "see e-mail", parcel("1")) == ["open"]


NO_NUMBERS = ["TBA", "pending...", "To follow", "0", "000", "0-0"]


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_stands_for_no_number_is_none_that_is_shown(tmp_path: Path, text: str) -> None:
    line = order("1", tracking_no=text, tracking_posted_at="2026-03-05")
    found = shop(tmp_path, [line], [parcel("1", tracking_no="T1")])
    assert said(found, "tracking-mismatch") == []
    assert said(found, "tracking-not-posted") == ["open"]
    assert found.states["1", "A"] == "to-post"
    [pieces] = found.matched.lines.pieces()
    assert pieces["posted"].tolist() == [""]


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_stands_for_no_number_is_none_that_was_given(tmp_path: Path, text: str) -> None:
    sent = [parcel("1", tracking_no=text), parcel("2", tracking_no=text)]
    orders = [order("1", recipient_key="C1"), order("2", recipient_key="C2", tracking_no="T8")]
    found = shop(tmp_path, orders, sent)
    assert said(found, "missing-tracking") == ["open", "open"]
    for name in ("tracking-not-posted", "tracking-mismatch", "tracking-invalid", "tracking-reused"):
        assert said(found, name) == []
    assert found.states["1", "A"] == "no-tracking"
    told = found.intake.notes[(found.intake.notes["column"] == "tracking_no").to_numpy()]
    assert told["text"].tolist() == [text, text]
    assert set(told["why"]) == {"a tracking number; this one stands for none"}


def test_placeholder_alone_shows_nothing_as_sent(tmp_path: Path) -> None:
    line = order("1", tracking_no="pending", tracking_posted_at="2026-03-05")
    assert said(shop(tmp_path, [line], []), "posted-not-shipped") == []


@pytest.mark.parametrize("text", ["#####", "#REF!"])
def test_number_that_a_spreadsheet_lost_is_no_placeholder(tmp_path: Path, text: str) -> None:
    found = shop(tmp_path, [order("1")], [parcel("1", tracking_no=text)])
    assert said(found, "tracking-invalid") == ["open"]
    assert said(found, "missing-tracking") == []


@pytest.mark.parametrize("text", ["No 7", "XYZ", "by hand"])
def test_other_words_may_be_a_number(tmp_path: Path, text: str) -> None:
    found = shop(tmp_path, [order("1", tracking_no="see T1")], [parcel("1", tracking_no=text)])
    assert said(found, "missing-tracking") == []
    assert said(found, "tracking-not-posted") == []


def test_shown_number_that_a_spreadsheet_changed_tells_nothing(tmp_path: Path) -> None:
    assert _shown(tmp_path, "3.40434E+17", parcel("1")) == ["unknown"]


# Changed by a spreadsheet

SPOILT = "3.40434E+17"


def test_damaged_number_is_told_and_is_none_to_be_posted(tmp_path: Path) -> None:
    found = shop(tmp_path, [order("1", tracking_no="")], [parcel("1", tracking_no=SPOILT)])
    assert said(found, "tracking-invalid") == ["open"]
    assert said(found, "missing-tracking") == []
    assert said(found, "tracking-not-posted") == []
    [fault] = found.matched.tables["shipments"]["number_fault"]
    assert fault == f"{SPOILT} is what a spreadsheet has made of the number"
    assert found.states["1", "A"] == "no-tracking"


def test_true_number_beside_a_damaged_one_is_a_mismatch(tmp_path: Path) -> None:
    assert _shown(tmp_path, "340434161094011123", parcel("1", tracking_no=SPOILT)) == ["open"]


def test_two_damaged_numbers_are_not_one_number(tmp_path: Path) -> None:
    orders = [order("1", recipient_key="C1"), order("2", recipient_key="C2")]
    sent = [parcel("1", tracking_no=SPOILT), parcel("2", tracking_no=SPOILT)]
    found = shop(tmp_path, orders, sent)
    assert said(found, "tracking-invalid") == ["open", "open"]
    assert said(found, "tracking-reused") == []


# Used again


def _reused(folder: Path, first: str, second: str, **sent: Any) -> Result:
    orders = [order("1", recipient_key=first), order("2", recipient_key=second)]
    later = {"shipped_at": "2026-03-09"} | sent
    return shop(folder, orders, [parcel("1"), parcel("2", **later)])


def test_number_of_another_recipient_is_told_of_the_later_order(tmp_path: Path) -> None:
    found = _reused(tmp_path, "C1", "C2")
    assert said(found, "tracking-reused") == ["open"]
    assert found.fact("number_reused", "2") is True
    assert found.fact("reused_number", "2") == "T1"
    assert found.fact("reused_days", "2") == 5
    assert found.fact("used_before_order", "2") == "1"
    assert day(found.fact("used_before_date", "2")) == "2026-03-04"
    assert found.money("paid", "2") == "20.00"


def test_two_orders_of_one_recipient_share_a_parcel(tmp_path: Path) -> None:
    assert said(_reused(tmp_path, "C1", "C1"), "tracking-reused") == []


@pytest.mark.parametrize(("first", "second"), [("", "C2"), ("C1", ""), ("", "")])
def test_unknown_recipients_are_unknown(tmp_path: Path, first: str, second: str) -> None:
    found = _reused(tmp_path, first, second)
    assert said(found, "tracking-reused") == ["unknown"]


def test_orders_without_recipients_are_unknown(tmp_path: Path) -> None:
    sent = [parcel("1"), parcel("2", shipped_at="2026-03-09")]
    assert said(shop(tmp_path, [order("1"), order("2")], sent), "tracking-reused") == ["unknown"]


def test_on_one_day_the_younger_order_is_the_later_one(tmp_path: Path) -> None:
    orders = [
        order("1", recipient_key="C1", ordered_at="2026-03-02"),
        order("2", recipient_key="C2", ordered_at="2026-03-01"),
    ]
    found = shop(tmp_path, orders, [parcel("1"), parcel("2")])
    assert said(found, "tracking-reused") == ["open"]
    assert found.fact("number_reused", "1") is True


def test_own_parcels_and_replacements_use_a_number_again(tmp_path: Path) -> None:
    orders = [order("1", recipient_key="C1"), order("2", recipient_key="C2")]
    own = [parcel("1"), parcel("1", "A", shipped_at="2026-03-06"), parcel("1-R")]
    assert said(shop(tmp_path / "a", orders, own), "tracking-reused") == []
    other = [parcel("1"), parcel("2-R", shipped_at="2026-03-09")]
    assert said(shop(tmp_path / "b", orders, other), "tracking-reused") == ["open"]


def test_numbers_given_out_again_after_a_year(tmp_path: Path) -> None:
    found = _reused(tmp_path, "C1", "C2", shipped_at="2026-03-09")
    found.matched.tables["supplier_orders"].loc[:, "reused_days"] = 365
    assert said(found, "tracking-reused") == []


def test_third_use_names_the_last_use_by_another(tmp_path: Path) -> None:
    orders = [order(str(n), recipient_key=key) for n, key in enumerate(["C1", "C2", "C1"], 1)]
    sent = [parcel(str(n), shipped_at=f"2026-03-0{3 + n}") for n in range(1, 4)]
    found = shop(tmp_path, orders, sent)
    assert said(found, "tracking-reused") == ["open", "open"]
    assert found.fact("used_before_order", "3", code="") == "2"


def test_words_that_are_no_numbers_are_never_used_again(tmp_path: Path) -> None:
    orders = [order("1", recipient_key="C1"), order("2", recipient_key="C2")]
    sent = [parcel("1", tracking_no="Letter"), parcel("2", tracking_no="Letter")]
    assert said(shop(tmp_path, orders, sent), "tracking-reused") == []
