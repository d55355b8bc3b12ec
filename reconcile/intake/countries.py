"""Countries: from their codes and names to ISO 3166-1 alpha-2 codes.

Names are those of pycountry (the iso-codes lists) in English, German, French and Spanish, and
what people write besides. They are compared folded, without accents and punctuation. They are
loaded where a file has other texts than codes.
"""

from __future__ import annotations

import gettext
import re
from functools import cache

import numpy as np
import pyarrow as pa

from reconcile.country_codes import CODES
from reconcile.intake.coded import Bools, one_piece
from reconcile.intake.words import folded

# Codes that are not in the standard and stand in exports. UK and EL are what the European Union
# writes (Interinstitutional style guide, section 7.1.1), XK and XKX are the usual ones for
# Kosovo; common practice, from memory.
_OTHER_CODES = {"UK": "GB", "EL": "GR", "XK": "XK", "XKX": "XK"}

_LANGUAGES = ("de", "fr", "es")
# Names that the lists lack: those of CLDR as Babel 2.17 to 2.19 brings them, and common practice,
# from memory.
_MORE_NAMES = {
    "AS": "Samoa Americana",
    "AX": "Ålandinseln|Îles Åland",
    "BM": "Bermudas",
    "BN": "Brunei|Brunéi",
    "BO": "Bolivia|Bolivien|Bolivie",
    "BQ": "Caribbean Netherlands|Karibische Niederlande|Pays-Bas caribéens|Caribe neerlandés",
    "BV": "Bouvetinsel",
    "BY": "Biélorussie|Weißrussland",
    "CC": "Kokosinseln|Îles Cocos|Islas Cocos",
    "CD": "Congo-Kinshasa|Kongo-Kinshasa|República Democrática del Congo|DR Congo|"
    "Democratic Republic of the Congo|Demokratische Republik Kongo|"
    "République démocratique du Congo",
    "CG": "Congo-Brazzaville|Kongo-Brazzaville|Republic of the Congo",
    "CI": "Ivory Coast|Elfenbeinküste",
    "CV": "Cape Verde|Kap Verde",
    "CX": "Weihnachtsinsel|Île Christmas",
    "CZ": "Czech Republic|Tschechische Republik|République tchèque|República Checa",
    "DE": "Federal Republic of Germany|BRD",
    "DZ": "Argelia",
    "FK": "Falkland Islands|Falklandinseln|Îles Malouines|Islas Malvinas",
    "FM": "Micronesia|Mikronesien|Micronésie",
    "FO": "Färöer",
    "GB": "England|Scotland|Wales|Northern Ireland|Great Britain|Britain|Großbritannien|Schottland|"
    "Nordirland|Angleterre|Écosse|Pays de Galles|Irlande du Nord|Grande-Bretagne|Royaume Uni|"
    "Inglaterra|Escocia|Gales|Irlanda del Norte|Gran Bretaña|Vereinigtes Königreich",
    "GF": "Französisch-Guayana",
    "GS": "South Georgia & South Sandwich Islands|Südgeorgien und die Südlichen Sandwichinseln|"
    "Islas Georgia del Sur y Sandwich del Sur",
    "HK": "Hong Kong SAR China|R.A.S. chinoise de Hong Kong|RAE de Hong Kong (China)",
    "HM": "Heard & McDonald Islands|Islas Heard y McDonald",
    "IE": "Republic of Ireland|Eire|Republik Irland|República de Irlanda|République d'Irlande",
    "IR": "Iran|Irán",
    "KG": "Kirghizstan|Kirgistan|Kirgisien",
    "KM": "Comoras",
    "KP": "North Korea|Nordkorea|Corée du Nord|Corea del Norte",
    "KR": "South Korea|Korea|Südkorea|Corée du Sud|Corea del Sur",
    "KY": "Kaimaninseln",
    "LA": "Laos",
    "MD": "Moldova|Moldawien|Moldavie|Moldavia",
    "MF": "Saint Martin|San Martín",
    "MK": "Macedonia|Mazedonien|Macédoine",
    "MM": "Burma|Birma|Birmanie|Birmania|Myanmar (Burma)|Myanmar (Birmanie)|Myanmar (Birmania)",
    "MO": "Macau|Macao SAR China|Sonderverwaltungsregion Macau|R.A.S. chinoise de Macao|"
    "RAE de Macao (China)",
    "MV": "Maldivas",
    "NL": "Holland|Hollande|Holanda|The Netherlands|Nederland|Niederlande",
    "PN": "Pitcairn Islands|Pitcairninseln|Islas Pitcairn",
    "PS": "Palestine|Palästina|Palestina|Palestinian Territories|Territoires palestiniens|"
    "Palästinensische Autonomiegebiete|Territorios Palestinos",
    "RE": "La Réunion",
    "RU": "Russia|Russland|Russie|Rusia",
    "SB": "Salomonen|Îles Salomon",
    "SH": "Saint Helena|Sainte-Hélène|Santa Elena",
    "SJ": "Spitzbergen und Jan Mayen|Svalbard et Jan Mayen",
    "SX": "Sint Maarten",
    "SY": "Syria|Syrien|Syrie|Siria",
    "SZ": "Swaziland|Swasiland",
    "TF": "French Southern and Antarctic Lands|Territorios Australes Franceses",
    "TR": "Turkey|Türkei|Turquie|Turquía",
    "TW": "Taiwan|Taiwán",
    "TZ": "Tanzania|Tansania|Tanzanie",
    "UM": "U.S. Outlying Islands|Amerikanische Überseeinseln|Islas menores alejadas de EE. UU.",
    "US": "U.S.A.|United States of America|America|Vereinigte Staaten von Amerika|EE. UU.|EEUU|"
    "États-Unis d'Amérique|Estados Unidos de América",
    "VA": "Vatican|Vatican City|Vatikan|Vatikanstadt|Cité du Vatican|Ciudad del Vaticano|"
    "État de la Cité du Vatican",
    "VC": "St. Vincent & Grenadines",
    "VE": "Venezuela",
    "VI": "U.S. Virgin Islands|Îles Vierges des États-Unis|Islas Vírgenes de EE. UU.",
    "VN": "Vietnam",
    "XK": "Kosovo",
}


