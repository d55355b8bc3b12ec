"""One file of texts becomes typed rows; a cell that does not parse rejects its row."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake import cells
from reconcile.money import MICRO_DIGITS, minor_digits
from reconcile.records import RECORDS, Column
from reconcile.references import clean, fold
from reconcile.shop import Shop, Source

_HIDDEN = pa.array([""])
_MOST_LINE_MICRO = 4e18  # quantity times unit price has to stay inside 64 bits


@dataclass
class Rejects:
    """Cells that did not parse, column by column; the first one of a row rejects it."""

    parts: list[pd.DataFrame] = field(default_factory=list)

    def add(self, name: str, texts: pa.Array, bad: NDArray[np.bool_], expected: str) -> None:
        """Note the rows where ``bad`` holds, with what stands there and what was expected."""
        if not bad.any():
            return
        at = np.flatnonzero(bad)
        shown = texts.take(pa.array(at)).to_pandas() if len(texts) > 1 else [texts[0].as_py()]
        part = pd.DataFrame({"at": at, "column": name, "expected": expected})
        part["text"] = list(shown) if len(texts) > 1 else list(shown) * len(at)
        self.parts.append(part)

    def frame(self) -> pd.DataFrame:
        """One row for each rejected row: ``at``, ``column``, ``expected``, ``text``."""
        if not self.parts:
            return pd.DataFrame({"at": [], "column": [], "expected": [], "text": []}).astype(
                {"at": "int64", "column": "str", "expected": "str", "text": "str"}
            )
        return pd.concat(self.parts, ignore_index=True).drop_duplicates("at").sort_values("at")


@dataclass(frozen=True)
class Typed:
    """Typed rows of one file, aligned with its text rows, and what was rejected of them."""

    frame: pd.DataFrame
    rejects: pd.DataFrame
    parts: dict[str, pd.DataFrame]


def supplier_names(shop: Shop) -> dict[str, str]:
    """Every declared spelling of a supplier, folded, with the supplier's name."""
    named: dict[str, str] = {}
    for supplier in shop.suppliers.values():
        spellings = pa.array([supplier.name, *supplier.names], pa.string())
        named |= dict.fromkeys(fold(spellings).to_pylist(), supplier.name)
    return named


