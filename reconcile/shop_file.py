"""shop.toml, read once; every problem in it is found in one go."""

from __future__ import annotations

import tomllib
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from reconcile.errors import Problem, RefusedError
from reconcile.money import minor_digits
from reconcile.shop import (
    POST_COLUMNS,
    SETTINGS_FILE,
    MonthEnd,
    ReportSettings,
    Shop,
    Source,
    Supplier,
    Tolerance,
)
from reconcile.source_file import SourceReader
from reconcile.toml_tables import TableReader

_MONTH_END_DAYS = ("transit", "payout")


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
    reader = _Reader([])
    return reader.shop(folder, data), reader.problems


_MOST_ROWS = 1_000_000  # a sheet holds 1,048,576 (Microsoft, Excel specifications and limits)


class _Reader(TableReader):
    """Turns the tables of shop.toml into settings and collects what is wrong with them."""

    def shop(self, folder: Path, data: dict[str, Any]) -> Shop:
        known = ("shop", "suppliers", "source", "rules", "tolerance")
        self.keys("", data, (*known, "month_end", "report", "lists"))
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
            month_end=self.month_end(self.get("", data, "month_end", dict, {})),
            report=ReportSettings(self.report_rows(data), self.post_columns(data)),
        )

    def report_rows(self, data: dict[str, Any]) -> int:
        table = self.get("", data, "report", dict, {})
        self.keys("[report]", table, ("rows",))
        rows = int(self.get("[report]", table, "rows", int, ReportSettings.rows))
        if not 1 <= rows <= _MOST_ROWS:
            mend = f"Write a number from 1 to {_MOST_ROWS:,}."
            self.complain("[report]", f"rows = {rows} does not fit a sheet.", mend)
            return ReportSettings.rows
        return rows

    def post_columns(self, data: dict[str, Any]) -> dict[str, str]:
        """The headings of lists/post.csv by our names, in the order in which they are written."""
        lists = self.get("", data, "lists", dict, {})
        self.keys("[lists]", lists, ("post",))
        post = self.get("[lists]", lists, "post", dict, {})
        self.keys("[lists.post]", post, ("columns",))
        place = "[lists.post.columns]"
        named = self.get("[lists.post]", post, "columns", dict, {})
        self.keys(place, named, POST_COLUMNS)
        found: dict[str, str] = {}
        for name in named:
            heading = self.get(place, named, name, str, "")
            if not heading.isprintable() or not heading.strip() or heading.strip()[0] in "=+-@":
                mend = "Write the heading that the storefront's import wants."
                self.complain(place, f"{name} = {heading!r} is no heading.", mend)
            elif heading in found.values():
                self.complain(place, f"two columns are called {heading!r}.", "Keep one of them.")
            found[name] = heading
        for name in ("order_ref", "tracking_no"):
            if named and name not in named:
                self.complain(place, f"{name} is missing.", f'Write {name} = "…".')
        return found

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

    def month_end(self, table: dict[str, Any]) -> MonthEnd:
        place, usual = "[month_end]", MonthEnd()
        self.keys(place, table, ("ageing", "ageing_from", "transit_days", "payout_days"))
        limits = self.get(place, table, "ageing", list, list(usual.ageing))
        whole = all(isinstance(limit, int) and not isinstance(limit, bool) for limit in limits)
        if not (limits and whole and limits[0] >= 0 and limits == sorted(set(limits))):
            mend = "Write the last day of each bucket, such as [7, 14, 30, 60, 90]."
            self.complain(place, f"ageing = {limits!r} is not a list of rising days.", mend)
            limits = list(usual.ageing)
        basis = self.get(place, table, "ageing_from", str, usual.ageing_from)
        if basis not in ("document", "due"):
            mend = 'Write "document" or "due".'
            self.complain(place, f"ageing_from = {basis!r} is not known.", mend)
        transit, payout = (self.days(place, table, f"{name}_days") for name in _MONTH_END_DAYS)
        return MonthEnd(
            ageing=tuple(limits),
            ageing_from=basis,
            transit_days=usual.transit_days if transit is None else transit,
            payout_days=usual.payout_days if payout is None else payout,
        )

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
            source = SourceReader(self.problems).source(place, name, table)
            records.add(source.record)
            if len(self.problems) == before:
                found.append(source)
        if "orders" not in records:
            mend = 'Write a [[source]] with record = "orders".'
            self.complain("source", "no source brings the orders.", mend)
        return tuple(found)