def to_codes(texts: pa.Array) -> tuple[pa.Array, Bools]:
    """The ISO 3166-1 alpha-2 code of each tidy text, and whether it is known.

    An unknown text comes back in capitals and is otherwise as it was. Kosovo is XK.
    """
    distinct = one_piece(texts).dictionary_encode()
    found = [_code(text) for text in distinct.dictionary.to_pylist()]
    codes = pa.array([code for code, _ in found], pa.string())
    known = np.array([known for _, known in found], dtype=bool)
    return codes.take(distinct.indices), known[distinct.indices.to_numpy()]


def _code(text: str) -> tuple[str, bool]:
    upper = text.upper()
    if upper in CODES:
        return upper, True
    if upper in _OTHER_CODES:
        return _OTHER_CODES[upper], True
    code = _names().get(_key(text)) if len(text) > 2 else None  # noqa: PLR2004
    return code or upper, code is not None


def _key(text: str) -> str:
    """A name as it is compared: folded, no accents, words alone; "U. S. A." is "usa"."""
    bare = folded(text.replace("&", " and "))
    words = ["saint" if word == "st" else word for word in re.findall(r"\w+", bare)]
    return re.sub(r"\b(\w) (?=\w\b)", r"\1", " ".join(words))


@cache
def _names() -> dict[str, str]:
    """Codes by name and three-letter code. pycountry is read only where it is needed."""
    import pycountry  # noqa: PLC0415

    languages = [
        gettext.translation("iso3166-1", pycountry.LOCALES_DIR, languages=[language])
        for language in _LANGUAGES
    ]
    found = {_key(code): code for code in CODES} | {_key(c): to for c, to in _OTHER_CODES.items()}
    for country in pycountry.countries:
        fields = {name: value for name, value in country if name.endswith("name")}
        found[_key(country.alpha_3)] = country.alpha_2
        for name in fields.values():
            spellings = (name, *(language.gettext(name) for language in languages))
            found |= {_key(spelling): country.alpha_2 for spelling in spellings}
    for code, names in _MORE_NAMES.items():
        found |= {_key(name): code for name in names.split("|")}
    found.pop("", None)
    return found
