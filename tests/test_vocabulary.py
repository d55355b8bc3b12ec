"""Money, dates and references against plainer ways to say the same."""

from __future__ import annotations

import unicodedata
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.dates import add_business_days
from reconcile.money import (
    line_amount,
    major_text,
    minor_digits,
    round_half_up,
    split_in_proportion,
    within_tolerance,
)
from reconcile.rates import in_home_currency
from reconcile.references import clean, fold

AMOUNTS = st.integers(-(10**12), 10**12)
CODES = st.sampled_from(["EUR", "JPY", "BHD", "CLF"])


def _ints(values: list[int]) -> np.ndarray:
    return np.array(values, dtype=np.int64)


# Rounding


@given(st.lists(st.tuples(AMOUNTS, st.integers(1, 10**6)), min_size=1))
def test_half_is_rounded_away_from_zero(pairs: list[tuple[int, int]]) -> None:
    above, below = _ints([pair[0] for pair in pairs]), _ints([pair[1] for pair in pairs])
    expected = [
        int((Decimal(top) / Decimal(under)).quantize(Decimal(1), ROUND_HALF_UP))
        for top, under in pairs
    ]
    assert round_half_up(above, below).tolist() == expected


@pytest.mark.parametrize(("top", "expected"), [(5, 1), (-5, -1), (15, 2), (4, 0), (-4, 0), (0, 0)])
def test_exact_halves(top: int, expected: int) -> None:
    assert round_half_up(_ints([top]), 10).tolist() == [expected]


@given(st.integers(-9999, 9999), st.integers(-(10**9), 10**9), CODES)
def test_line_is_rounded_once_to_the_minor_unit(quantity: int, micro: int, code: str) -> None:
    digits = minor_digits(code)
    assert digits is not None
    exact = Decimal(quantity) * Decimal(micro).scaleb(-6)
    expected = exact.quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP)
    found = line_amount(_ints([quantity]), _ints([micro]), _ints([digits]))
    assert Decimal(int(found[0])).scaleb(-digits) == expected


@given(st.lists(st.tuples(st.one_of(st.none(), AMOUNTS), CODES), min_size=1))
def test_text_of_an_amount_is_exact(rows: list[tuple[int | None, str]]) -> None:
    minor = pd.Series([row[0] for row in rows], dtype="Int64")
    found = list(major_text(minor, pd.Series([row[1] for row in rows], dtype="str")))
    for (amount, code), text in zip(rows, found, strict=True):
        digits = minor_digits(code)
        assert digits is not None
        assert text == ("" if amount is None else f"{Decimal(amount).scaleb(-digits):f}")


# Splitting


