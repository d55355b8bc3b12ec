"""One file of texts becomes typed rows; a cell that does not parse rejects its row."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from types import MappingProxyType
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake import cells
from reconcile.intake.amounts import in_minor, parse_amounts, sign_fits
from reconcile.intake.coded import Bools, Coded, bools, holds, with_gaps
from reconcile.intake.countries import to_codes
from reconcile.intake.damage import damaged, damaged_at_all
from reconcile.intake.date_cells import CellKinds
from reconcile.intake.formats import Forms
from reconcile.intake.narrative import known_payees
from reconcile.intake.several import several_references
from reconcile.intake.simple import NO_DATES, Ways, parse_simple
from reconcile.intake.told import Told
from reconcile.intake.total_word import total_words
from reconcile.intake.whole_rows import faults_of_rows
from reconcile.money import minor_digits
from reconcile.records import RECORDS, Column
from reconcile.references import clean, fold
from reconcile.shop import Shop, Source

_THREADS = 2
_MOST_CHARACTERS = 32_767  # in a cell; source: Microsoft, Excel specifications and limits
_NO_KINDS: Mapping[str, CellKinds] = MappingProxyType({})
_IDENTIFIERS = ("reference", "references", "sku", "supplier")


@dataclass(frozen=True)
class Typed:
    """Typed rows of one file, aligned with its text rows.

    ``rejects`` has one row per rejected row: ``at``, ``column``, ``why`` (what was expected),
    ``text``. ``notes`` has the cells that were read as nothing, with the reason.
    """

    frame: pd.DataFrame
    rejects: pd.DataFrame
    notes: pd.DataFrame
    parts: dict[str, pd.DataFrame]


Out = dict[str, "pd.Series | NDArray[np.generic]"]


def supplier_names(shop: Shop) -> dict[str, str]:
    """Every declared spelling of a supplier, folded, with the supplier's name."""
    named: dict[str, str] = {}
    for supplier in shop.suppliers.values():
        spellings = pa.array([supplier.name, *supplier.names], pa.string())
        named |= dict.fromkeys(fold(spellings).to_pylist(), supplier.name)
    return named


class Reader:
    """Reads the columns of one source; it knows the zones, the words and the suppliers."""

    def __init__(self, shop: Shop, source: Source) -> None:
        self.source = source
        self.record = RECORDS[source.record]
        zone = source.format.time_zone
        self.ways = Ways(ZoneInfo(zone) if zone else shop.zone, shop.zone, source.words)
        self.suppliers = supplier_names(shop)

    def read(
        self,
        columns: Mapping[str, Coded],
        count: int,
        forms: Forms,
        kinds: Mapping[str, CellKinds] = _NO_KINDS,
    ) -> Typed:
        """Type every column that the source brings; others are absent, not blank.

        ``kinds`` says of the columns of a workbook what each of their cells is.
        """
        return _Reading(self, columns, count, forms, kinds).typed()


