"""Columns of whole numbers as columns of text, the way that exports write them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from tests.shops.catalogue import Bools, Ints, decimal_text
from tests.shops.clock import NEVER, as_date
from tests.shops.columns import DAMAGED, MISTYPED

ORDER_PREFIX = "LL-"
# How documents of suppliers and banks write an order's reference: before its number
REF_STYLES = ("", "#", "", "ll-", "00")
AS_IN_STORE = 0
# Text that tests look for in outputs; nobody has such a name, and the addresses lead nowhere
PRIVATE_MARKS = {
    "customer_name": "Quillfeather",
    "email": "pigeonpost.example",
    "phone": "+999 0199",
    "address": "Nowhere Crescent",
}
_FIRST_NAMES = ("Odalys", "Bramwell", "Ysolde", "Caspian", "Maren", "Thaddeus", "Linnea", "Orson")
POSTAL = 4  # every so many numbers of the first supplier one is postal
_PEOPLE = 1000
_PENCE = 100


def words(options: Sequence[str], codes: Ints) -> pa.Array:
    """One of a few words for each row."""
    return pa.array(options, pa.string()).take(pa.array(codes))


def number(values: Ints) -> pa.Array:
    """Whole numbers."""
    return pa.array(values).cast(pa.string())


def padded(values: Ints, width: int) -> pa.Array:
    """Whole numbers with leading zeros."""
    return pc.utf8_lpad(number(values), width=width, padding="0")


def join(*parts: pa.Array | str) -> pa.Array:
    """Texts put together, row by row."""
    return pc.binary_join_element_wise(*parts, "")


def where(condition: Bools, text: pa.Array, otherwise: pa.Array | str = "") -> pa.Array:
    """The text where the condition holds."""
    return pc.if_else(pa.array(condition), text, otherwise)


def money(cents: Ints) -> pa.Array:
    """Amounts that are not negative, with two decimals."""
    whole, part = np.divmod(cents, _PENCE)
    return join(number(whole), words([f".{cent:02d}" for cent in range(_PENCE)], part))


def price(micro: Ints) -> pa.Array:
    """Unit prices, with two decimals or as many as they need."""
    few = pa.array(micro).dictionary_encode()
    texts = [decimal_text(value, 6) for value in few.dictionary.to_pylist()]
    return pa.array(texts, pa.string()).take(few.indices)


def day(days: Ints, pattern: str = "%Y-%m-%d") -> pa.Array:
    """Dates; blank where there is no day."""
    if not len(days):
        return pa.array([], pa.string())
    known = days[days != NEVER]
    first, last = (int(known.min()), int(known.max())) if len(known) else (0, 0)
    texts = [f"{as_date(each):{pattern}}" for each in range(first, last + 1)]
    return words([*texts, ""], np.where(days == NEVER, len(texts), days - first))


@lru_cache
def _minutes() -> tuple[str, ...]:
    return tuple(f"T{hour:02d}:{minute:02d}:00" for hour in range(24) for minute in range(60))


def moment(days: Ints, minutes: Ints, zone: ZoneInfo) -> pa.Array:
    """Timestamps with the zone's difference from UTC at noon; blank where there is no day."""
    if not len(days):
        return pa.array([], pa.string())
    known = days[days != NEVER]
    first, last = (int(known.min()), int(known.max())) if len(known) else (0, 0)
    offsets = [_offset(each, zone) for each in range(first, last + 1)]
    place = np.where(days == NEVER, 0, days - first)
    text = join(day(days), words(_minutes(), minutes), words(offsets, place))
    return where(days != NEVER, text)


def _offset(day_number: int, zone: ZoneInfo) -> str:
    noon = datetime.combine(as_date(day_number), datetime.min.time(), zone) + timedelta(hours=12)
    text = f"{noon.astimezone(UTC).astimezone(zone):%z}"
    return f"{text[:3]}:{text[3:]}"


def store_reference(numbers: Ints, bare: Bools) -> pa.Array:
    """Order references as the storefront writes them."""
    return join(words([ORDER_PREFIX, ""], bare.astype(np.int64)), number(numbers))


def reference(numbers: Ints, bare: Bools, style: Ints) -> pa.Array:
    """Order references as other people write them."""
    other = join(words(REF_STYLES, style), number(numbers))
    return where(style == AS_IN_STORE, store_reference(numbers, bare), other)


def cells(texts: pa.Array, row: Ints, rows: int, separator: str = "; ") -> pa.Array:
    """The texts of each row in one cell; ``row`` is sorted, rows without texts are blank."""
    offsets = np.searchsorted(row, np.arange(rows + 1)).astype(np.int32)
    return pc.binary_join(pa.ListArray.from_arrays(pa.array(offsets), texts), separator)


def invoice_number(prefixes: Sequence[str], code: Ints, serial: Ints) -> pa.Array:
    """Numbers with two check digits (ISO 7064, MOD 97-10).

    No two of them differ by one swapped pair or one digit, so that no number looks like another
    one mistyped.
    """
    check = 98 - serial * 100 % 97
    return join(words(prefixes, code), number(serial), padded(check, 2))


def tracking_number(supplier: Ints, parcel: Ints) -> pa.Array:
    """Tracking numbers: the suppliers' own, and for every fourth of the first one a postal one.

    The postal ones carry the check digit of UPU S10: weights 8 6 4 2 3 5 9 7, 11 minus the sum
    modulo 11, where 10 becomes 0 and 11 becomes 5. Of a mistyped one it is one more.
    """
    mistyped = parcel >= MISTYPED
    serial = np.maximum(parcel, 0) - MISTYPED * mistyped
    total = np.zeros_like(serial)
    for place, weight in enumerate((8, 6, 4, 2, 3, 5, 9, 7)):
        total += serial // 10 ** (7 - place) % 10 * weight
    check = 11 - total % 11
    check = np.where(check == 10, 0, np.where(check == 11, 5, check))
    eight = padded(serial, 8)
    own = join(words(["KX", "AS-"], supplier), eight, words(["P", ""], supplier))
    postal = join("LA", eight, number((check + mistyped) % 10), "IE")
    text = where((supplier == 0) & (serial % POSTAL == 0), postal, own)
    changed = join("9.4", number(serial * 0 + 7), "E+21")
    return where(parcel >= 0, text, where(parcel == DAMAGED, changed))


def people(orders: Ints) -> dict[str, pa.Array]:
    """Columns about customers, all of them invented."""
    who = orders * 7919 % _PEOPLE
    first = [_FIRST_NAMES[each % len(_FIRST_NAMES)] for each in range(_PEOPLE)]
    marks = PRIVATE_MARKS
    return {
        "customer_name": words(
            [f"{name} {marks['customer_name']} {n}" for n, name in enumerate(first)], who
        ),
        "email": words(
            [f"{name.lower()}.{n}@{marks['email']}" for n, name in enumerate(first)], who
        ),
        "phone": words([f"{marks['phone']} {n:04d}" for n in range(_PEOPLE)], who),
        "address": words([f"{n} {marks['address']}" for n in range(_PEOPLE)], who),
    }
