"""shop.toml, read once; every problem in it is found in one go."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from datetime import date
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from reconcile.errors import Problem, RefusedError
from reconcile.money import minor_digits
from reconcile.records import RECORDS
from reconcile.shop import (
    SETTINGS_FILE,
    Cover,
    Format,
    Refs,
    Shop,
    Source,
    Supplier,
    Tolerance,
    nearest,
)


def load_shop(folder: Path) -> Shop:
    """Read the settings of a shop folder.

    Raises RefusedError with every problem of shop.toml at once.
    """
    shop, problems = read_shop(folder)
    if problems:
        raise RefusedError(problems)
    return shop


def read_shop(folder: Path) -> tuple[Shop, list[Problem]]:
    """The settings as far as they can be used, and every problem in them.

    Sources that are wrong themselves are left out, so that the files of the others can still
    be looked at. Raises RefusedError where there is nothing to read.
    """
    path = folder / SETTINGS_FILE
    if not path.is_file():
        mend = "Give a folder that holds one; the README shows an example."
        raise RefusedError([Problem(str(path), "there is no such file.", mend)])
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        mend = "Mend that place; the file must be TOML in UTF-8."
        raise RefusedError([Problem(SETTINGS_FILE, f"it cannot be read: {error}.", mend)]) from None
    except OSError as error:
        what = f"it cannot be read: {error.strerror}."
        raise RefusedError([Problem(SETTINGS_FILE, what, "Check its rights.")]) from None
    reader = _Reader()
    return reader.shop(folder, data), reader.problems


class _Reader:
    """Turns the tables of shop.toml into settings and collects what is wrong with them."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def complain(self, place: str, what: str, mend: str) -> None:
        self.problems.append(Problem(f"{SETTINGS_FILE} {place}".strip(), what, mend))

    def keys(self, place: str, table: Mapping[str, Any], allowed: Collection[str]) -> None:
        for key in table:
            if key not in allowed:
                self.complain(place, f"the key {key!r} is not known.", nearest(key, allowed))

    def get(self, place: str, table: Mapping[str, Any], key: str, kind: type, default: Any) -> Any:
        """A value of the right type, or its default and a problem."""
        value = table.get(key, default)
        wrong = isinstance(value, bool) and kind is not bool
        if value is not default and (wrong or not isinstance(value, kind)):
            names = {str: "a text", int: "a whole number", list: "a list", dict: "a table"}
            self.complain(place, f"{key} is not {names[kind]}.", f"Write {key} as {names[kind]}.")
            return default
        return value

    def texts(self, place: str, table: Mapping[str, Any], key: str) -> tuple[str, ...]:
        value = table.get(key, [])
        if isinstance(value, str):
            value = [value]
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.complain(place, f"{key} is not a list of texts.", f'Write {key} = ["…"].')
            return ()
        return tuple(value)

    def days(self, place: str, table: Mapping[str, Any], key: str) -> int | None:
        value = self.get(place, table, key, int, None)
        if value is not None and value < 0:
            self.complain(place, f"{key} is negative.", "Write a number of days, 0 or more.")
            return None
        return None if value is None else int(value)

    def date(self, place: str, key: str, value: Any) -> date | None:
        if type(value) is date:
            return value
        try:
            return date.fromisoformat(value)
        except (TypeError, ValueError):
            self.complain(place, f"{key}: {value!r} is not a date.", 'Write it as "2026-10-01".')
            return None

    def zone(self, place: str, key: str, value: str) -> ZoneInfo:
        try:
            return ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            mend = 'Write a name of the IANA database, such as "Europe/Dublin" or "UTC".'
            self.complain(place, f"{key} = {value!r} is not a time zone.", mend)
            return ZoneInfo("UTC")

    def shop(self, folder: Path, data: dict[str, Any]) -> Shop:
        self.keys("", data, ("shop", "suppliers", "source", "rules", "tolerance"))
        head = self.get("", data, "shop", dict, {})
        self.keys("[shop]", head, ("name", "home_currency", "time_zone"))
        for key in ("name", "home_currency", "time_zone"):
            if key not in head:
                self.complain("[shop]", f"{key} is missing.", f'Write {key} = "…".')
        currency = self.get("[shop]", head, "home_currency", str, "EUR")
        if minor_digits(currency) is None:
            mend = 'Write its ISO 4217 code, such as "EUR".'
            self.complain("[shop]", f"home_currency {currency!r} is not a currency.", mend)
        zone = self.zone("[shop]", "time_zone", self.get("[shop]", head, "time_zone", str, "UTC"))
        rules = self.get("", data, "rules", dict, {})
        rules = {name: self.get("[rules]", rules, name, dict, {}) for name in rules}
        return Shop(
            folder=folder,
            name=self.get("[shop]", head, "name", str, ""),
            home_currency=currency,
            zone=zone,
            suppliers=self.suppliers(self.get("", data, "suppliers", dict, {})),
            sources=self.sources(data),
            rules=rules,
            tolerance=self.tolerance(self.get("", data, "tolerance", dict, {})),
        )

    def tolerance(self, table: dict[str, Any]) -> Tolerance:
        self.keys("[tolerance]", table, ("absolute", "percent"))
        found = {}
        for key in ("absolute", "percent"):
            value = table.get(key, "0")
            try:
                number = Decimal(value if isinstance(value, int) else str(value))
            except InvalidOperation:
                number = Decimal(-1)
            if isinstance(value, float | bool) or not number.is_finite() or number < 0:
                mend = 'Write a decimal in quotes, such as "0.50".'
                self.complain("[tolerance]", f"{key} = {value!r} is not an amount.", mend)
                number = Decimal(0)
            found[key] = number
        return Tolerance(**found)

    def suppliers(self, tables: dict[str, Any]) -> dict[str, Supplier]:
        allowed = ("names", "terms", "dispatch_days", "delivery_days", "holidays")
        found: dict[str, Supplier] = {}
        spelled: dict[str, str] = {}
        for name in tables:
            place = f"[suppliers.{name}]"
            table = self.get("[suppliers]", tables, name, dict, {})
            self.keys(place, table, allowed)
            terms = self.get(place, table, "terms", str, "prepay")
            if terms not in ("prepay", "invoice"):
                mend = 'Write "prepay" or "invoice".'
                self.complain(place, f"terms = {terms!r} is not known.", mend)
            holidays = [
                self.date(place, "holidays", day)
                for day in self.get(place, table, "holidays", list, [])
            ]
            found[name] = Supplier(
                name=name,
                names=self.texts(place, table, "names"),
                terms=terms,
                dispatch_days=self.days(place, table, "dispatch_days"),
                delivery_days=self.days(place, table, "delivery_days"),
                holidays=tuple(day for day in holidays if day is not None),
            )
            for spelling in {word.strip().casefold() for word in (name, *found[name].names)}:
                if spelling in spelled:
                    what = f"the name {spelling!r} also belongs to {spelled[spelling]!r}."
                    self.complain(place, what, "Leave it with one supplier.")
                spelled[spelling] = name
        return found

    def sources(self, data: dict[str, Any]) -> tuple[Source, ...]:
        tables = self.get("", data, "source", list, [])
        found: list[Source] = []
        names: set[str] = set()
        records: set[str] = set()
        for number, table in enumerate(tables, start=1):
            if not isinstance(table, dict):
                self.complain("source", "a source is not a table.", "Begin each with [[source]].")
                continue
            before = len(self.problems)
            name = self.get(f"source {number}", table, "name", str, "")
            place = f"source {name!r}" if name else f"source {number}"
            if not name:
                self.complain(place, "name is missing.", 'Write name = "…".')
            elif name in names:
                self.complain(place, "two sources have this name.", "Give each its own name.")
            names.add(name)
            source = self.source(place, name, table)
            records.add(source.record)
            if len(self.problems) == before:
                found.append(source)
        if "orders" not in records:
            mend = 'Write a [[source]] with record = "orders".'
            self.complain("source", "no source brings the orders.", mend)
        return tuple(found)

    def source(self, place: str, name: str, table: dict[str, Any]) -> Source:
        allowed = ("name", "record", "files", "covered_to", "columns", "values", "format", "refs")
        self.keys(place, table, allowed)
        record = self.get(place, table, "record", str, "")
        if record not in RECORDS:
            self.complain(place, f"record = {record!r} is not known.", nearest(record, RECORDS))
        files = self.texts(place, table, "files")
        if not files:
            self.complain(place, "files is missing.", 'Write files = ["orders/*.csv"].')
        for pattern in files:
            if Path(pattern).is_absolute() or ".." in Path(pattern).parts:
                mend = "Write a path inside the shop folder, relative to it."
                self.complain(place, f"the path {pattern!r} leaves the shop folder.", mend)
        return Source(
            name=name,
            record=record,
            files=files,
            covered_to=self.covered_to(place, record, table),
            columns=self.columns(place, record, table),
            constants=self.constants(place, record, table),
            format=self.format(place, self.get(place, table, "format", dict, {})),
            refs=self.refs(place, self.get(place, table, "refs", dict, {})),
        )

    def covered_to(self, place: str, record: str, table: dict[str, Any]) -> Cover:
        value = table.get("covered_to")
        if value is None:
            return "last-row" if record in ("orders", "bank") else "as-of"
        if value == "last-row" or value == "as-of":  # noqa: PLR1714  (narrows the type)
            return "last-row" if value == "last-row" else "as-of"
        return self.date(place, "covered_to", value) or "as-of"

    def columns(self, place: str, record: str, table: dict[str, Any]) -> dict[str, tuple[str, ...]]:
        named = self.get(place, table, "columns", dict, {})
        if record in RECORDS:
            self.keys(f"{place} columns", named, RECORDS[record].names)
        for name, headers in named.items():
            if headers == []:
                what = f"{name} = [] names no header."
                self.complain(f"{place} columns", what, f'Write {name} = "…", or leave it out.')
        return {name: self.texts(f"{place} columns", named, name) for name in named}

    def constants(self, place: str, record: str, table: dict[str, Any]) -> dict[str, str]:
        named = self.get(place, table, "values", dict, {})
        if record in RECORDS:
            self.keys(f"{place} values", named, RECORDS[record].names)
        for name, value in named.items():
            if isinstance(value, bool | float | dict | list):
                mend = "Write it as it would stand in a cell, in quotes."
                self.complain(f"{place} values", f"{name} is not a text.", mend)
        for name in sorted(set(named) & set(self.get(place, table, "columns", dict, {}))):
            what = f"{name} has a header in columns and a constant in values."
            self.complain(place, what, "Keep one of them.")
        return {name: str(value) for name, value in named.items()}

    def format(self, place: str, table: dict[str, Any]) -> Format:
        where = f"{place} format"
        texts = ("encoding", "delimiter", "decimal", "dates", "time_zone", "sheet")
        self.keys(where, table, (*texts, "header_row"))
        found = {key: self.get(where, table, key, str, "") for key in texts}
        if found["time_zone"]:
            self.zone(where, "time_zone", found["time_zone"])
        form = Format(**found, header_row=self.get(where, table, "header_row", int, None))
        for what, mend in form.wrong():
            self.complain(where, what, mend)
        return form

    def refs(self, place: str, table: dict[str, Any]) -> Refs:
        where = f"{place} refs"
        self.keys(where, table, ("strip_prefix", "replacement_suffix", "separators"))
        return Refs(
            strip_prefix=self.texts(where, table, "strip_prefix"),
            replacement_suffix=self.texts(where, table, "replacement_suffix"),
            separators=self.get(where, table, "separators", str, ";,"),
        )