class _Reading:
    """The reading of one table: what has come of it so far."""

    def __init__(
        self,
        reader: Reader,
        columns: Mapping[str, Coded],
        count: int,
        forms: Forms,
        kinds: Mapping[str, CellKinds],
    ) -> None:
        self.reader, self.forms, self.count, self.kinds = reader, forms, count, kinds
        self.shown = columns
        self.rejects, self.notes, self.out = Told(), Told(), Out()
        self.parts: dict[str, pd.DataFrame] = {}
        self.currency: Coded | None = None

    def typed(self) -> Typed:
        """Everything, the currency first, since amounts are read with it."""
        record = self.reader.record
        columns = [column for column in record.columns if column.name in self.shown]
        for column in columns:
            if column.kind == "currency":
                self._column(column, self.shown[column.name])
        # Arrow and numpy let go of the interpreter: two columns are read in the time of one.
        with ThreadPoolExecutor(max_workers=_THREADS) as pool:
            others = [column for column in columns if column.kind != "currency"]
            for done in pool.map(self._apart, others):
                self.out |= done.out
                self.parts |= done.parts
                self.rejects.parts += done.rejects.parts
                self.notes.parts += done.notes.parts
        frame = pd.DataFrame(self.out, index=pd.RangeIndex(self.count), copy=False)
        self._whole(frame)
        rejects = self.rejects.frame().drop_duplicates("at").sort_values("at")
        return Typed(frame, rejects, self.notes.frame(), self.parts)

    def _apart(self, column: Column) -> _Reading:
        """One column read by itself, with the currency of each row."""
        apart = _Reading(self.reader, self.shown, self.count, self.forms, self.kinds)
        apart.currency = self.currency
        apart._column(column, self.shown[column.name])
        return apart

    def _column(self, column: Column, shown: Coded) -> None:
        coded = shown.with_texts(cells.tidy(shown.texts))
        if len(coded.texts):
            coded = self._sound(column, shown, coded)
        if column.kind in ("money", "price"):
            self.out[column.typed] = self._amount(column, shown, coded)
        elif column.kind in _SIMPLE:
            self._simple(column, shown, coded)
        elif column.kind == "supplier":
            self.out[column.name] = coded.with_texts(self._suppliers(coded.texts)).series()
        elif column.kind == "payee":
            payees = known_payees(coded.texts, self.reader.suppliers)
            self.out[column.name] = coded.with_texts(payees).series()
        elif column.kind == "country":
            codes, known = to_codes(coded.texts)
            strange = ~known & bools(pc.not_equal(coded.texts, ""))
            why = "no country of ISO 3166-1; kept as it is"
            self.notes.texts(column.name, shown, strange, why)
            self.out[column.name] = coded.with_texts(codes).series()
        else:
            self._text(column, coded)

    def _sound(self, column: Column, shown: Coded, coded: Coded) -> Coded:
        """Cells without the texts that say nothing, hold too much or were damaged."""
        name = column.name
        blank = cells.nothing(coded.texts)
        if column.kind == "word":  # that there is no status is another thing than a word for it
            blank = bools(pc.equal(coded.texts, ""))
        if column.kind != "references" and holds(coded.texts, b"\n", b"\r"):
            # Below a quote that is not closed, other cells stand in this one: never shown.
            broken = bools(pc.match_substring_regex(coded.texts, "[\r\n]"))
            self.rejects.texts(name, shown, broken, "one line; is a quote missing?", hide=True)
        if pc.max(pc.binary_length(coded.texts)).as_py() > _MOST_CHARACTERS:
            long = bools(pc.greater(pc.utf8_length(coded.texts), _MOST_CHARACTERS))
            why = f"no more than {_MOST_CHARACTERS} characters"
            self.rejects.texts(name, shown, long, why, hide=True)
        if name == "tracking_no":
            # Kept as it is: that it was damaged is an exception of its own, with its text.
            hurt = damaged_at_all(coded.texts)
            self.out["tracking_damaged"] = coded.take(hurt)
            bare = ~blank & ~hurt & cells.stands_for_none(coded.texts)
            self.notes.texts(name, shown, bare, "a tracking number; this one stands for none")
            blank |= bare
        elif column.kind in _IDENTIFIERS:
            for why, hit in sorted(damaged(coded.texts).items()):
                told = self.rejects if column.required else self.notes
                told.texts(name, shown, hit, why)
                blank |= hit & (not column.required)
        if column.required:
            self.rejects.texts(name, shown, blank, "a value; the cell is empty")
            if column.kind == "reference":
                why = "a reference; totals stand below the last record"
                self.rejects.texts(name, shown, total_words(coded.texts), why)
        if blank.any():
            coded = coded.with_texts(pc.if_else(pa.array(blank), "", coded.texts))
        return coded

    def _simple(self, column: Column, shown: Coded, coded: Coded) -> None:
        kinds = self.kinds.get(column.name)
        parsed, expected = parse_simple(column, coded.texts, self.reader.ways, self.forms, kinds)
        known = parsed.ok & ~parsed.blank
        self.rejects.texts(column.name, shown, ~parsed.ok & ~parsed.blank, expected)
        if column.kind == "date":
            values = np.asarray(parsed.values, dtype="datetime64[s]")
            none = known & np.isin(values, NO_DATES)
            told = self.rejects if column.required else self.notes
            told.texts(column.name, shown, none, "a date; this one stands for none")
            values[none] = np.datetime64("NaT")
            self.out[column.typed] = pd.Series(coded.take(values), copy=False)
        elif column.kind == "count":
            numbers = coded.take(np.asarray(parsed.values, dtype=np.int64))
            self.out[column.typed] = with_gaps(numbers, coded.take(~known))
        elif column.kind == "flag":
            self.out[column.typed] = pd.Series(
                coded.take(np.asarray(parsed.values, dtype=bool)), copy=False
            )
        else:
            texts = pa.array(np.asarray(parsed.values).astype(str), pa.string())
            self.out[column.typed] = coded.with_texts(texts).series()
        if column.kind == "currency" and column.name == "currency":
            self.currency = coded.with_texts(texts)

    def _amount(self, column: Column, shown: Coded, coded: Coded) -> pd.Series:
        name, decimal = column.name, self.forms.decimals[column.name]
        found = parse_amounts(coded.texts, decimal)
        form = f"an amount such as 1234{decimal}50"
        self.rejects.texts(name, shown, ~found.ok & ~found.blank, form)
        negative = found.ok & (found.micro < 0) & (not column.below_zero)
        self.rejects.texts(name, shown, negative, "an amount of 0 or more")
        fine = found.ok & ~negative
        if self.currency is None:
            values, gaps = coded.take(found.micro), coded.take(~fine)
        else:
            values, gaps = np.zeros(self.count, dtype=np.int64), np.ones(self.count, dtype=bool)
        for code, rows in self._by_currency():
            strange = [sign for sign in set(found.sign) if not sign_fits(str(sign), code)]
            foreign = np.isin(found.sign, strange) if strange else np.zeros(len(fine), dtype=bool)
            minor, odd = in_minor(column.kind, found, code)
            told = f"an amount in the currency of the row, {code}"
            self._in_rows(name, shown, coded, foreign & fine, rows, told)
            told = "no more decimals than the currency has"
            self._in_rows(name, shown, coded, odd & fine, rows, told)
            if rows is None:
                values, gaps = coded.take(minor), coded.take(~fine | odd)
            else:
                at = np.flatnonzero(rows)
                values[at] = coded.take_at(minor, at)
                gaps[at] = coded.take_at(~fine | odd, at)
        return with_gaps(values, gaps if gaps.any() else np.broadcast_to(_NONE, self.count))

    def _by_currency(self) -> Iterator[tuple[str, Bools | None]]:
        """Each currency with its rows, None where all rows are in it; "" for what is none."""
        if self.currency is None:
            return
        used = self.currency.distinct.unique().to_pylist()
        if len(used) == 1:
            yield used[0], None
            return
        known = [code for code in used if minor_digits(code) is not None]
        for code in known:
            yield code, self.currency.where(code)
        if len(known) < len(used):  # these rows are rejected for their currency
            unknown = ~bools(pc.is_in(self.currency.texts, pa.array(known, pa.string())))
            yield "", self.currency.take(unknown)

    def _in_rows(
        self, name: str, shown: Coded, coded: Coded, texts: Bools, rows: Bools | None, why: str
    ) -> None:
        """Reject the rows of one currency that have one of some texts."""
        if texts.any():
            where = coded.take(texts)
            self.rejects.rows(name, shown, where if rows is None else where & rows, why)

    def _suppliers(self, texts: pa.Array) -> pa.Array:
        """The declared name of each spelling; an undeclared supplier is its own tidy text."""
        named = self.reader.suppliers
        found = [
            named.get(key, text)
            for key, text in zip(fold(texts).to_pylist(), texts.to_pylist(), strict=True)
        ]
        return pa.array(found, pa.string())

    def _text(self, column: Column, coded: Coded) -> None:
        name, refs = column.name, self.reader.source.refs
        self.out[name] = coded.series()
        if column.kind == "references":
            self.parts[name] = several_references(name, coded, refs)
        elif column.kind == "sku":
            self.out[f"{name}_key"] = coded.with_texts(fold(coded.texts)).series()
        elif name == "order_ref":
            key, replaced = clean(coded.texts, refs.strip_prefix, refs.replacement_suffix)
            self.out[f"{name}_key"] = coded.with_texts(key).series()
            some = replaced if replaced.any() else np.broadcast_to(_NONE, len(replaced))
            self.out["by_suffix"] = coded.take(some)
        elif column.kind == "reference":
            self.out[f"{name}_key"] = coded.with_texts(clean(coded.texts)[0]).series()

    def _whole(self, frame: pd.DataFrame) -> None:
        """What no single cell shows."""
        for column, rows, expected in faults_of_rows(self.reader.record.name, frame):
            shown = self.shown.get(column, Coded.constant("", self.count))
            self.rejects.rows(column, shown, rows, expected)


_NONE = np.False_
_SIMPLE = ("date", "count", "word", "flag", "rate", "currency")