def _shares(total: int, weights: list[int]) -> list[int]:
    """Largest remainder, by exact fractions; the earlier row first among equal remainders."""
    weights = [max(weight, 0) for weight in weights]
    if not any(weights):
        weights = [1] * len(weights)
    exact = [Fraction(total * weight, sum(weights)) for weight in weights]
    shares = [part.numerator // part.denominator for part in exact]
    by_remainder = sorted(range(len(exact)), key=lambda at: (shares[at] - exact[at], at))
    for at in by_remainder[: total - sum(shares)]:
        shares[at] += 1
    return shares


@given(
    st.lists(
        st.tuples(st.integers(0, 10**9), st.lists(st.integers(-5, 10**9), min_size=1, max_size=6)),
        min_size=1,
        max_size=5,
    )
)
def test_parts_add_up_and_go_to_the_largest_remainders(
    groups: list[tuple[int, list[int]]],
) -> None:
    rows = [(at, weight) for at, (_, weights) in enumerate(groups) for weight in weights]
    # Rows of several groups may stand between each other; within a group their order counts.
    rows.sort(key=lambda row: row[1] % 3)
    group = np.array([row[0] for row in rows], dtype=np.intp)
    parts = split_in_proportion(
        _ints([total for total, _ in groups]), group, _ints([row[1] for row in rows])
    )
    for at, (total, _) in enumerate(groups):
        weights = [weight for number, weight in rows if number == at]
        assert parts[group == at].tolist() == _shares(total, weights)
        assert int(parts[group == at].sum()) == total


@pytest.mark.parametrize(
    ("total", "weights", "parts"),
    [
        (1000, [1999, 500, 749], [615, 154, 231]),
        (100, [1, 1, 1], [34, 33, 33]),
        (2, [0, 0, 0], [1, 1, 0]),
        (5, [0, 3], [0, 5]),
        (0, [1, 2], [0, 0]),
        (4_000_000_000_000_000_000, [3, 3_000_000_000], [3_999_999_996, 3999999996000000004]),
    ],
)
def test_known_splits(total: int, weights: list[int], parts: list[int]) -> None:
    group = np.zeros(len(weights), dtype=np.intp)
    found = split_in_proportion(_ints([total]), group, _ints(weights)).tolist()
    assert found == parts == _shares(total, weights)


def test_group_without_rows_takes_nothing() -> None:
    group = np.array([1], dtype=np.intp)
    assert split_in_proportion(_ints([7, 9]), group, _ints([1])).tolist() == [9]
    nobody = np.zeros(0, dtype=np.intp)
    assert split_in_proportion(_ints([7]), nobody, _ints([])).tolist() == []


# Tolerance


def _passes(gap: int, base: int, absolute: str, percent: str, code: str = "USD") -> bool:
    found = within_tolerance(
        _ints([gap]), _ints([base]), pd.Series([code]), Decimal(absolute), Decimal(percent)
    )
    return bool(found[0])


@pytest.mark.parametrize(
    ("order", "invoice", "passes"),
    [
        ("500", "650.00", True),
        ("500", "650.01", False),
        ("2000", "2300.00", True),
        ("2000", "2300.01", False),
    ],
)
def test_whichever_is_less_decides(order: str, invoice: str, *, passes: bool) -> None:
    # University of Michigan, Voucher Approval Policies: 30 % or 300, whichever is less
    cents = [int(Decimal(text) * 100) for text in (order, invoice)]
    assert _passes(cents[1] - cents[0], cents[0], "300", "30") is passes


@given(
    st.integers(-(10**9), 10**9),
    st.integers(-(10**9), 10**9),
    st.decimals(0, 10**6, places=4),
    st.decimals(0, 200, places=4),
    CODES,
)
def test_gap_passes_where_it_is_within_both_limits(
    gap: int, base: int, absolute: Decimal, percent: Decimal, code: str
) -> None:
    digits = minor_digits(code)
    assert digits is not None
    major, whole = Fraction(gap, 10**digits), Fraction(abs(base), 10**digits)
    limit = min(Fraction(absolute), whole * Fraction(percent) / 100)
    assert _passes(gap, base, str(absolute), str(percent), code) is (gap <= 0 or major <= limit)


def test_nothing_passes_without_a_tolerance() -> None:
    for absolute, percent in (("0.00", "0"), ("5.00", "0"), ("0", "5")):
        assert not _passes(1, 10_000, absolute, percent)
        assert _passes(0, 10_000, absolute, percent)


# Exchange


@pytest.mark.parametrize(
    ("amount", "code", "base", "quote", "rate", "home"),
    [
        # Council Regulation (EC) No 1103/97, articles 4 and 5: 100 at 6.55957 = 15.24, where
        # the inverse cut to three decimals, 0.152, would give 15.20
        (10_000, "USD", "EUR", "USD", "6.55957", 1524),
        (2_478_500, "USD", "USD", "EUR", "0.001", 2479),
        (-2_478_500, "USD", "USD", "EUR", "0.001", -2479),
        (1000, "JPY", "EUR", "JPY", "160", 625),
        (1000, "BHD", "BHD", "EUR", "2.5", 250),
        (123, "EUR", "USD", "EUR", "0.9", 123),
    ],
)
def test_conversion_rounds_once_and_never_inverts(
    amount: int, code: str, base: str, quote: str, rate: str, home: int
) -> None:
    rates = pd.DataFrame(
        {"date": [pd.Timestamp("2026-03-01")], "base": [base], "quote": [quote], "rate": [rate]}
    )
    money = pd.Series([amount], dtype="Int64")
    assert in_home_currency(money, pd.Series([code]), "EUR", rates).tolist() == [home]


def test_latest_rate_counts_and_without_one_there_is_no_amount() -> None:
    rates = pd.DataFrame(
        {
            "date": pd.to_datetime(["2026-03-02", "2026-03-01"]),
            "base": ["USD", "USD"],
            "quote": ["EUR", "EUR"],
            "rate": ["0.5", "0.9"],
        }
    )
    amount = pd.Series([100, 100, None], dtype="Int64")
    found = in_home_currency(amount, pd.Series(["USD", "GBP", "USD"]), "EUR", rates)
    assert found.fillna(-1).tolist() == [50, -1, -1]


# Business days


def _add(day: date, count: int, holidays: set[date]) -> date:
    """Day by day: count begins on the last business day that is not after the date."""

    def works(one: date) -> bool:
        return one.weekday() < 5 and one not in holidays

    if count == 0:
        return day
    while not works(day):
        day -= timedelta(days=1)
    while count:
        day += timedelta(days=1)
        count -= works(day)
    return day


@given(
    st.lists(
        st.tuples(st.dates(date(2025, 1, 1), date(2027, 12, 31)), st.integers(0, 40)), min_size=1
    ),
    st.sets(st.dates(date(2025, 1, 1), date(2027, 12, 31)), max_size=30),
)
def test_business_days_as_counted_on_fingers(
    rows: list[tuple[date, int]], holidays: set[date]
) -> None:
    days = np.array([row[0] for row in rows], dtype="datetime64[D]")
    found = add_business_days(days, _ints([row[1] for row in rows]), holidays)
    assert found.tolist() == [_add(day, count, holidays) for day, count in rows]


def test_no_date_stays_none() -> None:
    days = np.array(["NaT", "2026-03-06"], dtype="datetime64[D]")
    found = add_business_days(days, _ints([3, 1]), [])
    assert np.isnat(found[0])
    assert str(found[1]) == "2026-03-09"


# References

PREFIXES, SUFFIXES = ("LL-", "L"), ("-R",)


@pytest.mark.parametrize(
    ("raw", "key", "replacement"),
    [
        ("1001", "1001", False),
        ("#1001", "1001", False),
        ("##1001", "1001", False),
        (" 1001 ", "1001", False),
        ("LL-1001", "1001", False),
        ("ll-1001", "1001", False),
        ("#LL-1001", "1001", False),
        ("LL-#1001", "1001", False),
        ("001001", "1001", False),
        ("LL-001001", "1001", False),
        ("1001.0", "1001", False),
        ("001001.0", "1001", False),
        ("1001-R", "1001", True),
        ("#LL-1001-r", "1001", True),
        ("1001.00", "1001.00", False),
        ("1001.5", "1001.5", False),
        ("0", "0", False),
        ("000", "0", False),
        ("#", "#", False),
        ("LL-", "ll-", False),  # the longer prefix goes first, and what would be empty stays
        ("L-1001", "-1001", False),
        ("A001", "a001", False),
        ("00A1", "00a1", False),
        ("\uff11\uff10\uff10\uff11", "1001", False),  # full-width digits
        ("\u2116 7", "no 7", False),  # the numero sign is two letters
        ("STRASSE-1", "strasse-1", False),
        ("stra\u00dfe-1", "strasse-1", False),
        ("e\u0301-1", "\u00e9-1", False),
        ("\u00a01001\u00a0", "1001", False),  # no-break spaces
        ("", "", False),
    ],
)
def test_reference_is_compared_cleaned(raw: str, key: str, *, replacement: bool) -> None:
    keys, replaced = clean(pa.array([raw]), PREFIXES, SUFFIXES)
    assert (keys.to_pylist(), replaced.tolist()) == ([key], [replacement])


def test_without_declared_prefix_nothing_is_cut() -> None:
    keys, replaced = clean(pa.array(["LL-7", "7-R"]))
    assert keys.to_pylist() == ["ll-7", "7-r"]
    assert not replaced.any()


@given(st.lists(st.text(max_size=12), min_size=1))
def test_cleaning_never_fails_and_never_empties(raws: list[str]) -> None:
    keys, _ = clean(pa.array(raws, pa.string()), PREFIXES, SUFFIXES)
    for raw, key in zip(raws, keys.to_pylist(), strict=True):
        assert (key == "") == (unicodedata.normalize("NFKC", raw).strip() == "")


@given(st.lists(st.text(max_size=12), min_size=1))
def test_neighbours_do_not_change_a_key(raws: list[str]) -> None:
    together = clean(pa.array(raws, pa.string()), PREFIXES, SUFFIXES)[0].to_pylist()
    alone = [clean(pa.array([raw], pa.string()), PREFIXES, SUFFIXES)[0][0].as_py() for raw in raws]
    assert together == alone


@given(st.lists(st.text(max_size=12), min_size=1))
def test_words_are_folded_alike_alone_and_together(raws: list[str]) -> None:
    expected = [unicodedata.normalize("NFKC", raw).strip().casefold() for raw in raws]
    assert fold(pa.array(raws, pa.string())).to_pylist() == expected
