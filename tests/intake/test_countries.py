"""Countries: codes and names, in four languages, to ISO 3166-1 alpha-2."""

from __future__ import annotations

import subprocess
import sys

import pyarrow as pa
import pycountry
import pytest
from babel import Locale

from reconcile.country_codes import CODES
from reconcile.intake.countries import _MORE_NAMES, to_codes


def _code(text: str) -> str | None:
    codes, known = to_codes(pa.array([text], pa.string()))
    return str(codes[0]) if known[0] else None


def test_the_codes_are_those_of_the_standard() -> None:
    assert {country.alpha_2 for country in pycountry.countries} == CODES
    assert len(CODES) == 249
    assert set(_MORE_NAMES) <= CODES | {"XK"}


def test_every_code_and_every_name_of_the_standard() -> None:
    for country in pycountry.countries:
        names = [value for name, value in country if name.endswith("name")]
        for text in (country.alpha_2, country.alpha_3, country.alpha_2.lower(), *names):
            assert _code(text) == country.alpha_2, text
            assert _code(text.upper()) == country.alpha_2, text


@pytest.mark.parametrize("language", ["en", "de", "fr", "es"])
def test_every_name_that_cldr_has(language: str) -> None:
    names = {
        code: name for code, name in Locale.parse(language).territories.items() if code in CODES
    }
    assert len(names) == 249
    found, known = to_codes(pa.array(list(names.values())))
    assert dict(zip(names, found.to_pylist(), strict=True)) == {code: code for code in names}
    assert known.all()


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("UK", "GB"),
        ("uk", "GB"),
        ("U.K.", "GB"),
        ("EL", "GR"),
        ("XK", "XK"),
        ("Kosovo", "XK"),
        ("USA", "US"),
        ("U.S.A.", "US"),
        ("U. S. A.", "US"),
        ("us", "US"),
        ("NA", "NA"),
        ("na", "NA"),
        ("England", "GB"),
        ("Scotland", "GB"),
        ("WALES", "GB"),
        ("Northern Ireland", "GB"),
        ("Ireland", "IE"),
        ("Czech Republic", "CZ"),
        ("South Korea", "KR"),
        ("Holland", "NL"),
        ("The Netherlands", "NL"),
        ("Russia", "RU"),
        ("Turkey", "TR"),
        ("Türkiye", "TR"),
        ("Cote d'Ivoire", "CI"),
        ("Côte d’Ivoire", "CI"),  # noqa: RUF001
        ("OSTERREICH", "AT"),
        ("Österreich", "AT"),
        ("Großbritannien", "GB"),
        ("Allemagne", "DE"),
        ("Alemania", "DE"),
        ("St. Lucia", "LC"),
        ("Trinidad & Tobago", "TT"),
        ("Korea, Republic of", "KR"),
    ],
)
def test_names_as_people_write_them(text: str, code: str) -> None:
    assert _code(text) == code


@pytest.mark.parametrize("text", ["", "ZZ", "XX", "Zedland", "276", "-", "Europe", "EU"])
def test_what_is_no_country(text: str) -> None:
    codes, known = to_codes(pa.array([text]))
    assert codes[0].as_py() == text.upper()
    assert not known[0]


def test_names_are_loaded_only_where_they_are_needed() -> None:
    lines = (
        "import sys, pyarrow as pa",
        "from reconcile.intake.countries import to_codes",
        "from reconcile.tracking import judge",
        "judge(pa.array(['RA473124829GB', 'RA473124829ZZ']))",
        "to_codes(pa.array(['DE', 'ie', 'UK', 'ZZ', '']))",
        "assert 'pycountry' not in sys.modules",
        "to_codes(pa.array(['Germany']))",
        "assert 'pycountry' in sys.modules",
    )
    subprocess.run([sys.executable, "-c", "\n".join(lines)], check=True)


def test_a_column_in_pieces_and_an_empty_one() -> None:
    pieces = pa.chunked_array([pa.array(["DE", "Zedland"]), pa.array(["de", "France"])])
    codes, known = to_codes(pieces)
    assert codes.to_pylist() == ["DE", "ZEDLAND", "DE", "FR"]
    assert known.tolist() == [True, False, True, True]
    assert to_codes(pa.array([], pa.string()))[0].to_pylist() == []
