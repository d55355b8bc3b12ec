"""A clean shop, written another way."""

from __future__ import annotations

import tomllib
from pathlib import Path
from zoneinfo import ZoneInfo

import pyarrow as pa
import pyarrow.csv

from tests.shops.renderings.files import column_letter, write_grid
from tests.shops.renderings.grid import grid_of, headers_of, names_of, period_of
from tests.shops.renderings.parts import parts_of
from tests.shops.renderings.settings import Written, settings_of
from tests.shops.renderings.way import Way
from tests.shops.renderings.ways import WAYS
from tests.shops.text import PRIVATE_MARKS


def render_as(way: str, clean: Path, out: Path, *, declared: bool) -> None:
    """Write the shop in ``clean`` into ``out`` another way: same rows, same facts.

    ``declared`` says whether shop.toml tells the formats; headers and zones it always tells.
    Raises KeyError where there is no such way.
    """
    chosen = WAYS[way]
    text = (clean / "shop.toml").read_text(encoding="utf-8")
    settings = tomllib.loads(text)
    zone = ZoneInfo(chosen.time_zone or settings["shop"]["time_zone"])
    tables = {source["record"]: _table(clean / source["files"][0]) for source in settings["source"]}
    out.mkdir(parents=True, exist_ok=True)
    sources = [_source(chosen, record, tables, out, zone) for record in tables]
    told = settings_of(chosen, text, sources, declared=declared)
    (out / "shop.toml").write_text(told, encoding="utf-8")


def _table(path: Path) -> pa.Table:
    """A clean export as text."""
    with path.open(encoding="utf-8") as file:
        names = file.readline().rstrip("\n").split(",")
    kinds = dict.fromkeys(names, pa.string())
    options = pyarrow.csv.ConvertOptions(column_types=kinds, strings_can_be_null=False)
    return pyarrow.csv.read_csv(path, convert_options=options)


def _source(
    way: Way, record: str, tables: dict[str, pa.Table], out: Path, zone: ZoneInfo
) -> Written:
    parts = parts_of(way, record, tables[record])
    period = period_of(record, tables)
    header_row = 1
    for number, part in enumerate(parts):
        grid = grid_of(way, record, part.rows, number, period, zone)
        write_grid(way, grid, out / f"{part.stem}.{way.ending}")
        header_row = grid.header_row
    pattern = record if len(parts) == 1 and parts[0].stem == record else f"{record}*"
    columns = _headers(way, record, parts[0].rows, len(parts))
    return Written(record, f"{pattern}.{way.ending}", columns, header_row)


def _headers(way: Way, record: str, rows: pa.Table, files: int) -> dict[str, list[str]]:
    """By our names, each header that a file has; no entry for what is never read."""
    names = names_of(way, record, rows)
    each = [headers_of(way, record, names, number) for number in range(files)]
    return {
        name: list(dict.fromkeys(headers[place] or _letter(place) for headers in each))
        for place, name in enumerate(names)
        if name not in PRIVATE_MARKS and name not in way.extras
    }


def _letter(place: int) -> str:
    return f"column {column_letter(place)}"
