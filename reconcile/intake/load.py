"""From the shop folder to typed records: every file read once, every row with a fate."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

import pandas as pd

from reconcile.allocator import give_back, share_one
from reconcile.dates import as_day
from reconcile.empty import without_rows
from reconcile.errors import Problem, RefusedError
from reconcile.intake.coded import Coded
from reconcile.intake.cover import covered_to, find_gaps, last_day
from reconcile.intake.elsewhere import looked_at
from reconcile.intake.fates import Place, SourceRows, settle
from reconcile.intake.foot import find_foot, kept_rows, stated_totals
from reconcile.intake.formats import Forms, plain_numbers
from reconcile.intake.gathered import (
    Gathers,
    Held,
    one_file,
    one_source,
    stacked_parts,
    sums_by_file,
)
from reconcile.intake.glance import FileRows
from reconcile.intake.opening import Found, open_all, table_of
from reconcile.intake.period import Period, stated_period
from reconcile.intake.read import Texts
from reconcile.intake.reading import Opened
from reconcile.intake.rejected import Original, rejected_keys
from reconcile.intake.typed import Reader
from reconcile.kept import Records
from reconcile.records import RECORDS
from reconcile.shop import Shop, Source


@dataclass(frozen=True)
class Intake:
    """Everything that was read.

    ``records``: per record type its accepted rows, typed, with ``source``, ``file`` (a number
    in ``files``), ``row`` (as a spreadsheet counts) and ``age`` (0 = the newest file).
    ``parts``: per (record, column) the references of cells that hold several: ``row_id`` (the
    row of the record's frame), ``ref``, ``key``.
    ``files``: one row per file, with its rows by fate, and how it was read. ``sums``: money of
    the accepted rows. ``rejected``: one row per rejected row; ``originals``: those rows as they
    stand in their files. ``notes``: what else was found in files and cells. ``rejected_keys``:
    references that rejected rows name: ``record``, ``column``, ``key``; ``rejected_names``: with
    payments and tracking numbers, and each with its row. ``changes``: rows that a newer file
    replaced. ``totals``: totals that files state and that their rows do not add up
    to. ``gaps``: days that no file of a source covers.
    ``covered``: per record the day to which its sources are complete, ``ends``: per source.
    ``brought``: per record the canonical columns that every one of its sources brings.
    """

    records: Records
    parts: dict[tuple[str, str], pd.DataFrame]
    files: pd.DataFrame
    sums: pd.DataFrame
    rejected: pd.DataFrame
    originals: list[Original]
    notes: pd.DataFrame
    rejected_keys: pd.DataFrame
    rejected_names: pd.DataFrame
    changes: pd.DataFrame
    totals: pd.DataFrame
    gaps: pd.DataFrame
    covered: dict[str, date | None]
    ends: dict[str, date | None]
    brought: dict[str, frozenset[str]]


def load(shop: Shop, as_of: date, gathers: Gathers | None = None) -> Intake:
    """Read every source of the shop as of a date; ``gathers`` takes the accepted rows.

    Raises RefusedError with the problems of all files at once.
    """
    share_one()
    gathers = Held() if gathers is None else gathers
    found, problems = open_all(shop, at_once=gathers.files_at_once)
    if problems:
        raise RefusedError(problems)
    loader = _Loader(shop, as_of, gathers)
    while found:  # the texts of a source can go once its rows are typed
        give_back()
        loader.add(found.pop(0))
    give_back()
    return loader.done()


def file_problems(shop: Shop) -> list[Problem]:
    """Every problem of the files and of the constants beside them."""
    return open_all(shop)[1]


@dataclass
class _Loader:
    shop: Shop
    as_of: date
    gathers: Gathers
    rows: dict[str, list[SourceRows]] = field(default_factory=dict)
    files: list[dict[str, object]] = field(default_factory=list)
    notes: list[dict[str, object]] = field(default_factory=list)
    totals: list[pd.DataFrame] = field(default_factory=list)
    covered: dict[str, list[date | None]] = field(default_factory=dict)
    ends: dict[str, date | None] = field(default_factory=dict)
    gaps: list[pd.DataFrame] = field(default_factory=list)
    changes: list[pd.DataFrame] = field(default_factory=list)

    def add(self, found: Found) -> None:
        """Type the files of one source and settle the fate of each row."""
        source = found.source
        both = zip(found.opened, found.forms, strict=True)
        tables = [self._texts(source, opened, forms) for opened, forms in both]
        if not tables:
            return
        main = RECORDS[source.record].date
        periods = [
            stated_period(opened.layout.title, one.forms.dates.get(main, "year-first"))
            for opened, one in zip(found.opened, tables, strict=True)
        ]
        rows, last = self._settled(source, tables, periods)
        self.rows.setdefault(source.record, []).append(rows)
        cover = covered_to(source, last, periods, self.as_of)
        self.covered.setdefault(source.record, []).append(cover)
        self.ends[source.name] = cover
        shown: dict[str, str] = {}
        for opened, one, period, counts in zip(
            found.opened, tables, periods, rows.counts, strict=True
        ):
            self.files.append(
                {"source": source.name, "record": source.record, "file": opened.path}
                | {"sheet": opened.sheet, "sha256": opened.sha256, **counts}
                | {"format": _format(opened, one.forms, period)}
            )
            notes = list(opened.notes)
            if opened.sha256 in shown and shown[opened.sha256] != opened.path:
                notes.append(f"it is the same file as {shown[opened.sha256]}")
            shown.setdefault(opened.sha256, opened.path)
            self.notes += [self._note(source, opened, note) for note in notes]

    def _settled(
        self, source: Source, tables: list[Texts], periods: list[Period | None]
    ) -> tuple[SourceRows, date | None]:
        """The rows of one source, and the day of the last that is accepted."""
        reader, as_of, record = Reader(self.shop, source), as_day(self.as_of), source.record
        files = [FileRows(table, reader, self.gathers.at_once) for table in tables]
        seen = looked_at(source, files, reader, as_of)
        days = [(table.path, each) for table, each in zip(tables, seen.days, strict=True)]
        self.gaps.append(find_gaps(source, days, periods))
        self.changes.append(seen.elsewhere.changes)
        settled, last, first = [], list[date | None](), len(self.files)
        for at, file in enumerate(files):
            blocks, start, place = [], 0, Place(first + at, seen.ages[at])
            for read in file.reads():
                here = slice(start, start + len(read.table.rows))
                shown = seen.elsewhere.repeat[at][here], seen.elsewhere.old[at][here]
                rows = settle(source, read, place, as_of, shown, seen.late)
                last.append(last_day(record, [rows.accepted]))
                self.gathers.add(record, rows.accepted)
                blocks.append(replace(rows, accepted=pd.DataFrame()))
                start = here.stop
            settled.append(one_file(record, blocks))
        return one_source(settled), max(filter(None, last), default=None)

    def _note(self, source: Source, opened: Opened, why: str) -> dict[str, object]:
        place = {"source": source.name, "file": opened.path, "sheet": opened.sheet}
        return place | {"row": 0, "column": "", "text": "", "why": why}

    def _texts(self, source: Source, opened: Opened, forms: Forms) -> Texts:
        """One table without its header and totals."""
        layout = opened.layout
        foot = find_foot(source.record, table_of(opened), layout, forms)
        table, aside = opened.table, {"above": layout.row}
        if len(foot.headers) or len(foot.totals) or table.short:
            keep = kept_rows(len(table.rows), foot)
            self.totals.append(
                stated_totals(source.record, table_of(opened), foot, keep, forms).assign(
                    source=source.name
                )
            )
            table = table.filter(keep)
        aside |= {
            "header": layout.row + len(foot.headers),
            "totals": len(foot.totals) + len(table.short),
        }
        count = len(table.rows)
        columns = {
            name: plain_numbers(
                table.columns[at], table.numbers.get(at), forms.decimals.get(name, ".")
            )
            for name, at in layout.positions.items()
        }
        columns |= {name: Coded.constant(text, count) for name, text in source.constants.items()}
        return Texts(
            path=opened.path,
            sheet=opened.sheet,
            header=layout.raw,
            cells=layout.cells,
            positions=layout.positions,
            table=table,
            columns=columns,
            forms=forms,
            aside=aside,
        )

    def done(self) -> Intake:
        records = self.gathers.records()
        parts = {
            (record, name): part
            for record, several in self.rows.items()
            for name, part in stacked_parts(several).items()
        }
        everything = [rows for several in self.rows.values() for rows in several]
        names = pd.concat([rows.rejected_names for rows in everything], ignore_index=True)
        covered = {record: _earliest(self.covered[record]) for record in records}
        files = pd.DataFrame(self.files)
        files["covered_to"] = files["record"].map(
            lambda record: "" if covered[record] is None else str(covered[record])
        )
        return Intake(
            records=records,
            parts=parts,
            files=files,
            sums=sums_by_file(records, files),
            rejected=pd.concat([rows.rejected for rows in everything], ignore_index=True),
            originals=[one for rows in everything for one in rows.originals],
            notes=self._all_notes(everything),
            rejected_keys=rejected_keys(names),
            rejected_names=names,
            changes=pd.concat(self.changes, ignore_index=True),
            totals=pd.concat([*self.totals, _NO_TOTALS], ignore_index=True),
            gaps=pd.concat(self.gaps, ignore_index=True),
            covered=covered,
            ends=self.ends,
            brought={record: self._brought(record) for record in records},
        )

    def _brought(self, record: str) -> frozenset[str]:
        brought = [rows.brought for rows in self.rows[record]]
        return frozenset.intersection(*brought)

    def _all_notes(self, everything: list[SourceRows]) -> pd.DataFrame:
        """What was found in files, then in cells: source, file, sheet, row, column, text, why."""
        names = ["source", "file", "sheet", "row", "column", "text", "why"]
        types = dict.fromkeys(names, "str") | {"row": "int64"}
        whole = pd.DataFrame(self.notes, columns=names).astype(types)
        cells = [rows.notes for rows in everything]
        return pd.concat([whole, *cells], ignore_index=True).astype(types)


_NO_TOTALS = without_rows(
    dict.fromkeys(("source", "file", "column", "stated", "found"), "str") | {"row": "int64"}
)


def _earliest(days: list[date | None]) -> date | None:
    """The earliest day to which a source of a record is complete; None where unknown."""
    return None if None in days else min(day for day in days if day is not None)


def _format(opened: Opened, forms: Forms, period: Period | None) -> str:
    """How a file was read, in a line."""
    found = dict(opened.found)
    if opened.layout.lines > 1:
        found["header row"] += f" (with {opened.layout.lines} lines)"
    parts = [f"{what} {value!r}" for what, value in found.items()]
    for what, by_column in (("decimal", forms.decimals), ("dates", forms.dates)):
        brought = {
            name: form for name, form in by_column.items() if name in opened.layout.positions
        }
        for form in sorted(set(brought.values())):
            names = [name for name in brought if brought[name] == form]
            every = len(names) == len(brought)
            parts.append(f"{what} {form!r}" + ("" if every else f" in {', '.join(names)}"))
    if period is not None:
        parts.append(f"period {period[0]} to {period[1]}")
    return "; ".join(parts)
