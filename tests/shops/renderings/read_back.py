"""Reads a rendering again, with other means than it was written with, into the clean cells.

The reader knows from the way what to expect, but shares no function with the writer.
"""

from __future__ import annotations

import csv
import gzip
import io
import re
import tomllib
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import openpyxl
import python_calamine

from tests.shops.renderings.settings import names_of
from tests.shops.renderings.ways import WAYS
from tests.shops.sample_layout import DAY_COLUMNS, MOMENT_COLUMNS, MONEY_COLUMNS, WHOLE_ORDER

Row = dict[str, str]
_COUNTS = {"line_no", "qty", "refunded_qty", "min_qty", "delivery_days"}
_REFERENCES = {"order_ref", "invoice_no", "payment_ref"}
# strptime patterns for days and for times; "" is a day number, and ISO where a way is not named
_PATTERNS: Mapping[str, tuple[str, str]] = {
    "german": ("%d.%m.%Y", "%d.%m.%Y %H:%M"),
    "french": ("%d/%m/%Y", "%d/%m/%Y %H:%M"),
    "spanish": ("%d-%m-%Y", "%d-%m-%Y %H:%M"),
    "american": ("%m/%d/%Y", "%m/%d/%Y %I:%M %p"),
    "first-row-only": ("%d.%m.%Y", "%d.%m.%Y %H:%M"),
    "text-months": ("%d %b %Y", "%b %d, %Y %H:%M"),
    "swiss": ("%d.%m.%Y", "%d.%m.%Y %H:%M"),
    "overlap": ("%Y-%m-%d", "%Y-%m-%dT%H:%M:%SZ"),
    "serials": ("", ""),
}
_ISO = ("%Y-%m-%d", "%Y-%m-%d %H:%M")


@dataclass(frozen=True)
class Seen:
    """One file as it was found: its rows by our names, and how many rows are something else."""

    source: str
    file: str
    rows: list[Row]
    total: int  # all rows of the file
    totals: int  # rows with sums


def plain(text: str) -> str:
    """A text without what a rendering puts around references and into words."""
    text = unicodedata.normalize("NFKC", text).replace("\N{ZERO WIDTH SPACE}", "")
    return re.sub(r"=\"|[\"'#]|WEB-", "", text).strip()


def clean_rows(folder: Path) -> dict[str, list[Row]]:
    """The rows of a clean shop, comparable with those that are read back."""
    zone = _zone(folder)
    found = {}
    for path in sorted(folder.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        found[path.stem] = [
            {name: _comparable(name, text, ("", "iso"), zone) for name, text in row.items()}
            for row in rows
        ]
    return found


def read_back(way: str, out: Path) -> list[Seen]:
    """Every file of a rendering."""
    settings = tomllib.loads((out / "shop.toml").read_text(encoding="utf-8"))
    return [
        _read(way, out, source["name"], path)
        for source in settings["source"]
        for pattern in source["files"]
        for path in sorted(out.glob(pattern))
    ]


def _zone(folder: Path) -> ZoneInfo:
    settings = tomllib.loads((folder / "shop.toml").read_text(encoding="utf-8"))
    return ZoneInfo(settings["shop"]["time_zone"])


def raw_rows(way: str, path: Path) -> list[list[object]]:
    """The cells of a file, by the reader of its kind; blank cells are ""."""
    chosen = WAYS[way]
    if path.suffix == ".xlsx":
        sheet = openpyxl.load_workbook(path)[chosen.sheet]
        cells = sheet.iter_rows(values_only=True)
        return [["" if cell is None else cell for cell in row] for row in cells]
    if path.suffix == ".ods":
        book = python_calamine.CalamineWorkbook.from_path(path)
        return [list(row) for row in book.get_sheet_by_name(chosen.sheet).to_python()]
    data = path.read_bytes()
    data = gzip.decompress(data) if path.suffix == ".gz" else data
    text = data.decode("utf-8-sig" if chosen.encoding == "utf-8" else chosen.encoding)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=chosen.delimiter, strict=True)
    return [list(row) for row in reader]


