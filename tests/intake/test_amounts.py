"""Amounts and counts as exports write them: what is read, as what, and what is left unread."""

from __future__ import annotations

import re
from collections import defaultdict
from decimal import Decimal

import pyarrow as pa
import pytest
from babel import Locale
from babel.localedata import locale_identifiers
from babel.numbers import format_currency, format_decimal
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from reconcile.intake import amounts
from reconcile.intake.amounts import Marks, marks, parse_amounts, parse_counts, sign_fits
from reconcile.intake.cells import tidy
from reconcile.money import minor_digits


def _amount(text: str, decimal: str = ".") -> int | None:
    found = parse_amounts(tidy(pa.array([text])), decimal)
    return int(found.micro[0]) if found.ok[0] else None


def _sign(text: str, decimal: str = ".") -> str | None:
    found = parse_amounts(tidy(pa.array([text])), decimal)
    return str(found.sign[0]) if found.ok[0] else None


def _count(text: str, decimal: str = ".") -> int | None:
    found = parse_counts(tidy(pa.array([text])), decimal)
    return int(found.values[0]) if found.ok[0] else None


def _marks(*texts: str) -> Marks:
    return marks(tidy(pa.array(texts, pa.string())))


@pytest.mark.parametrize(
    ("text", "decimal", "micro"),
    [
        ("12.50", ".", 12_500_000),
        ("12,50", ",", 12_500_000),
        ("1,234.5", ".", 1_234_500_000),
        ("1.234,5", ",", 1_234_500_000),
        ("1,234,567", ".", 1_234_567_000_000),
        ("1,234", ".", 1_234_000_000),
        ("1,234", ",", 1_234_000),
        ("1 234,56", ",", 1_234_560_000),
        ("1\u202f234\u00a0567,5", ",", 1_234_567_500_000),
        ("1'234.56", ".", 1_234_560_000),
        ("1’234.56", ".", 1_234_560_000),  # noqa: RUF001
        ("1 234.56", ".", 1_234_560_000),
        ("-0.05", ".", -50_000),
        ("−0.05", ".", -50_000),  # noqa: RUF001
        ("- 0.05", ".", -50_000),
        ("+7", ".", 7_000_000),
        ("12.00-", ".", -12_000_000),
        ("(12.00)", ".", -12_000_000),
        ("( 1.234,50 )", ",", -1_234_500_000),
        (".5", ".", 500_000),
        (",50", ",", 500_000),
        ("-.5", ".", -500_000),
        ("(.5)", ".", -500_000),
        ("1.2345", ".", 1_234_500),
        ("0.123456", ".", 123_456),
        ("1.50000000", ".", 1_500_000),
        ("  3 ", ".", 3_000_000),
        ("007", ".", 7_000_000),
        ("\uff11\uff12\uff0e\uff15", ".", 12_500_000),
        ("9999999999", ".", 9_999_999_999_000_000),
        ("9,999,999,999", ".", 9_999_999_999_000_000),
        ("0", ".", 0),
        ("-0", ".", 0),
    ],
)
def test_amounts_are_read_to_the_millionth(text: str, decimal: str, micro: int) -> None:
    assert _amount(text, decimal) == micro


@pytest.mark.parametrize(
    ("text", "micro", "sign"),
    [
        ("€12", 12_000_000, "€"),
        ("€ 12", 12_000_000, "€"),
        ("12 €", 12_000_000, "€"),
        ("-€12", -12_000_000, "€"),
        ("€-12", -12_000_000, "€"),
        ("- € 12", -12_000_000, "€"),
        ("12,00 EUR", 12_000_000, "EUR"),
        ("12,00eur", 12_000_000, "EUR"),
        ("EUR 12,00-", -12_000_000, "EUR"),
        ("12,00- EUR", -12_000_000, "EUR"),
        ("EUR 1.234,56", 1_234_560_000, "EUR"),
        ("€ (12,00)", -12_000_000, "€"),
        ("(€12,00)", -12_000_000, "€"),
        ("(12,00 €)", -12_000_000, "€"),
        ("(12,00) EUR", -12_000_000, "EUR"),
        ("$,50", 500_000, "$"),
        ("US$ 5", 5_000_000, "US$"),
        ("us$ 5", 5_000_000, "US$"),
        ("Fr. 50", 50_000_000, "Fr."),
        ("Fr.  1'234,50", 1_234_500_000, "Fr."),
        ("Fr. ,50", 500_000, "Fr."),
        ("50 kr.", 50_000_000, "kr."),
        ("50kr", 50_000_000, "kr"),
        ("5 zł", 5_000_000, "zł"),
        ("12,50 Euro", 12_500_000, "Euro"),
        ("\uffe1 5", 5_000_000, "£"),
        ("12,50", 12_500_000, ""),
    ],
)
def test_the_currency_beside_an_amount_is_kept(text: str, micro: int, sign: str) -> None:
    assert _amount(text, ",") == micro
    assert _sign(text, ",") == sign


