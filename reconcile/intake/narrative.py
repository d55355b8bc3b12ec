"""What may be kept of a bank's free text: references and words of the trade, never a name.

A bank's text says whom money came from. Of it are kept the words with a digit in them, which are
references, amounts and dates, the words that are part of a declared supplier's name, and a few
words of the trade, in the one spelling that words.toml gives them. A counterparty is kept where
it is a declared supplier, and is nobody otherwise.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.intake.cells import tidy
from reconcile.intake.coded import Coded, one_piece
from reconcile.intake.reading import Opened
from reconcile.intake.words import folded, trade_words
from reconcile.records import RECORDS
from reconcile.references import fold, plain

_PARTS = r"[\s,;|]+"
_DIGIT = "[0-9]"
# An e-mail address; a telephone number as it is written for calls from abroad.
_ABOUT_A_PERSON = r"@|^\+[0-9]{6}"


def without_persons(opened: Opened, record: str, suppliers: Mapping[str, str]) -> Opened:
    """The table with nothing in its free texts and counterparties that could be about a person.

    ``suppliers`` gives the declared name of each spelling, folded.
    """
    kinds = {column.name: column.kind for column in RECORDS[record].columns}
    columns = dict(opened.table.columns)
    for name, at in opened.layout.positions.items():
        if kinds.get(name) == "narrative":
            columns[at] = _mapped(columns[at], references_only(columns[at].texts, suppliers))
        elif kinds.get(name) == "payee":
            columns[at] = _mapped(columns[at], known_payees(columns[at].texts, suppliers))
    return replace(opened, table=replace(opened.table, columns=columns))


def known_payees(texts: pa.Array, suppliers: Mapping[str, str]) -> pa.Array:
    """The supplier's name where a text is one of its spellings, else ""."""
    return pa.array([suppliers.get(key, "") for key in fold(tidy(texts)).to_pylist()], pa.string())


def references_only(texts: pa.Array, suppliers: Mapping[str, str]) -> pa.Array:
    """Free texts without the words that are neither references nor of the trade."""
    split = pc.split_pattern_regex(one_piece(tidy(texts)), pattern=_PARTS)
    words = one_piece(split.flatten()).dictionary_encode()
    told = _kept_words(words.dictionary, _names(suppliers)).take(words.indices)
    some = pc.not_equal(told, "").to_numpy(zero_copy_only=False)
    ends = np.concatenate([[0], np.cumsum(pc.list_value_length(split).to_numpy())])
    before = np.concatenate([[0], np.cumsum(some)])
    lists = pa.ListArray.from_arrays(
        pa.array(before[ends].astype(np.int32)), one_piece(told.filter(pa.array(some)))
    )
    return pc.binary_join(lists, " ")


def _names(suppliers: Mapping[str, str]) -> frozenset[str]:
    return frozenset(word for name in suppliers for word in name.split())


def _kept_words(words: pa.Array, names: frozenset[str]) -> pa.Array:
    """What each of some words is kept as, "" where it is not."""
    known = set(trade_words().bank) | names
    digits = pc.match_substring_regex(words, _DIGIT)
    reference = pc.and_not(digits, pc.match_substring_regex(words, _ABOUT_A_PERSON))
    kept = pc.if_else(reference, words, "")
    # Nearly all words are references; where no word of the trade and no name has a digit in it,
    # only the others can be one of these.
    looked = pc.invert(digits) if not any(map(_has_digit, known)) else pc.is_valid(words)
    some = [_trade_or_name(word, names) for word in words.filter(looked).to_pylist()]
    found = pc.replace_with_mask(pa.nulls(len(words), pa.string()), looked, pa.array(some, "str"))
    return pc.coalesce(found, kept)


def _has_digit(text: str) -> bool:
    return re.search(_DIGIT, text) is not None


def _trade_or_name(word: str, names: frozenset[str]) -> str | None:
    """The word of the trade that it is, or itself as part of a name, or None."""
    bare = folded(word).strip(".:()[]\"'+-/*#")
    if bare in trade_words().bank:
        return trade_words().bank[bare]
    return word if plain(word).casefold() in names else None


def _mapped(column: Coded, texts: pa.Array) -> Coded:
    return column.with_texts(texts)