class Reader:
    """Reads the columns of one source; it knows the formats, the zones and the suppliers."""

    def __init__(self, shop: Shop, source: Source) -> None:
        self.source = source
        self.record = RECORDS[source.record]
        self.decimal = source.format.decimal or "."
        self.dates = source.format.dates or "year-first"
        zone = source.format.time_zone
        self.source_zone = ZoneInfo(zone) if zone else shop.zone
        self.shop_zone = shop.zone
        self.suppliers = supplier_names(shop)

    def read(self, texts: Mapping[str, pa.Array], count: int) -> Typed:
        """Type every column that the source brings; others are absent, not blank."""
        rejects = Rejects()
        out: dict[str, pd.Series | NDArray[np.generic]] = {}
        parts: dict[str, pd.DataFrame] = {}
        currency: NDArray[np.int64] | None = None
        columns = sorted(self.record.columns, key=lambda column: column.kind != "currency")
        for column in columns:
            if column.name not in texts:
                continue
            coded = _Coded(texts[column.name], count)
            if column.required:
                empty = coded.take(np.asarray(pc.equal(coded.texts, "")))
                rejects.add(column.name, coded.shown, empty, "a value; the cell is empty")
            if column.kind != "references":
                # Below a quote that is not closed, other cells stand in this one: never shown.
                broken = coded.take(np.asarray(pc.match_substring_regex(coded.texts, "[\r\n]")))
                rejects.add(column.name, _HIDDEN, broken, "one line; is a quote missing?")
            if column.kind == "currency":
                digits = [minor_digits(code.upper()) for code in coded.texts.to_pylist()]
                numbers = np.array([-1 if d is None else d for d in digits], dtype=np.int64)
                currency = coded.take(numbers)
            self._column(column, coded, currency, out, parts, rejects)
        frame = pd.DataFrame(out, index=pd.RangeIndex(count))
        self._whole(frame, texts, rejects)
        return Typed(frame, rejects.frame(), parts)

    def _column(
        self,
        column: Column,
        coded: _Coded,
        currency: NDArray[np.int64] | None,
        out: dict[str, pd.Series | NDArray[np.generic]],
        parts: dict[str, pd.DataFrame],
        rejects: Rejects,
    ) -> None:
        name = column.name
        if column.kind in ("money", "price"):
            out[column.typed] = self._amount(column, coded, currency, rejects)
        elif column.kind in _SIMPLE:
            parsed, expected = self._simple(column, coded.texts)
            bad = ~parsed.ok & ~parsed.blank
            rejects.add(name, coded.shown, coded.take(bad), expected)
            out[column.typed] = coded.series(parsed.values, parsed.ok & ~parsed.blank, column)
        elif column.kind == "supplier":
            out[name] = coded.text(self._suppliers(coded.texts))
        elif column.kind == "country":
            out[name] = coded.text(pc.utf8_upper(coded.texts))
        else:
            out[name] = coded.text(coded.texts)
            if column.kind == "references":
                parts[name] = self._parts(name, coded)
            elif column.kind in ("reference", "sku"):
                self._key(column, coded, out)

    def _simple(self, column: Column, texts: pa.Array) -> tuple[cells.Parsed, str]:
        if column.kind == "date":
            parsed = cells.parse_dates(texts, self.dates, self.source_zone, self.shop_zone)
            return parsed, f"a date, {self.dates}" if "%" not in self.dates else self.dates
        if column.kind == "count":
            return cells.parse_counts(texts, self.decimal), "a whole number, 0 or more"
        if column.kind == "word":
            return cells.parse_words(texts, column.words), "one of " + ", ".join(column.words)
        if column.kind == "flag":
            return cells.parse_flags(texts), "yes or no"
        if column.kind == "rate":
            return cells.parse_rates(texts, self.decimal), "a rate above 0, as a plain decimal"
        return cells.parse_currencies(texts), "a currency code of ISO 4217"

    def _amount(
        self,
        column: Column,
        coded: _Coded,
        currency: NDArray[np.int64] | None,
        rejects: Rejects,
    ) -> pd.Series:
        found = cells.parse_amounts(coded.texts, self.decimal)
        form = f"an amount such as 1234{self.decimal}50"
        rejects.add(column.name, coded.shown, coded.take(~found.ok & ~found.blank), form)
        negative = found.ok & (found.micro < 0) & (not column.below_zero)
        rejects.add(column.name, coded.shown, coded.take(negative), "an amount of 0 or more")
        ok = coded.take(found.ok & ~negative)
        micro = coded.take(found.micro)
        if column.kind == "money" and currency is not None:
            digits = np.maximum(currency, 0)
            scale = 10 ** (MICRO_DIGITS - digits)
            decimals = coded.take(found.decimals)
            # Three decimals are how thousands look in half of the world: never taken for zeros.
            odd = (micro % scale != 0) | ((decimals > digits) & (decimals == 3))  # noqa: PLR2004
            fine = ok & (currency >= 0)
            expected = "no more decimals than the currency has"
            rejects.add(column.name, coded.shown, fine & odd, expected)
            micro = np.where(odd, 0, micro) // scale
            ok &= ~odd
        return pd.Series(pd.arrays.IntegerArray(micro.astype(np.int64), ~ok))

    def _suppliers(self, texts: pa.Array) -> pa.Array:
        """The declared name of each spelling; an undeclared supplier is its own tidy text."""
        found = [
            self.suppliers.get(key, text)
            for key, text in zip(fold(texts).to_pylist(), texts.to_pylist(), strict=True)
        ]
        return pa.array(found, pa.string())

    def _key(
        self, column: Column, coded: _Coded, out: dict[str, pd.Series | NDArray[np.generic]]
    ) -> None:
        refs = self.source.refs
        if column.kind == "sku":
            out[f"{column.name}_key"] = coded.text(fold(coded.texts))
        elif column.name == "order_ref":
            key, replaced = clean(coded.texts, refs.strip_prefix, refs.replacement_suffix)
            out[f"{column.name}_key"] = coded.text(key)
            out["by_suffix"] = coded.take(replaced)
        else:
            out[f"{column.name}_key"] = coded.text(clean(coded.texts)[0])

    def _parts(self, name: str, coded: _Coded) -> pd.DataFrame:
        """References of cells that hold several: ``at`` (row), ``ref``, ``key``, each once."""
        marks = "".join(f"\\x{{{ord(mark):x}}}" for mark in self.source.refs.separators)
        lists = pc.split_pattern_regex(coded.texts, f"[{marks}\\n]")
        flat = pc.utf8_trim_whitespace(pc.list_flatten(lists))
        owner = pc.list_parent_indices(lists).to_numpy()
        refs = self.source.refs if name == "order_ref" else None
        key, _ = clean(
            flat,
            refs.strip_prefix if refs else (),
            refs.replacement_suffix if refs else (),
        )
        frame = pd.DataFrame({"code": owner, "ref": flat.to_pandas(), "key": key.to_pandas()})
        frame = frame[frame["ref"] != ""].drop_duplicates(["code", "key"])
        rows = pd.DataFrame({"at": np.arange(coded.count), "code": coded.codes})
        return rows.merge(frame, on="code")[["at", "ref", "key"]]

    def _whole(self, frame: pd.DataFrame, texts: Mapping[str, pa.Array], rejects: Rejects) -> None:
        """What no single cell shows: a line so large that its amount would not fit."""
        price = {"orders": "unit_price", "invoices": "unit_cost"}.get(self.record.name)
        if price is None or f"{price}_micro" not in frame or "qty" not in frame:
            return
        micro = frame[f"{price}_micro"].fillna(0).to_numpy(dtype=np.float64)
        big = np.abs(micro * frame["qty"].fillna(0).to_numpy(dtype=np.float64)) > _MOST_LINE_MICRO
        rejects.add(price, texts[price], big, "a line of less than 4 000 000 000 000")