@pytest.mark.parametrize(
    ("text", "decimal"),
    [
        ("12,50", "."),
        ("12.50", ","),
        ("1,23,456", "."),
        ("1,2345", "."),
        ("1234,567", "."),
        ("0,125", "."),
        ("012,345", "."),
        ("1.234.567,8", "."),
        ("1,234'567", "."),
        ("1 234'567", "."),
        ("1,234 567.00", "."),
        ("1 23", "."),
        ("1  234", "."),
        ("1''234", "."),
        ("1.234.567", "."),
        ("1.5.5", "."),
        ("1.234 5", "."),
        ("12.5'000", "."),
        ("1.", "."),
        ("12.-", "."),
        (".", "."),
        (". 5", "."),
        (". .5", "."),
        ("..5", "."),
        ("--1", "."),
        ("-1-", "."),
        ("+1-", "."),
        ("1+", "."),
        ("-(1)", "."),
        ("(-1)", "."),
        ("(1", "."),
        ("1)", "."),
        ("((1))", "."),
        ("()", "."),
        ("1e3", "."),
        ("1E+3", "."),
        ("0x10", "."),
        ("12 ABC", "."),
        ("12 XXX", "."),
        ("€12€", "."),
        ("€12 EUR", "."),
        ("€", "."),
        ("€ -", "."),
        ("Fr.50", "."),
        ("kr.50", "."),
        ("USD.50", "."),
        ("12%", "."),
        ("12/13", "."),
        ("12 13", "."),
        ("#12", "."),
        ("12x", "."),
        ("nan", "."),
        ("inf", "."),
        ("½", "."),
        ("99999999999", "."),
        ("12,345,678,901", "."),
        ("0.1234567", "."),
        ("1\n2", "."),
        ("-\n1", "."),
        ("1\0", "."),
    ],
)
def test_amounts_of_another_form_are_not_read(text: str, decimal: str) -> None:
    assert _amount(text, decimal) is None


@pytest.mark.parametrize("text", ["", "-", "--", "—", "n/a", "NULL", "nan"])
def test_nothing_is_no_amount_and_no_fault(text: str) -> None:
    found = parse_amounts(pa.array([text]), ".")
    assert found.blank[0]
    assert not found.ok[0]
    assert parse_counts(pa.array([text]), ".").blank[0]


def test_decimals_are_counted_as_they_were_written() -> None:
    found = parse_amounts(pa.array(["1.50", "1,234.500 EUR", "7", "1.50000000"]), ".")
    assert found.decimals.tolist() == [2, 3, 0, 8]


_GROUPS = {".": [",", " ", "'", "’", "\u202f"], ",": [".", " ", "'", "’", "\u00a0"]}  # noqa: RUF001
_DRESS = [
    ("{}", 1), ("+{}", 1), ("-{}", -1), ("−{}", -1), ("{}-", -1), ("({})", -1), ("€{}", 1),  # noqa: RUF001
    ("{} €", 1), ("-€{}", -1), ("€-{}", -1), ("CHF {}", 1), ("{} SEK-", -1), ("{}- SEK", -1),
    ("SEK {}-", -1), ("$({})", -1), ("({} GBP)", -1), ("kr. {}", 1), ("{} kr.", 1),
]  # fmt: skip


@given(
    st.integers(0, 10**10 - 1),
    st.text("0123456789", max_size=6),
    st.sampled_from([".", ","]),
    st.data(),
)
def test_an_amount_is_read_as_it_was_written(
    whole: int, part: str, decimal: str, data: st.DataObject
) -> None:
    group = data.draw(st.sampled_from(["", *_GROUPS[decimal]]))
    form, factor = data.draw(st.sampled_from(_DRESS))
    number = f"{whole:,}".replace(",", group) + (decimal + part if part else "")
    value = Decimal(f"{whole}.{part or 0}") * factor
    assert _amount(form.format(number), decimal) == value.scaleb(6)


