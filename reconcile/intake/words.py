"""The words of the trade, read once from words.toml, and headers as they are compared with them.

A header is compared as words: folded, without accents, punctuation, small words and units, with
``orderNo`` and ``order_no`` split. Phrases of words.toml go through the same function.
"""

from __future__ import annotations

import difflib
import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from reconcile.money import minor_digits
from reconcile.records import RECORDS
from reconcile.references import plain

Words = tuple[str, ...]
EVERY_RECORD = "all"
# How much a header is like a column, at most
IN_FULL, VAGUELY, IN_OTHER_WORDS = 1000, 700, 600
SHORTEST_TO_GUESS = 5  # letters of a header that may be misspelt
TELLING = 3  # letters of a word that tells anything by itself

_BRACKET = re.compile(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]")
_HUMP = re.compile(r"(?<=[a-zà-ÿ0-9])(?=[A-ZÀ-Þ])|(?<=[A-ZÀ-Þ])(?=[A-ZÀ-Þ][a-zà-ÿ]{2})")
_WORD = re.compile(r"1(?:st|er|re|ra|\.?a)\b|[^\W\d_]+|\d+", re.I)
# What stands in brackets and says how cells are written, not which column it is: a date
# pattern in the letters that English, German, French and Spanish use for it, or a zone.
_PATTERN = re.compile(
    r"(?:([ymdhsjta])\1{1,3}[ .,:/-]*){2,6}|utc|gmt|cet|local( time)?|pcs|stck|stk|uds|iso", re.I
)
# Signs with one meaning only; "$" and "£" belong to several currencies.
SIGNS = MappingProxyType({"€": "EUR"})
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue"})


@dataclass(frozen=True)
class Header:
    """A header as it is compared: its words, and the currency that it names, or ""."""

    words: Words
    unit: str = ""

    @property
    def run(self) -> str:
        """The words written together: "Bestell-Nr." and "Bestellnummer" are the same."""
        return "".join(self.words)


@dataclass(frozen=True)
class Phrases:
    """Phrases of all languages, for comparing headers with."""

    phrases: frozenset[Words] = frozenset()
    runs: frozenset[str] = frozenset()

    def hold(self, read: Header) -> bool:
        """Whether a header is one of the phrases, its words parted or written together."""
        return read.words in self.phrases or read.run in self.runs


@cache
def _table() -> dict[str, Any]:
    return tomllib.loads((files("reconcile.intake") / "words.toml").read_text(encoding="utf-8"))


class TradeWords:
    """The words of the trade, each kind made ready when it is first asked for.

    ``names`` and ``vague`` hold, by record type and column, the phrases that say which column it
    is, and those that may mean it; ``others`` headers that the record type does not know. ``cells``
    holds the canonical word of each folded word; ``bank`` the words of a bank's free text that are
    kept. ``totals`` and ``period`` are folded words, with and without accents. ``private_firm`` are
    headers about people that may name a firm; the last are parts of words written together.
    """

    names = cached_property(lambda _: _by_column(_table()["names"], own_names=True))
    vague = cached_property(lambda _: _by_column(_table()["vague"]))
    cells = cached_property(lambda _: _cells(_table()["words"]))
    bank = cached_property(lambda _: _bank(_table()["bank"]))
    totals = cached_property(lambda _: _plain_words(_table()["totals"]))
    period = cached_property(lambda _: _plain_words(_table()["period"]))
    private = cached_property(lambda _: _phrases(_all(_table()["private"]["words"])))
    private_alone = cached_property(lambda _: _phrases(_all(_table()["private"]["alone"])))
    private_firm = cached_property(lambda _: _phrases(_all(_table()["private"]["firm"])))
    private_inside = cached_property(lambda _: tuple(_all(_table()["private"]["inside"])))
    private_endings = cached_property(lambda _: tuple(_all(_table()["private"]["endings"])))
    not_private = cached_property(lambda _: _phrases(_all(_table()["private"]["except"])))

    @cached_property
    def others(self) -> Mapping[str, Phrases]:
        """Headers that a record type does not know, without those that name one of its columns."""
        table = _table()["others"]
        return {name: _beside(_both(table, name), self.names[name]) for name in RECORDS}


def folded(text: str) -> str:
    """Folded, and without accents: how single words of a file are compared.

    >>> folded(" Réglé ")
    'regle'
    """
    return _bare(plain(text).casefold())


@cache
def trade_words() -> TradeWords:
    """The words of words.toml; read once."""
    return TradeWords()


def read_header(header: str) -> Header:
    """A header as it is compared.

    >>> read_header("shipToCountry").words, read_header("Bestell-Nr.").run
    (('ship', 'to', 'country'), 'bestellnumber')
    >>> read_header("Betrag in EUR"), read_header("Amount (EUR)").unit
    (Header(words=('betrag',), unit='EUR'), 'EUR')
    """
    text = plain(header.replace("°", "o"))
    unit = ""
    for inner in _BRACKET.findall(text):
        code = _currency(inner.strip())
        unit = code or unit
        if code or _PATTERN.fullmatch(inner.strip()):
            text = text.replace(inner, " ")
    for sign, code in SIGNS.items():
        unit = code if sign in text else unit
    text = text.replace("#", " number ").replace("%", " percent ")
    written = _WORD.findall(_HUMP.sub(" ", text))
    if len(written) > 1 and written[-1].isupper() and _currency(written[-1]):
        unit = written.pop()
        if len(written) > 1 and written[-1].casefold() in ("in", "en"):
            written.pop()
    words = [_same(_bare(word.casefold())) for word in written]
    # A small word at the end does say something: "payé le" is a date, "payé" may be an amount
    telling = [word for word in words[:-1] if word not in _fillers()]
    return Header((*telling, *words[-1:]), unit)