_SIMPLE = ("date", "count", "word", "flag", "rate", "currency")


class _Coded:
    """A column of texts as its distinct texts and a code for each row."""

    def __init__(self, column: pa.Array, count: int) -> None:
        self.count = count
        self.shown = column
        if len(column) == 1 and count != 1:  # a constant of the source
            self.texts = cells.tidy(column)
            self.codes = np.zeros(count, dtype=np.int64)
        else:
            coded = cells.tidy(column).dictionary_encode()
            self.texts = coded.dictionary
            self.codes = coded.indices.to_numpy().astype(np.int64)

    def take(self, values: NDArray[Any]) -> NDArray[Any]:
        """The value of each row."""
        return values[self.codes]

    def text(self, texts: pa.Array) -> pd.Series:
        """A text column of the rows."""
        column: pd.Series = texts.take(pa.array(self.codes)).to_pandas().astype("str")
        return column

    def series(
        self, values: NDArray[np.generic], known: NDArray[np.bool_], column: Column
    ) -> pd.Series:
        """A typed column of the rows."""
        if column.kind == "date":
            return pd.Series(self.take(values.astype("datetime64[s]")))
        if column.kind == "count":
            numbers = self.take(values).astype(np.int64)
            return pd.Series(pd.arrays.IntegerArray(numbers, ~self.take(known)))
        if column.kind == "flag":
            return pd.Series(self.take(values).astype(bool))
        return self.text(pa.array([str(value) for value in values], pa.string()))
