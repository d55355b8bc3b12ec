"""Tables of shop.toml: values of the right type, and every problem with them collected."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from reconcile.errors import Problem
from reconcile.shop import SETTINGS_FILE, nearest


class TableReader:
    """Reads values of tables; a value that is wrong reads as its default and is a problem."""

    def __init__(self, problems: list[Problem]) -> None:
        """Take the list to which problems are added."""
        self.problems = problems

    def complain(self, place: str, what: str, mend: str) -> None:
        """Note a problem with a place of shop.toml."""
        self.problems.append(Problem(f"{SETTINGS_FILE} {place}".strip(), what, mend))

    def keys(self, place: str, table: Mapping[str, Any], allowed: Collection[str]) -> None:
        """Note every key that is not known."""
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
        """A list of texts; one text is a list of one."""
        value = table.get(key, [])
        if isinstance(value, str):
            value = [value]
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.complain(place, f"{key} is not a list of texts.", f'Write {key} = ["…"].')
            return ()
        return tuple(value)

    def days(self, place: str, table: Mapping[str, Any], key: str) -> int | None:
        """A number of days, 0 or more."""
        value = self.get(place, table, key, int, None)
        if value is not None and value < 0:
            self.complain(place, f"{key} is negative.", "Write a number of days, 0 or more.")
            return None
        return None if value is None else int(value)

    def date(self, place: str, key: str, value: Any) -> date | None:
        """A calendar date, of TOML or as text."""
        if type(value) is date:
            return value
        try:
            return date.fromisoformat(value)
        except (TypeError, ValueError):
            self.complain(place, f"{key}: {value!r} is not a date.", 'Write it as "2026-10-01".')
            return None

    def zone(self, place: str, key: str, value: str) -> ZoneInfo:
        """A time zone of the IANA database; UTC where it is none."""
        try:
            return ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            mend = 'Write a name of the IANA database, such as "Europe/Dublin" or "UTC".'
            self.complain(place, f"{key} = {value!r} is not a time zone.", mend)
            return ZoneInfo("UTC")
