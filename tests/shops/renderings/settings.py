"""The shop.toml of a rendering, and what it says about the headers."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.shops.renderings.way import Way


@dataclass(frozen=True)
class Written:
    """One source as it was written: its headers by our names, one for each file that differs."""

    record: str
    files: str
    headers: dict[str, list[str]]
    header_row: int


def settings_of(way: Way, clean: str, sources: Sequence[Written], *, declared: bool) -> str:
    """The text of shop.toml; shop and suppliers are those of the clean one."""
    parts = [clean.partition("[[source]]")[0].rstrip()]
    for source in sources:
        parts += ["", "[[source]]", f'name = "{source.record}"', f'record = "{source.record}"']
        parts += [f'files = ["{source.files}"]', "[source.columns]"]
        parts += [f"{name} = {_toml(found)}" for name, found in source.headers.items()]
        form = _format(way, source, declared=declared)
        if form:
            parts += ["[source.format]", *(f"{key} = {_toml(form[key])}" for key in form)]
        if "order_ref" in source.headers:
            parts += ["[source.refs]", f"strip_prefix = {_toml([*way.prefixes, 'LL-'])}"]
            parts += ['replacement_suffix = ["-R"]', 'separators = ";"']
    return "\n".join(parts) + "\n"


def _format(way: Way, source: Written, *, declared: bool) -> dict[str, str | int]:
    """What is declared; the zone always where times are not the shop's, since nobody finds it."""
    form: dict[str, str | int] = {}
    dates = way.dates_of(source.record)
    if declared:
        if way.is_text:
            form |= {"encoding": way.encoding, "delimiter": way.delimiter, "decimal": way.decimal}
        else:
            form["sheet"] = way.sheet
        if dates.declared:
            form["dates"] = dates.declared
        if source.header_row > 1:
            form["header_row"] = source.header_row
    if way.time_zone and not dates.zoned:
        form["time_zone"] = way.time_zone
    return form


def _toml(value: str | int | list[str]) -> str:
    """A value as TOML; its basic strings are those of JSON."""
    if isinstance(value, list) and len(value) == 1:
        return json.dumps(value[0], ensure_ascii=False)
    return json.dumps(value, ensure_ascii=False)


def names_of(out: Path) -> dict[str, dict[str, tuple[str, ...]]]:
    """By source and our column, every header that its files have for it, the oldest first."""
    settings = tomllib.loads((out / "shop.toml").read_text(encoding="utf-8"))
    return {
        source["name"]: {
            name: (header,) if isinstance(header, str) else tuple(header)
            for name, header in source["columns"].items()
        }
        for source in settings["source"]
    }


def truth_of(out: Path) -> dict[str, dict[str, str]]:
    """By source and our column, the header that its first file by name has for it.

    A column without a header is called by its letter, such as ``column C``.
    """
    return {
        source: {name: headers[0] for name, headers in columns.items()}
        for source, columns in names_of(out).items()
    }
