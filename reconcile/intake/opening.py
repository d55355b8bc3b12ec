"""Every file of the shop opened, and every problem of the files found in one go."""

from __future__ import annotations

import glob
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

from reconcile.allocator import give_back
from reconcile.errors import Problem, RefusedError
from reconcile.intake.coded import Coded
from reconcile.intake.formats import Forms, Table, find_forms
from reconcile.intake.narrative import without_persons
from reconcile.intake.reading import Files, Opened, open_table
from reconcile.intake.typed import Reader, supplier_names
from reconcile.records import RECORDS
from reconcile.shop import OUT_FOLDER, SETTINGS_FILE, Shop, Source


@dataclass
class Found:
    """The tables of one source, with what its columns are written like."""

    source: Source
    opened: list[Opened]
    forms: list[Forms] = field(default_factory=list)


def open_all(shop: Shop, *, at_once: int = 2) -> tuple[list[Found], list[Problem]]:
    """The tables of every source, and every problem with them and the constants beside them.

    ``at_once`` is how many files are cut up at a time.
    """
    problems: list[Problem] = []
    files = Files(shop.folder)
    suppliers = supplier_names(shop)
    listed = [_paths(shop.folder, source) for source in shop.sources]
    wanted = Counter(path for paths, _ in listed for path in paths)
    if max(wanted.values(), default=0) > 1:
        at_once = 1  # a file that several sources read is read once, for one after another
    lasting = []
    for paths, _ in listed:
        wanted.subtract(paths)
        lasting.append([not wanted[path] for path in paths])

    def open_source(at: int) -> tuple[Found, list[Problem]]:
        source, (paths, missing) = shop.sources[at], listed[at]
        wrong = list(missing)
        several = [
            _open(source, files, path, wrong, last=last)
            for path, last in zip(paths, lasting[at], strict=True)
        ]
        one = Found(source, [opened for opened in several if opened is not None])
        one.opened = [without_persons(o, source.record, suppliers) for o in one.opened]
        one.forms, unclear = find_forms(source, [table_of(opened) for opened in one.opened])
        if at_once == 1:
            give_back()
        return one, [*wrong, *unclear, *_constants(shop, source)]

    with ThreadPoolExecutor(max_workers=at_once) as threads:
        opened = list(threads.map(open_source, range(len(shop.sources))))
    found = [one for one, _ in opened]
    for _, wrong in opened:
        problems += wrong
    return found, [*problems, *_unread_sheets(found), *_twice(found)]


def _open(
    source: Source, files: Files, path: Path, problems: list[Problem], *, last: bool
) -> Opened | None:
    """The table of one file for one source; None, and why, where it cannot be used."""
    try:
        opened, wrong = open_table(source, files.grid(path, source.format, last=last))
    except RefusedError as error:
        problems += error.problems
        return None
    problems += wrong
    return opened


def table_of(opened: Opened) -> Table:
    """The texts of an opened table, with what its columns are."""
    return Table(opened.path, opened.layout.positions, opened.table)


def _paths(folder: Path, source: Source) -> tuple[list[Path], list[Problem]]:
    """The files of a source, in the order of their names, and the problems with its patterns."""
    paths: dict[Path, None] = {}
    problems: list[Problem] = []
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
        read = [path for path in inside if not _written_here(folder, path, pattern)]
        if len(inside) < len(found):
            what = f"the path {pattern!r} leads out of the shop folder."
            problems.append(Problem(place, what, "Put the file itself into the folder."))
        elif not read:
            what = f"no file matches {pattern!r}."
            if found:
                what = f"{pattern!r} matches nothing but what a run has written."
            problems.append(Problem(place, what, "Export it, or mend files = […]."))
        paths |= dict.fromkeys(read)
    return sorted(paths), problems


def _written_here(folder: Path, path: Path, pattern: str) -> bool:
    """Whether a file is an output of a run: it lies in its folder, or where runs write at first.

    What a merchant keeps in a folder of that name counts where a pattern begins with it; a file
    that is named in full was chosen, such as a list of the last run that is to be checked.
    """
    inner = path.relative_to(folder)
    if glob.escape(str(inner)) == pattern and len(inner.parts) == 1:
        return False
    if inner.parts[0] == OUT_FOLDER and Path(pattern).parts[0] != OUT_FOLDER:
        return True
    below = {"lists", "rejected"}
    root = path.parent.parent if path.parent.name in below else path.parent
    if not all((root / name).is_file() for name in ("summary.json", "exceptions.csv")):
        return False
    own = ("exceptions.csv", "order_lines.csv", "rejected_rows.csv", "report.xlsx", "summary.json")
    return path.parent.name in below or path.name in (*own, "run.log")


def _unread_sheets(found: Sequence[Found]) -> list[Problem]:
    """Sheets that no source reads: told with the file, or refused where they look like more rows.

    Where a source names its sheet, somebody has looked at the others.
    """
    read = {(opened.path, opened.sheet) for one in found for opened in one.opened}
    problems = []
    for one in found:
        for at, opened in enumerate(one.opened):
            unread = [sheet for sheet in opened.others if (opened.path, sheet) not in read]
            alike = [sheet for sheet in unread if opened.others[sheet]]
            notes = [f"sheet {sheet!r} of the workbook was not read" for sheet in unread]
            one.opened[at] = replace(opened, notes=(*opened.notes, *notes))
            if alike:
                what = (
                    f"sheet {opened.sheet!r} is read, but {', '.join(map(repr, alike))} "
                    "has most of its headers too."
                )
                mend = (
                    "Write a [[source]] for it, with its sheet in [source.format]; or name the "
                    f"one to read: sheet = {opened.sheet!r}."
                )
                problems.append(Problem(opened.path, what, mend))
    return problems


def _twice(found: Sequence[Found]) -> list[Problem]:
    """Rows that two sources of one record type would count twice."""
    problems = []
    seen: dict[tuple[object, ...], str] = {}
    for one in found:
        for opened in one.opened:
            columns = tuple(sorted(opened.layout.positions.items()))
            constants = tuple(sorted(one.source.constants.items()))
            key = (one.source.record, opened.path, opened.sheet, columns, constants)
            name = seen.setdefault(key, one.source.name)
            if name != one.source.name:
                what = (
                    f"the sources {name!r} and {one.source.name!r} both read it as "
                    f"{one.source.record}; every row would count twice."
                )
                problems.append(Problem(opened.path, what, "Leave it to one of them."))
    return problems


def _constants(shop: Shop, source: Source) -> list[Problem]:
    """Constants that do not parse; an amount is read with the currency where that one does."""
    texts = {name: Coded.constant(value, 1) for name, value in source.constants.items()}
    place = f"{SETTINGS_FILE} source {source.name!r} values"
    names = RECORDS[source.record].names
    forms = Forms(
        dict.fromkeys(names, source.format.decimal or "."),
        dict.fromkeys(names, source.format.dates or "year-first"),
    )
    reader = Reader(shop, source)
    problems = []
    currency: dict[str, Coded] = {}
    for name in sorted(texts, key=lambda name: name != "currency"):
        rejects = reader.read({name: texts[name]} | currency, 1, forms).rejects
        if name == "currency" and rejects.empty:
            currency = {name: texts[name]}
        problems += [
            Problem(place, f"{name} = {text!r} does not fit.", f"Write {expected}.")
            for text, expected in zip(rejects["text"], rejects["why"], strict=True)
        ]
    return problems