def _read(way: str, out: Path, source: str, path: Path) -> Seen:
    chosen, headers = WAYS[way], names_of(out)[source]
    grid = raw_rows(way, path)
    lines = 2 if source in chosen.two_lines else 1
    at = next(at for at in range(len(grid)) if _places(grid[at : at + lines], headers))
    head = grid[at : at + lines]
    places = _places(head, headers)
    patterns = _PATTERNS.get(way, _ISO)
    zone = ZoneInfo(chosen.time_zone) if chosen.time_zone else _zone(out)
    rows, totals = [], 0
    for cells in grid[at + lines :]:
        if not any(cell != "" for cell in cells) or [cells] == head:
            continue
        if chosen.totals and cells[0] == chosen.totals:
            totals += 1
            continue
        texts = {name: _text(chosen.nothing, cells[place]) for name, place in places.items()}
        rows.append({name: _comparable(name, text, patterns, zone) for name, text in texts.items()})
    if chosen.whole_order == "first" and source == "orders":
        _fill(rows)
    return Seen(source, path.name, rows, len(grid), totals)


def _places(
    lines: Sequence[list[object]], headers: Mapping[str, tuple[str, ...]]
) -> dict[str, int]:
    """Where each column stands if these lines are the header; nothing if they are not."""
    words = [
        " ".join(str(word) for word in column if word != "") for column in zip(*lines, strict=True)
    ]
    places = {}
    for name, options in headers.items():
        if options[0].startswith("column "):
            places[name] = ord(options[0][-1]) - ord("A")
            continue
        found = [words.index(option) for option in options if option in words]
        if len(found) != 1:
            return {}
        places[name] = found[0]
    return places


def _text(nothing: Sequence[str], cell: object) -> str:
    """A cell as text; the cells of spreadsheets in the form of the clean ones."""
    if isinstance(cell, datetime):
        return cell.strftime("%Y-%m-%d %H:%M")
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return "" if cell in nothing else str(cell)


def _fill(rows: list[Row]) -> None:
    """Give every line of an order what its first line says."""
    first: dict[str, Row] = {}
    for row in rows:
        top = first.setdefault(row["order_ref"], row)
        row |= {name: top[name] for name in WHOLE_ORDER}


def _comparable(name: str, text: str, patterns: tuple[str, str], zone: ZoneInfo) -> str:
    if not text:
        return ""
    if name in MONEY_COLUMNS or name == "rate":
        return str(_money(text).normalize())
    if name in MOMENT_COLUMNS:
        return _moment(text, patterns[1], zone).astimezone(UTC).strftime("%Y-%m-%d %H:%M")
    if name in DAY_COLUMNS or name == "date":
        return _day(text, patterns)
    if name in _COUNTS:
        return str(int(unicodedata.normalize("NFKC", text)))
    if name in _REFERENCES:
        return "; ".join(plain(one) for one in text.split("; "))
    return plain(text)


def _money(text: str) -> Decimal:
    """The amount without its sign, whatever stands around it; the last mark is the decimal's."""
    digits = re.sub(r"[^0-9.,]", "", text)
    whole, mark, part = re.fullmatch(r"([0-9.,]*?)(?:([.,])([0-9]*))?", digits).groups("")  # type: ignore[union-attr]
    return Decimal(re.sub(r"[.,]", "", whole) + (f".{part}" if mark else ""))


def _moment(text: str, pattern: str, zone: ZoneInfo) -> datetime:
    if pattern == "iso":
        return datetime.fromisoformat(text)
    if not pattern:
        return _of_serial(text).replace(tzinfo=zone)
    return datetime.strptime(text, pattern).replace(tzinfo=zone)


def _day(text: str, patterns: tuple[str, str]) -> str:
    if patterns[1] == "iso":
        return text
    if not patterns[0]:
        return str(_of_serial(text).date())
    for pattern in (*patterns, "%b %d, %Y"):
        try:
            return str(datetime.strptime(text, pattern).date())  # noqa: DTZ007  (a day has no zone)
        except ValueError:
            continue
    raise ValueError(text)


def _of_serial(text: str) -> datetime:
    minutes = (Decimal(text) * 24 * 60).quantize(Decimal(1))
    return datetime(1899, 12, 30) + timedelta(minutes=int(minutes))  # noqa: DTZ001