_PIECES = st.sampled_from([*"0123456789.,'’ -+−()€$", "EUR", "kr.", "000", "e", "\n", "/"])  # noqa: RUF001
_CELLS = st.lists(_PIECES, max_size=9).map("".join)


@given(_CELLS, st.sampled_from([".", ","]))
@settings(suppress_health_check=[HealthCheck.filter_too_much])  # most texts are no amounts
def test_no_text_is_bent_until_it_fits(text: str, decimal: str) -> None:
    micro = _amount(text, decimal)
    assume(micro is not None)
    # Every digit of the text is in the amount, in its place: the decimal mark is the last one.
    before, mark, after = text.rpartition(decimal) if decimal in text else (text, "", "")
    if not re.search("[0-9]", after):  # the point of "12 kr."
        before, mark, after = text.rstrip(decimal).rpartition(decimal)
        if not mark:
            before, after = after, ""
    digits = [re.sub("[^0-9]", "", each) for each in (before, after)]
    assert micro is not None
    assert abs(micro) == Decimal(f"{digits[0] or 0}.{digits[1] or 0}").scaleb(6)
    assert (micro < 0) == (micro != 0 and bool(re.search("[-−(]", text)))  # noqa: RUF001


@given(st.lists(_CELLS, max_size=8), st.sampled_from([".", ","]))
def test_each_amount_is_read_as_if_it_were_alone(texts: list[str], decimal: str) -> None:
    tidied = tidy(pa.array(texts, pa.string()))
    pieces = pa.chunked_array([tidied[at : at + 2] for at in range(0, len(tidied), 2)], pa.string())
    for together in (parse_amounts(tidied, decimal), parse_amounts(pieces, decimal)):
        read = zip(together.micro.tolist(), together.ok, together.sign, strict=True)
        assert [(micro if ok else None, sign or None) for micro, ok, sign in read] == [
            (_amount(text, decimal), _sign(text, decimal) or None) for text in texts
        ]


# Second opinion: babel writes amounts as each locale does (CLDR).
_LOCALES = {
    "en_US": ".", "en_GB": ".", "en_IE": ".", "de_DE": ",", "de_AT": ",", "de_CH": ".",
    "fr_FR": ",", "es_ES": ",", "it_IT": ",", "nl_NL": ",", "sv_SE": ",", "da_DK": ",",
    "pl_PL": ",", "cs_CZ": ",", "pt_BR": ",",
}  # fmt: skip


@given(
    st.sampled_from(sorted(_LOCALES)),
    st.sampled_from(["EUR", "USD", "GBP", "CHF", "SEK", "DKK", "PLN", "CZK", "CAD", "BRL"]),
    st.decimals(-(10**9), 10**9, places=2),
    st.sampled_from(["standard", "accounting"]),
)
def test_amounts_as_each_locale_writes_them(
    locale: str, currency: str, amount: Decimal, form: str
) -> None:
    decimal = _LOCALES[locale]
    micro = int(amount.scaleb(6))
    text = format_currency(amount, currency, locale=locale, format_type=form)  # type: ignore[arg-type]
    assert _amount(text, decimal) == micro, text
    sign = _sign(text, decimal)
    assert sign, text
    assert sign_fits(sign, currency), text
    assert _amount(format_decimal(amount, locale=locale), decimal) == micro


def test_signs_of_currencies_are_those_of_cldr() -> None:
    found = defaultdict(set)
    for identifier in locale_identifiers():
        for code, symbol in Locale.parse(identifier).currency_symbols.items():
            if minor_digits(code) is not None:
                found[symbol].add(code)
    table = {sign: set(codes.split()) for sign, codes in amounts._CLDR_SIGNS.items()}
    assert table == {sign: found[sign] for sign in table}
    more = {code for codes in amounts._MORE_SIGNS.values() for code in codes.split()}
    assert all(minor_digits(code) is not None for code in more)