def is_currency(code: str) -> bool:
    """Whether this is an ISO 4217 code of money, in capitals."""
    return re.fullmatch("[A-Z]{3}", code) is not None and minor_digits(code) is not None


def likeness(read: Header, names: Phrases, vague: Phrases) -> int:
    """How much a header is like the phrases of a column: 1000 names it in full, 0 not at all.

    Below 1000 it says it vaguely, in other words, or with other words beside.
    """
    if names.hold(read):
        return IN_FULL
    near = VAGUELY if vague.hold(read) else 0
    words = set(read.words)
    for phrases, most in ((names.phrases, 900), (vague.phrases, IN_OTHER_WORDS)):
        for phrase in phrases:
            shared = words.intersection(phrase)
            every = len(words.union(phrase))
            # "number" and shorter words are in too many phrases to tell anything
            if 2 * len(shared) >= every and any(
                len(w) >= TELLING and w != "number" for w in shared
            ):
                near = max(near, most * len(shared) // every)
    if near < VAGUELY and len(read.run) > SHORTEST_TO_GUESS:
        # A slip of the pen, or a plural that words.toml lacks
        first, length = read.run[0], range(len(read.run) - 2, len(read.run) + 3)
        alike = [run for run in names.runs if run[0] == first and len(run) in length]
        near = VAGUELY if difflib.get_close_matches(read.run, alike, n=1, cutoff=0.88) else near
    return near


def _currency(text: str) -> str:
    code = SIGNS.get(text, text)
    return code if is_currency(code) else ""


def _bare(text: str) -> str:
    """Without accents; of a compatibility pair its plain letters."""
    if text.isascii():
        return text
    parts = unicodedata.normalize("NFKD", text)
    return "".join(char for char in parts if not unicodedata.combining(char))


def _same(word: str) -> str:
    """One spelling for short forms, and for the ways to write "number"."""
    word = _short().get(word, word)
    alone, endings = _number()
    if word in alone:
        return "number"
    for ending in endings:
        if word.endswith(ending) and len(word) > len(ending) + 1:
            return word.removesuffix(ending) + "number"
    return word


@cache
def _fillers() -> frozenset[str]:
    return frozenset(_all(_table()["fillers"]))


@cache
def _number() -> tuple[frozenset[str], Words]:
    table = _table()["number"]
    return frozenset(table["alone"]), tuple(sorted(table["endings"], key=len, reverse=True))


@cache
def _short() -> dict[str, str]:
    return {word: full for words in _table()["short"].values() for word, full in words.items()}


def _all(languages: Mapping[str, list[str]]) -> list[str]:
    return [word for words in languages.values() for word in words]


def _both(table: Mapping[str, Any], record: str) -> list[str]:
    return [*_all(table.get(EVERY_RECORD, {})), *_all(table.get(record, {}))]


def _phrases(texts: Iterable[str]) -> Phrases:
    """The phrases as headers are compared; an umlaut may be written with an e."""
    spelled = {form for text in texts for form in (text, text.translate(_UMLAUTS))}
    read = [read_header(text) for text in spelled]
    return Phrases(frozenset(h.words for h in read), frozenset(h.run for h in read if h.run))


def _beside(texts: Iterable[str], names: Mapping[str, Phrases]) -> Phrases:
    """Phrases for columns that a record type does not know, without those that name one of it."""
    found = _phrases(texts)
    known = [(each.phrases, each.runs) for each in names.values()]
    phrases, runs = (frozenset[Any]().union(*sets) for sets in zip(*known, strict=True))
    return Phrases(found.phrases - phrases, found.runs - runs)


def _by_column(
    table: Mapping[str, Any], *, own_names: bool = False
) -> dict[str, dict[str, Phrases]]:
    found: dict[str, dict[str, Phrases]] = {}
    for record in RECORDS.values():
        found[record.name] = {}
        for name in record.names:
            texts = [
                *_all(table.get(EVERY_RECORD, {}).get(name, {})),
                *_all(table.get(record.name, {}).get(name, {})),
                # A canonical name of one word ("tax", "discount") is anybody's word
                *([name] if own_names and "_" in name else []),
            ]
            found[record.name][name] = _phrases(texts)
    return found


def _cells(table: Mapping[str, Any]) -> dict[str, dict[str, dict[str, str]]]:
    found: dict[str, dict[str, dict[str, str]]] = {}
    for record in RECORDS.values():
        known = {**table.get(EVERY_RECORD, {}), **table.get(record.name, {})}
        found[record.name] = {
            column: {
                form: canonical
                for canonical, languages in words.items()
                for text in [canonical, *_all(languages)]
                for form in (folded(text), folded(text.translate(_UMLAUTS)))
            }
            for column, words in known.items()
            if column in record.names
        }
    return found


def _bank(table: dict[str, Any]) -> dict[str, str]:
    """What each folded word of a bank's text is kept as."""
    return {
        folded(form): folded(word) if name == "number" else name
        for name in reversed(table)
        for word in _all(table[name])
        for form in (word, word.translate(_UMLAUTS))
    }


def _plain_words(languages: Mapping[str, list[str]]) -> frozenset[str]:
    words = {word.casefold() for word in _all(languages)}
    return frozenset(words | {_bare(word) for word in words})
