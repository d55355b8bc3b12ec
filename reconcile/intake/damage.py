"""What spreadsheets do to identifiers: found, said, and never matched on.

A reference that looks like a number or a date is stored as one, and shown another way:

- 15 significant digits are kept, the rest become zeros: 1111222233334444 is
  1111222233334440 (Microsoft KB 269370; Excel specifications and limits: 15 digits);
- a long number is shown in exponent form: 9.4E+21, and 10e5 is taken for a number (Microsoft,
  "Stop automatically changing numbers to dates"; the page's title is from memory);
- 1-3 becomes a date, shown as 01-Mar, 01/03/2026 or 2026-03-01 00:00:00 (the same page);
- a formula that fails is shown as #REF!, #VALUE!, #NAME? and the like (Microsoft, [MS-OI29500]
  2.1.755), in other languages as #BEZUG! or #¡REF! (both from memory);
- a number for which the column is too narrow is saved as ##### (common practice).

The last two stand for any value: rows that show them would all be of one order.

What stays undetected: 00123 that has become 123 (references are compared without leading zeros
for that reason), a number below 16 digits that was text, and a date that the column might hold
by its own right.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.intake.coded import Bools, begin_with, bools, holds, one_piece

EXPONENT = (
    "a spreadsheet has written this number in exponent form; its last digits are gone: "
    "export it as text"
)
ROUNDED = (
    "a spreadsheet keeps 15 digits of a number and has put zeros behind them: export it as text"
)
ERROR = (
    "a spreadsheet shows an error here, or had no room to show the value: export the value itself"
)
DATED = "a spreadsheet has taken this reference for a date: export it as text"

_ERROR = r"^#(?:[¡¿]?\p{Lu}[\p{Lu}/0_]*[!?]|GETTING_DATA|#+)$"
_IN_ERRORS = (b"!", b"?", b"##", b"#G")
_EXPONENT = r"^[+-]?[0-9](?:[.,][0-9]+)?[Ee]\+[0-9]{2,3}$"
_LONG = "^[0-9]{16,}$"
_ZEROS = "^[1-9][0-9]{14}0+$"

_DAY, _MONTH = "(?:0?[1-9]|[12][0-9]|3[01])", "(?:0?[1-9]|1[0-2])"
_WORD = "(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)"  # as spreadsheets write them
_WORD_DE = "(?:Jan|Feb|Mrz|Apr|Mai|Jun|Jul|Aug|Sep|Okt|Nov|Dez)"  # from memory
_AT_MIDNIGHT = r"^[12][0-9]{3}-[01][0-9]-[0-3][0-9][ T]00:00(?::00(?:\.0+)?)?$"
_SURELY_DATES = (
    rf"{_AT_MIDNIGHT}|^{_DAY}-{_WORD}(?:-[0-9]{{2}}|-[0-9]{{4}})?$|^{_WORD}-[0-9]{{2}}$"
    rf"|^[0-3][0-9]\. {_WORD_DE}$"
)
# Shapes that references have too: each with the texts of that shape that are dates.
_LIKE_DATES = (
    (r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$", rf"^(?:19|20)[0-9]{{2}}-{_MONTH}-{_DAY}$"),
    (
        r"^[0-9]{1,2}[/.][0-9]{1,2}[/.](?:[0-9]{2}|[0-9]{4})$",
        rf"^(?:{_DAY}[/.]{_MONTH}|{_MONTH}[/.]{_DAY})[/.](?:[0-9]{{2}}|[0-9]{{4}})$",
    ),
)

# Nothing that is damaged begins otherwise, and what is no long number has one of these in it
_BEGINS, _MONTHS = b"0123456789+-", b"JFMASOND"
_WITHIN = (b"-", b"/", b".", b"+", b" ")
_DIGITS = 15


def damaged(texts: pa.Array) -> dict[str, Bools]:
    """Which of the distinct, tidy texts of an identifier column are damaged, by the reason why.

    What only looks damaged is judged by its column. Zeros behind the 15th digit are damage where
    no number of the column has other digits there. A text such as 2026-03-01 is a date unless
    the column has texts of its shape that are none (2026-03-47): then it numbers things so.
    """
    some = holds(texts, *_IN_ERRORS)
    errors = _of_some(texts, begin_with(texts, b"#"), _errors) if some else {}
    likely = begin_with(texts, _BEGINS)
    months = begin_with(texts, _MONTHS)
    if months.any():
        likely |= months & _as_long_as(texts, "Mar-01")
    return errors | _of_some(texts, likely, _damaged)


def damaged_at_all(texts: pa.Array) -> Bools:
    """Which texts are damaged, for whatever reason."""
    none = np.broadcast_to(np.False_, len(texts))
    any_reason: Bools = np.logical_or.reduce([none, *damaged(texts).values()])
    return any_reason if any_reason.any() else none


def _of_some(
    texts: pa.Array, likely: Bools, look: Callable[[pa.Array], dict[str, Bools]]
) -> dict[str, Bools]:
    """What a look at some of the texts finds, by their places among all."""
    if not likely.any():
        return {}
    if likely.all():
        return look(texts)
    found = {}
    for why, hit in look(texts.filter(pa.array(likely))).items():
        found[why] = np.zeros(len(texts), dtype=bool)
        found[why][likely] = hit
    return found


def _errors(texts: pa.Array) -> dict[str, Bools]:
    """What a spreadsheet shows where it cannot show a value."""
    hit = _matching(one_piece(texts), _ERROR)
    return {ERROR: hit} if hit.any() else {}


def _damaged(texts: pa.Array) -> dict[str, Bools]:
    """The same of texts that all may be damaged; each has one reason."""
    if not (_too_long(texts) or holds(texts, *_WITHIN)):
        return {}
    texts = one_piece(texts)
    found = {EXPONENT: _matching(texts, _EXPONENT), DATED: _matching(texts, _SURELY_DATES)}
    long, zeros = _matching(texts, _LONG), _matching(texts, _ZEROS)
    if not (long & ~zeros).any():
        found[ROUNDED] = long
    for shape, dates in _LIKE_DATES:
        like = _matching(texts, shape)
        if like.any() and not (like & ~_matching(texts, dates)).any():
            found[DATED] |= like
    return {why: hit for why, hit in found.items() if hit.any()}


def _as_long_as(texts: pa.Array, other: str) -> Bools:
    return bools(pc.equal(pc.binary_length(texts), len(other)))


def _too_long(texts: pa.Array) -> bool:
    return int(pc.max(pc.binary_length(texts)).as_py() or 0) > _DIGITS


def _matching(texts: pa.Array, form: str) -> Bools:
    return bools(pc.match_substring_regex(texts, form))
