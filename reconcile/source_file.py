"""The [[source]] tables of shop.toml: one export each, and how to read it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from reconcile.records import RECORDS
from reconcile.references import plain
from reconcile.shop import Cover, Format, Refs, Source, nearest
from reconcile.toml_tables import TableReader


class SourceReader(TableReader):
    """Turns one [[source]] table into settings."""

    def source(self, place: str, name: str, table: dict[str, Any]) -> Source:
        """The settings of one source; what is wrong in it is noted."""
        allowed = ("name", "record", "files", "covered_to", "columns", "values", "format", "refs",
                   "words")  # fmt: skip
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
            covered_to=self._covered_to(place, table),
            columns=self._columns(place, record, table),
            constants=self._constants(place, record, table),
            format=self._format(place, self.get(place, table, "format", dict, {})),
            words=self._words(place, record, self.get(place, table, "words", dict, {})),
            refs=self._refs(place, self.get(place, table, "refs", dict, {})),
        )

    def _covered_to(self, place: str, table: dict[str, Any]) -> Cover | None:
        value = table.get("covered_to")
        if value is None:
            return None
        if value == "last-row" or value == "as-of":  # noqa: PLR1714  (narrows the type)
            return "last-row" if value == "last-row" else "as-of"
        return self.date(place, "covered_to", value) or "as-of"

    def _columns(
        self, place: str, record: str, table: dict[str, Any]
    ) -> dict[str, tuple[str, ...]]:
        named = self.get(place, table, "columns", dict, {})
        if record in RECORDS:
            self.keys(f"{place} columns", named, RECORDS[record].names)
        for name, headers in named.items():
            if headers == []:
                what = f"{name} = [] names no header."
                self.complain(f"{place} columns", what, f'Write {name} = "…", or leave it out.')
        return {name: self.texts(f"{place} columns", named, name) for name in named}

    def _constants(self, place: str, record: str, table: dict[str, Any]) -> dict[str, str]:
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

    def _format(self, place: str, table: dict[str, Any]) -> Format:
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

    def _words(self, place: str, record: str, tables: dict[str, Any]) -> dict[str, dict[str, str]]:
        """By column the canonical word of each word of the file, folded.

        Written either way: ``Completed = "settled"`` or ``settled = ["Completed", "Done"]``.
        """
        found: dict[str, dict[str, str]] = {}
        if record not in RECORDS:
            return found
        closed = [column for column in RECORDS[record].columns if column.closed]
        known = {c.name: tuple(filter(None, c.words)) or ("yes", "no") for c in closed}
        self.keys(f"{place} words", tables, known)
        for name, canonical in known.items():
            table = self.get(f"{place} words", tables, name, dict, {})
            found[name] = self._one_column(f"{place} words.{name}", table, canonical)
        return found

    def _one_column(
        self, where: str, table: dict[str, Any], known: tuple[str, ...]
    ) -> dict[str, str]:
        found: dict[str, str] = {}
        for key, value in table.items():
            if isinstance(value, str) and value in known:
                pairs = [(key, value)]
            elif key in known:
                pairs = [(word, key) for word in self.texts(where, table, key)]
            else:
                pairs = []
                what = f"{key} = {value!r} names no word that is known."
                mend = f'Write it as "{key}" = "…", with one of: {", ".join(known)}.'
                self.complain(where, what, mend)
            for word, canonical in pairs:
                folded = plain(word).casefold()
                if found.setdefault(folded, canonical) != canonical:
                    self.complain(where, f"{word!r} stands for two words.", "Keep one of them.")
        return found

    def _refs(self, place: str, table: dict[str, Any]) -> Refs:
        where = f"{place} refs"
        self.keys(where, table, ("strip_prefix", "replacement_suffix", "separators"))
        return Refs(
            strip_prefix=self.texts(where, table, "strip_prefix"),
            replacement_suffix=self.texts(where, table, "replacement_suffix"),
            separators=self.get(where, table, "separators", str, ";,"),
        )
