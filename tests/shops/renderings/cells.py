"""Cells in another style: each distinct text of a column is written once.

Amounts stay decimal text from end to end, so that no digit is lost.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal
from zlib import crc32
from zoneinfo import ZoneInfo

import pyarrow as pa
import pyarrow.compute as pc

from tests.shops import text
from tests.shops.renderings.way import Dates, Way
from tests.shops.sample_layout import DAY_COLUMNS, MOMENT_COLUMNS, MONEY_COLUMNS

Cell = str | int | Decimal | date | datetime
DATES = DAY_COLUMNS | MOMENT_COLUMNS | {"date", "printed_on"}
MONEY = MONEY_COLUMNS | {"list_price"}
COUNTS = {"line_no", "qty", "refunded_qty", "min_qty", "delivery_days"}
REFERENCES = {"order_ref", "invoice_no", "payment_ref"}
# A credit written below 0 is the same credit
_SIGNED = {"unit_cost", "shipping", "line_total"}
_MAY_BE_NOTHING = DATES | MONEY | COUNTS | REFERENCES | {"tracking_no", "carrier"}
_SYMBOLS = {("EUR", "after"): "\N{EURO SIGN}", ("USD", "before"): "$"}
_DAY_ZERO = datetime(1899, 12, 30)  # noqa: DTZ001  (spreadsheets count local days from it)
_SPACE, _UNSEEN = "\N{NO-BREAK SPACE}", "\N{ZERO WIDTH SPACE}"
_FULL_WIDTH = {
    ord("0") + place: chr(ord("\N{FULLWIDTH DIGIT ZERO}") + place) for place in range(10)
}
_BETWEEN = "\x1f"


def column(way: Way, record: str, rows: pa.Table, name: str, zone: ZoneInfo) -> list[Cell]:
    """One column of a record, written the way's way."""
    texts = rows.column(name).combine_chunks()
    if name in DATES:
        dates = way.dates_of(record)
        cells = mapped(texts, lambda one: date_cell(dates, one, zone))
    elif name in MONEY:
        cells = _amounts(way, rows, name, texts)
    elif name in COUNTS or name == "rate":
        cells = mapped(texts, lambda one: _number_cell(way, name, one))
    elif name in REFERENCES:
        cells = mapped(texts, lambda one: _reference_cell(way, record, name, one))
    else:
        # What people would be found by in an output stays whole
        dirt = way.dirt and name not in text.PRIVATE_MARKS
        cells = mapped(texts, lambda one: _dirty(one) if dirt else one)
    if way.nothing and name in _MAY_BE_NOTHING:
        word = way.nothing[_draw(name, len(way.nothing))]
        return [word if cell == "" else cell for cell in cells]
    return cells


def mapped(texts: pa.Array, style: Callable[[str], Cell]) -> list[Cell]:
    """Each text in a style; the style is asked once for each distinct text."""
    coded = texts.dictionary_encode()
    made = [style(one) for one in coded.dictionary.to_pylist()]
    return [made[place] for place in coded.indices.to_pylist()]


def _amounts(way: Way, rows: pa.Table, name: str, texts: pa.Array) -> list[Cell]:
    """Amounts with the row's currency and sign."""
    signs = currency = pa.repeat("", len(texts))
    if "currency" in rows.column_names:
        currency = rows.column("currency").combine_chunks()
    if way.negative and "kind" in rows.column_names and name in _SIGNED:
        credit = pc.equal(rows.column("kind").combine_chunks(), "credit")
        signs = pc.if_else(credit, "-", "")

    def style(packed: str) -> Cell:
        sign, code, amount = packed.split(_BETWEEN)
        # Zero has no sign
        return money_cell(way, name, sign + amount if amount.strip("0.") else amount, code)

    return mapped(text.join(signs, _BETWEEN, currency, _BETWEEN, texts), style)


def money_cell(way: Way, name: str, amount: str, code: str) -> Cell:
    """An amount, given as plain decimal text, as the way writes it."""
    if not amount or not way.is_text:
        return Decimal(amount) if amount else ""
    whole, _, part = amount.removeprefix("-").partition(".")
    groups = [whole[max(0, end - 3) : end] for end in range(len(whole), 0, -3)]
    digits = way.group.join(reversed(groups)) if way.group else whole
    shown = f"{digits}{way.decimal}{part}" if part else digits
    mark = _SYMBOLS.get((code, way.currency), code)
    if code and way.currency == "after":
        # Some columns have the code where others have the sign
        shown = f"{shown}{_SPACE}{code if _draw(name, 2) else mark}"
    elif code and way.currency == "before":
        shown = f"{mark}{shown}" if mark == "$" else f"{mark} {shown}"
    return way.negative.format(shown) if amount.startswith("-") else shown


def date_cell(dates: Dates, iso: str, zone: ZoneInfo) -> Cell:
    """A date, or a time with its zone, as the way writes it; a time on the clock of ``zone``."""
    if not iso:
        return ""
    at = datetime.fromisoformat(iso)
    timed = at.tzinfo is not None
    at = at.astimezone(zone).replace(tzinfo=None) if timed else at
    if dates.native:
        return at if timed else at.date()
    template = dates.moment if timed else dates.day
    return template.format(at=at, hour=at.hour % 12 or 12, serial=serial(at))


def serial(at: datetime) -> str:
    """The day number of a spreadsheet, with the time as a fraction of the day.

    >>> serial(datetime(2026, 10, 3, 15, 45)), serial(datetime(2026, 10, 3))
    ('46298.65625', '46298')
    """
    days, rest = divmod(at - _DAY_ZERO, timedelta(days=1))
    part = f"{Decimal(int(rest.total_seconds())) / 86_400:.8f}".rstrip("0").rstrip(".")
    return f"{days}{part.removeprefix('0')}"


def _number_cell(way: Way, name: str, number: str) -> Cell:
    if not number or way.is_text:
        wide = way.dirt and name in COUNTS
        return number.translate(_FULL_WIDTH) if wide else number.replace(".", way.decimal)
    return Decimal(number) if name == "rate" else int(number)


def _reference_cell(way: Way, record: str, name: str, cell: str) -> Cell:
    if not cell:
        return ""
    if name == "order_ref" and record in way.refs:
        cell = "; ".join(way.refs[record].format(one) for one in cell.split("; "))
    if not way.dirt:
        return cell
    return (cell, f"'{cell}", f'="{cell}"', f"{cell}{_SPACE}", f"{_UNSEEN}{cell}")[_draw(cell, 5)]


def _dirty(cell: str) -> str:
    """Characters that nobody sees, in some texts."""
    if not cell:
        return ""
    middle = len(cell) // 2
    unseen = f"{cell[:middle]}{_UNSEEN}{cell[middle:]}"
    return (cell, cell, unseen, f"{_SPACE}{cell}{_SPACE}")[_draw(cell, 4)]


def _draw(of: str, count: int) -> int:
    """A number below ``count`` that the text decides, so that equal cells stay equal."""
    return crc32(of.encode()) % count