@pytest.mark.parametrize(
    ("sign", "fits", "not_fits"),
    [
        ("€", ["EUR"], ["USD", "GBP"]),
        ("£", ["GBP", "GIP"], ["EUR"]),
        ("$", ["USD", "CAD", "AUD", "NZD", "SGD", "HKD", "MXN"], ["EUR", "GBP"]),
        ("¥", ["JPY", "CNY"], ["USD", "KRW"]),
        ("kr", ["SEK", "NOK", "DKK", "ISK"], ["EUR", "CZK"]),
        ("zł", ["PLN"], ["CZK"]),
        ("Fr.", ["CHF"], ["EUR"]),
        ("CHF", ["CHF"], ["EUR"]),
        ("USD", ["USD"], ["CAD"]),
        ("US$", ["USD"], ["CAD"]),
        ("", ["EUR", "USD"], []),
        ("?", [], ["EUR"]),
    ],
)
def test_which_currencies_a_sign_may_mean(sign: str, fits: list[str], not_fits: list[str]) -> None:
    assert all(sign_fits(sign, currency) for currency in fits)
    assert not any(sign_fits(sign, currency) for currency in not_fits)


@pytest.mark.parametrize("text", ["12.50", "1,234.56", "0.125", "1.2345", "1,234,567", "1234.567"])
@pytest.mark.parametrize("form", ["{}", "-{}", "({})", "€ {}", "{} EUR", "EUR {}-"])
def test_texts_that_show_a_decimal_point(text: str, form: str) -> None:
    shown = form.format(text)
    assert _marks(shown) == Marks(1, 0, 0, 0)
    swapped = shown.translate(str.maketrans(".,", ",."))
    assert _marks(swapped) == Marks(0, 1, 0, 0)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("1.234", Marks(0, 0, 1, 0)),
        ("-999.000", Marks(0, 0, 1, 0)),
        ("1,234", Marks(0, 0, 0, 1)),
        ("€1,234", Marks(0, 0, 0, 1)),
        ("0,123", Marks(0, 1, 0, 0)),
        (".500", Marks(1, 0, 0, 0)),
        ("1'234,567", Marks(0, 1, 0, 0)),
        ("1 234.567", Marks(1, 0, 0, 0)),
        ("1.23456789012", Marks(1, 0, 0, 0)),
        ("1234", Marks(0, 0, 0, 0)),
        ("1'234", Marks(0, 0, 0, 0)),
        ("1 234 567", Marks(0, 0, 0, 0)),
        ("12 kr.", Marks(0, 0, 0, 0)),
        ("Fr. 12", Marks(0, 0, 0, 0)),
        ("-", Marks(0, 0, 0, 0)),
        ("", Marks(0, 0, 0, 0)),
        ("no number, at all.", Marks(0, 0, 0, 0)),
        ("1.2.3", Marks(0, 0, 0, 0)),
        ("01.02.2026", Marks(0, 0, 0, 0)),
    ],
)
def test_texts_that_leave_the_decimal_mark_open(text: str, found: Marks) -> None:
    assert _marks(text) == found


def test_marks_are_counted_over_all_texts() -> None:
    assert _marks("12.50", "1,234", "1,235", "7", "9,5", "2.500") == Marks(1, 1, 1, 2)
    assert marks(pa.array([], pa.string())) == Marks(0, 0, 0, 0)


@given(_CELLS)
def test_marks_say_by_which_mark_a_text_can_be_read(text: str) -> None:
    by_point, by_comma = _amount(text, "."), _amount(text, ",")
    assume(by_point is not None or by_comma is not None)
    found = _marks(text)
    assert bool(found.point) >= (by_comma is None)
    assert bool(found.comma) >= (by_point is None)
    if by_point is not None and by_comma is not None:
        assert bool(found.lone_point or found.lone_comma) == (by_point != by_comma)


@pytest.mark.parametrize(
    ("text", "decimal", "count"),
    [
        ("0", ".", 0),
        ("12", ".", 12),
        ("+2", ".", 2),
        ("2.0", ".", 2),
        ("2.000", ".", 2),
        ("2.000", ",", 2_000),
        ("1,000", ".", 1_000),
        ("1,000.00", ".", 1_000),
        ("1 000", ",", 1_000),
        ("007", ".", 7),
        ("9999999", ".", 9_999_999),
    ],
)
def test_counts(text: str, decimal: str, count: int) -> None:
    assert _count(text, decimal) == count


@pytest.mark.parametrize(
    "text",
    ["-1", "1.5", "2,0", "1,00", "0,000", "2.", ".0", "two", "12345678", "12,345,678", "1e1", "½",
     "++1", "(1)", "1-", "€1", "1 pcs"],
)  # fmt: skip
def test_what_is_no_count(text: str) -> None:
    assert _count(text) is None
