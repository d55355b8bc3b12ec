"""From the shop folder to typed records: every file read once, every row with a fate."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import pandas as pd
import pyarrow as pa

from reconcile.dates import as_day
from reconcile.errors import Problem, RefusedError
from reconcile.intake.fates import SourceRows, settle
from reconcile.intake.headers import find_columns
from reconcile.intake.schemas import checked
from reconcile.intake.table import RawFile, TextTable, read_file, read_table
from reconcile.intake.typed import Reader
from reconcile.records import RECORDS
from reconcile.shop import SETTINGS_FILE, Shop, Source


@dataclass(frozen=True)
class Intake:
    """Everything that was read.

    ``records``: per record type its accepted rows, typed, with ``source``, ``file`` (a number
    in ``files``), ``row`` (as a spreadsheet counts) and ``age`` (0 = the newest file).
    ``parts``: per (record, column) the references of cells that hold several: ``row_id`` (the
    row of the record's frame), ``ref``, ``key``.
    ``files``: one row per file, with its rows by fate. ``sums``: money of the accepted rows.
    ``rejected``: one row per rejected row. ``rejected_keys``: references that rejected rows
    name: ``record``, ``column``, ``key``. ``changes``: rows that a newer file replaced.
    ``covered``: per record the day to which its sources are complete. ``brought``: per record
    the canonical columns that every one of its sources brings.
    """

    records: dict[str, pd.DataFrame]
    parts: dict[tuple[str, str], pd.DataFrame]
    files: pd.DataFrame
    sums: pd.DataFrame
    rejected: pd.DataFrame
    rejected_keys: pd.DataFrame
    changes: pd.DataFrame
    covered: dict[str, date | None]
    brought: dict[str, frozenset[str]]


@dataclass
class _Opened:
    source: Source
    raw: RawFile
    positions: dict[str, int]
    table: TextTable | None = None


def load(shop: Shop, as_of: date) -> Intake:
    """Read every source of the shop as of a date.

    Raises RefusedError with the problems of all files at once.
    """
    opened, problems = _open_all(shop)
    if problems:
        raise RefusedError(problems)
    loader = _Loader(shop, as_of)
    for source in shop.sources:
        loader.add(source, [one for one in opened if one.source is source])
    return loader.done()


def file_problems(shop: Shop) -> list[Problem]:
    """Every problem of the files and of the constants beside them."""
    return _open_all(shop)[1]


def _open_all(shop: Shop) -> tuple[list[_Opened], list[Problem]]:
    problems: list[Problem] = []
    opened = [one for source in shop.sources for one in _open(shop.folder, source, problems)]
    for source in shop.sources:
        problems += _constants(shop, source)
    for one in opened:
        try:
            one.table = read_table(one.raw, sorted(set(one.positions.values())))
        except RefusedError as error:
            problems += error.problems
    return opened, problems


def _open(folder: Path, source: Source, problems: list[Problem]) -> list[_Opened]:
    paths: dict[Path, None] = {}
    for pattern in source.files:
        place = f"{SETTINGS_FILE} source {source.name!r}"
        try:
            found = sorted(path for path in folder.glob(pattern) if path.is_file())
        except (ValueError, IndexError):  # IndexError is for "."
            what = f"{pattern!r} is not a path, and no pattern for paths."
            problems.append(Problem(place, what, 'Write a path such as "orders/*.csv".'))
            continue
        except OSError as error:
            what = f"{pattern!r} cannot be looked for: {error.strerror}."
            problems.append(Problem(place, what, "Check the rights of its folder."))
            continue
        inside = [path for path in found if path.resolve().is_relative_to(folder.resolve())]
        if len(inside) < len(found):
            what = f"the path {pattern!r} leads out of the shop folder."
            problems.append(Problem(place, what, "Put the file itself into the folder."))
        elif not found:
            what = f"no file matches {pattern!r}."
            problems.append(Problem(place, what, "Export it, or mend files = […]."))
        paths |= dict.fromkeys(inside)
    opened = []
    for path in sorted(paths):
        try:
            raw = read_file(folder, path, source.format)
        except RefusedError as error:
            problems += error.problems
            continue
        layout, wrong = find_columns(source, raw.path, raw.header, raw.header_row)
        problems += wrong
        if not wrong:
            opened.append(_Opened(source, raw, layout.positions))
    return opened


def _constants(shop: Shop, source: Source) -> list[Problem]:
    """Constants that do not parse; an amount is read with the currency where that one does."""
    texts = {name: pa.array([value], pa.string()) for name, value in source.constants.items()}
    place = f"{SETTINGS_FILE} source {source.name!r} values"
    reader = Reader(shop, source)
    problems = []
    currency: dict[str, pa.Array] = {}
    for name in sorted(texts, key=lambda name: name != "currency"):
        rejects = reader.read({name: texts[name]} | currency, 1).rejects
        if name == "currency" and rejects.empty:
            currency = {name: texts[name]}
        problems += [
            Problem(place, f"{name} = {text!r} does not fit.", f"Write {expected}.")
            for text, expected in zip(rejects["text"], rejects["expected"], strict=True)
        ]
    return problems


@dataclass
class _Loader:
    shop: Shop
    as_of: date
    rows: dict[str, list[SourceRows]] = field(default_factory=dict)
    files: list[dict[str, object]] = field(default_factory=list)

    def add(self, source: Source, opened: list[_Opened]) -> None:
        """Type the files of one source and settle the fate of each row."""
        reader = Reader(self.shop, source)
        first = len(self.files)
        read = []
        for one in opened:
            if one.table is None:
                continue
            texts = {name: one.table.columns[at] for name, at in one.positions.items()}
            texts |= {name: pa.array([value]) for name, value in source.constants.items()}
            read.append((one.raw, one.table, texts, reader.read(texts, len(one.table.rows))))
            one.table = None
        rows = settle(source, read, first, as_day(self.as_of))
        self.rows.setdefault(source.record, []).append(rows)
        for (raw, *_), counts in zip(read, rows.counts, strict=True):
            self.files.append(
                {"source": source.name, "record": source.record, "file": raw.path, "sheet": ""}
                | {"sha256": raw.sha256, **counts}
            )

    def done(self) -> Intake:
        records: dict[str, pd.DataFrame] = {}
        parts: dict[tuple[str, str], pd.DataFrame] = {}
        for record, several in self.rows.items():
            frame = pd.concat([rows.accepted for rows in several], ignore_index=True)
            records[record] = checked(record, _in_order(record, frame, parts, several))
        everything = [rows for several in self.rows.values() for rows in several]
        covered = {record: self._covered(record, records[record]) for record in records}
        files = pd.DataFrame(self.files)
        files["covered_to"] = files["record"].map(
            lambda record: "" if covered[record] is None else str(covered[record])
        )
        return Intake(
            records=records,
            parts=parts,
            files=files,
            sums=_sums(records, files),
            rejected=pd.concat([rows.rejected for rows in everything], ignore_index=True),
            rejected_keys=pd.concat([rows.rejected_keys for rows in everything]),
            changes=pd.concat([rows.changes for rows in everything], ignore_index=True),
            covered=covered,
            brought={record: self._brought(record) for record in records},
        )

    def _covered(self, record: str, frame: pd.DataFrame) -> date | None:
        """The earliest day to which a source of the record is complete; None where unknown."""
        days: list[date | None] = []
        for source in self.shop.sources:
            if source.record != record:
                continue
            if isinstance(source.covered_to, date):
                days.append(min(source.covered_to, self.as_of))
            elif source.covered_to == "as-of" or not RECORDS[record].date:
                days.append(self.as_of)
            else:
                dated = RECORDS[record].column(RECORDS[record].date).typed
                last = frame.loc[frame["source"] == source.name, dated].max()
                days.append(None if pd.isna(last) else last.date())
        return None if None in days else min(day for day in days if day is not None)

    def _brought(self, record: str) -> frozenset[str]:
        brought = [rows.brought for rows in self.rows[record]]
        return frozenset.intersection(*brought)


def _in_order(
    record: str,
    frame: pd.DataFrame,
    parts: dict[tuple[str, str], pd.DataFrame],
    several: list[SourceRows],
) -> pd.DataFrame:
    """Several references in a cell get the number of their row in the whole record."""
    start = 0
    moved: dict[str, list[pd.DataFrame]] = {}
    for rows in several:
        for name, part in rows.parts.items():
            moved.setdefault(name, []).append(part.assign(row_id=part["row_id"] + start))
        start += len(rows.accepted)
    for name, pieces in moved.items():
        parts[record, name] = pd.concat(pieces, ignore_index=True)
    for column in RECORDS[record].columns:
        # A column that only some sources bring reads as blank in the others.
        if column.typed not in frame:
            continue
        if frame[column.typed].dtype == "str":
            blank = column.words[0] if column.words else ""
            frame[column.typed] = frame[column.typed].fillna(blank)
        elif column.kind == "flag":
            frame[column.typed] = frame[column.typed].fillna(value=False).astype(bool)
    keys = [str(name) for name in frame if str(name).endswith("_key")]
    frame[keys] = frame[keys].fillna("")
    return frame


def _sums(records: dict[str, pd.DataFrame], files: pd.DataFrame) -> pd.DataFrame:
    """Money of the accepted rows: per file, money column and currency, rows and sum."""
    pieces = []
    for record, frame in records.items():
        money = [column for column in RECORDS[record].columns if column.kind == "money"]
        for column in money:
            if column.typed not in frame:
                continue
            grouped = frame.groupby(["file", "currency"])[column.typed]
            piece = grouped.agg(rows="count", sum_minor="sum").reset_index()
            pieces.append(piece.assign(column=column.name)[piece["rows"].to_numpy() > 0])
    empty = pd.DataFrame(columns=["file", "currency", "rows", "sum_minor", "column"])
    sums = pd.concat(pieces, ignore_index=True) if pieces else empty
    place = files[["source", "record", "file"]].rename(columns={"file": "path"})
    sums = sums.merge(place, left_on="file", right_index=True)
    sums["file"] = sums["path"]
    sums["sum_minor"] = sums["sum_minor"].astype("Int64")
    names = ["source", "record", "file", "column", "currency"]
    return sums[[*names, "rows", "sum_minor"]].sort_values(names, ignore_index=True)
