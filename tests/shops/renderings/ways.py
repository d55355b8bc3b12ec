"""The ways in which exports come: common practice, no source."""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from types import MappingProxyType

from tests.shops.renderings.way import Dates, Way

_DOTS = Dates("{at:%d.%m.%Y}", "{at:%d.%m.%Y %H:%M}", "day-first")
_SLASHES = Dates("{at:%d/%m/%Y}", "{at:%d/%m/%Y %H:%M}", "day-first")
_DASHES = Dates("{at:%d-%m-%Y}", "{at:%d-%m-%Y %H:%M}", "day-first")
_MONTH_FIRST = Dates("{at:%m/%d/%Y}", "{at:%m/%d/%Y} {hour}:{at:%M %p}", "month-first")
_DAY_MONTH = Dates("{at.day} {at:%b %Y}", "{at.day} {at:%b %Y}", "%d %b %Y")
_MONTH_DAY = Dates("{at:%b} {at.day}, {at:%Y}", "{at:%b} {at.day}, {at:%Y %H:%M}", "text-month")
_SERIAL = Dates("{serial}", "{serial}", "serial")
_NATIVE = Dates(native=True)
_UTC = Dates("{at:%Y-%m-%d}", "{at:%Y-%m-%dT%H:%M:%S}Z", "year-first", zoned=True)
_SPACE = "\N{NO-BREAK SPACE}"
_UNUSED = ("description", "list_price", "printed_on")

WAYS: Mapping[str, Way] = MappingProxyType(
    {
        "german": Way(
            headers="de-a",
            encoding="cp1252",
            delimiter=";",
            line_end="\r\n",
            decimal=",",
            group=".",
            dates=_DOTS,
            extras=("description",),
        ),
        "french": Way(
            headers="fr-a",
            encoding="cp1252",
            delimiter=";",
            line_end="\r\n",
            decimal=",",
            group=_SPACE,
            currency="after",
            dates=_SLASHES,
        ),
        "spanish": Way(
            headers="es-a",
            ending="txt",
            encoding="utf-16",
            bom=codecs.BOM_UTF16_LE,
            delimiter="\t",
            line_end="\r\n",
            decimal=",",
            group=".",
            negative="-{}",
            dates=_DASHES,
        ),
        "american": Way(
            headers="en-a",
            bom=codecs.BOM_UTF8,
            line_end="\r\n",
            group=",",
            currency="before",
            negative="({})",
            dates=_MONTH_FIRST,
            extras=("list_price",),
            turn=3,
        ),
        "preamble": Way(
            headers="en-b",
            group=",",
            negative="-{}",
            titles=("Lantern Lane", "All {record}", "Period: {begin} to {end}", ""),
            totals="Total",
            repeat_header=60,
            blank_rows=40,
            split="currency",
        ),
        "first-row-only": Way(
            headers="de-b",
            delimiter=";",
            decimal=",",
            dates=_DOTS,
            whole_order="first",
            split="half",
        ),
        "prefixes": Way(
            headers="en-a",
            refs={
                "orders": "#{}",
                "invoices": "WEB-{}",
                "payments": "WEB-{}",
                "shipments": "#{}",
            },
            prefixes=("WEB-",),
            dirt=True,
        ),
        "xlsx": Way(
            headers="fr-b",
            ending="xlsx",
            sheet="Export",
            hidden_every=7,
            dates=_NATIVE,
            titles=("Lantern Lane, {record}", ""),
            turn=5,
        ),
        "ods": Way(headers="es-b", ending="ods", sheet="Hoja1", dates=_NATIVE),
        "text-months": Way(
            headers="en-b",
            delimiter="|",
            quote_all=True,
            dates=_DAY_MONTH,
            other_dates={"orders": _MONTH_DAY, "payments": _MONTH_DAY},
        ),
        "swiss": Way(
            headers="de-b",
            ending="csv.gz",
            delimiter=";",
            group="'",
            dates=_DOTS,
            time_zone="Europe/Zurich",
        ),
        "renamed": Way(
            headers="en-a",
            later_headers="en-b",
            split="month",
            extras=_UNUSED,
            trailing=True,
            two_lines=frozenset({"shipments"}),
            nameless={"invoices": "qty"},
        ),
        "overlap": Way(
            headers="en-b",
            negative="{}-",
            dates=_UTC,
            time_zone="UTC",
            nothing=("-", "n/a", "\N{EN DASH}"),
            split="month",
            overlap_days=6,
            twin=True,
        ),
        "serials": Way(headers="es-a", delimiter=";", dates=_SERIAL),
    }
)
