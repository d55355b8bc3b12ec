"""What is wrong with a workbook's parts by the open standard, as sentences.

Two opinions. ``by_schema``: the schemas and constraints that the package openxml-audit carries, a
port of the validator of the Open XML SDK. ``by_structure``: rules of the standard about how the
parts fit together, read from its text and written down here: ECMA-376 (ISO/IEC 29500), part 1,
chapter 18 (spreadsheets) and part 2 (packages).
"""

from __future__ import annotations

import posixpath
import re
import zipfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from xml.etree.ElementTree import Element

from defusedxml.ElementTree import fromstring
from openxml_audit import FileFormat, OpenXmlValidator

_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_TO = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"
# Excel, specifications and limits (Microsoft): names of sheets.
_SHEET_NAME = re.compile(r"(?!')[^:\\/?*\[\]]{1,31}(?<!')")
# Part 1, 18.5.1.2, displayName: a name as of a defined name, and no reference to a cell.
_NAME = re.compile(r"(?![A-Za-z]{1,3}\d+$)[A-Za-z_\\][\w.\\]{0,254}")
_AREA = re.compile(r"'(?P<sheet>[^']+)'!(\$[A-Z]+)?\$\d+:(\$[A-Z]+)?\$\d+")
# Where the validator is stricter than the standard:
_ALLOWED = (
    # part 1, 18.18.11: a text may stand in its cell, and no part of shared texts is needed.
    re.compile(r"has \d+ inline-string cell"),
    # part 1, 18.8.22 (CT_Font): a choice, as often as one likes, so in any order.
    re.compile(r"/fonts\[1\]/font\[\d+\]: Unexpected element '(b|color|sz|family|u)' found"),
)


def by_schema(path: Path) -> list[str]:
    """Findings of the validator, of all versions of the format; none beyond the standard."""
    found = []
    for form in (FileFormat.OFFICE_2007, FileFormat.OFFICE_2019, FileFormat.MICROSOFT_365):
        for error in OpenXmlValidator(form, max_errors=1000).validate(str(path)).errors:
            found += [f"{form.name}: {error}"] * (not _is_allowed(str(error)))
    return found


def _is_allowed(finding: str) -> bool:
    return any(allowed.search(finding) for allowed in _ALLOWED)


def by_structure(path: Path) -> list[str]:
    """Where parts, names and numbers do not fit together."""
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
        parts = {name: fromstring(archive.read(name)) for name in names}
    found = [f"{name} is in the archive twice" for name in names if names.count(name) > 1]
    found += _undeclared(parts)
    leads = {name: _leads(name, parts) for name in parts if not name.endswith(".rels")}
    for name, targets in leads.items():
        found += [f"{name} leads to {to}, which is not there" for to in targets.values()
                  if to not in parts]  # fmt: skip
        own = {value for one in parts[name].iter() for key, value in one.attrib.items()
               if key.startswith(_TO)}  # fmt: skip
        found += [f"{name}: {key} is no relationship of it" for key in own - set(targets)]
    sheets = _sheets(parts, leads)
    found += _names_of_sheets(parts["xl/workbook.xml"], set(sheets))
    styles = len(list(_only(parts["xl/styles.xml"], "cellXfs")))
    tables: list[Element] = []
    for title, place in sheets.items():
        found += [f"{title}: {one}" for one in _cells(parts[place], styles, set(sheets))]
        mine = [parts[to] for to in leads[place].values() if "/tables/" in to and to in parts]
        found += [f"{title}: {one}" for one in _tables(parts[place], mine)]
        tables += mine
    for key in ("id", "name", "displayName"):
        counted = Counter(str(table.get(key)).lower() for table in tables)
        found += [f"two tables have the {key} {name}" for name, n in counted.items() if n > 1]
    return found


def _undeclared(parts: dict[str, Element]) -> list[str]:
    """Part 2: each part has a content type, and a part that has one is there."""
    types = parts["[Content_Types].xml"]
    named = {str(one.get("PartName"))[1:] for one in types if one.tag.endswith("Override")}
    # The ending xml stands for a type of no kind; only what leads from part to part may have it.
    bare = [name for name in parts if name not in named and not name.endswith(".rels")]
    found = [f"{name} has no content type" for name in bare if name != "[Content_Types].xml"]
    return found + [f"{name} has a content type and is not there" for name in named - set(parts)]


def _leads(name: str, parts: dict[str, Element]) -> dict[str, str]:
    """The parts to which one leads, by the id of the relationship."""
    folder, base = posixpath.split(name)
    links = parts.get(f"{folder}/_rels/{base}.rels")
    if links is None:
        return {}
    return {
        str(one.get("Id")): posixpath.normpath(posixpath.join("/", folder, str(one.get("Target"))))[
            1:
        ]
        for one in links
        if one.get("TargetMode") != "External"
    }


def _sheets(parts: dict[str, Element], leads: dict[str, dict[str, str]]) -> dict[str, str]:
    found = _only(parts["xl/workbook.xml"], "sheets")
    return {str(one.get("name")): leads["xl/workbook.xml"][one.attrib[f"{_TO}id"]] for one in found}


def _names_of_sheets(book: Element, sheets: set[str]) -> list[str]:
    shown = [str(one.get("name")) for one in _only(book, "sheets")]
    found = [f"{name!r} is no name of a sheet" for name in shown if not _SHEET_NAME.fullmatch(name)]
    lower = Counter(name.lower() for name in shown)
    found += [f"two sheets are called {name}" for name, count in lower.items() if count > 1]
    keys: Counter[tuple[str, str | None]] = Counter()
    for one in book.iter(f"{_MAIN}definedName"):
        name, here = str(one.get("name")), one.get("localSheetId")
        keys[name.lower(), here] += 1
        area = _AREA.fullmatch(one.text or "")
        if not _NAME.fullmatch(name) or area is None or area["sheet"] not in sheets:
            found.append(f"the name {name} stands for {one.text}")
        elif here is not None and shown[int(here)] != area["sheet"]:
            found.append(f"the name {name} of sheet {here} stands for {one.text}")
    return found + [f"{key} is named twice" for key, count in keys.items() if count > 1]


def _cells(page: Element, styles: int, sheets: set[str]) -> Iterator[str]:
    """Rows and cells in their order, each once; styles that exist; links that lead somewhere."""
    last_row = 0
    for row in _only(page, "sheetData"):
        number = int(row.get("r", "0"))
        if number <= last_row:
            yield f"row {number} comes after row {last_row}"
        last_row, last_column = number, 0
        for cell in row:
            place = str(cell.get("r"))
            column = _column(place)
            if column <= last_column or place[len(place.rstrip("0123456789")) :] != str(number):
                yield f"{place} is out of its place in row {number}"
            last_column = column
            if int(cell.get("s", "0")) >= styles:
                yield f"{place} has a style that does not exist"
            if cell.get("t") == "s":
                yield f"{place} names a shared text, and there are none"
    if page.find(f"{_MAIN}mergeCells") is not None:
        yield "has merged cells"
    for link in page.iter(f"{_MAIN}hyperlink"):
        to = str(link.get("location"))
        if to.partition("!")[0].strip("'") not in sheets:
            yield f"{link.get('ref')} leads to {to}"


def _tables(page: Element, tables: list[Element]) -> Iterator[str]:
    """Tables lie apart, and their columns are called as the cells of their first row."""
    texts = {
        str(cell.get("r")): "".join(cell.itertext())
        for row in _only(page, "sheetData")
        for cell in row
    }
    if page.findall(f".//{_MAIN}tablePart") and not tables:
        yield "has a table that is not there"
    for table in tables:
        name = str(table.get("displayName"))
        if not _NAME.fullmatch(name):
            yield f"{name!r} is no name of a table"
        first, end = str(table.get("ref")).split(":")
        row = int(first.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ"))
        columns = list(_only(table, "tableColumns"))
        heads = [texts.get(f"{_letters(_column(first) + at)}{row}") for at in range(len(columns))]
        if heads != [one.get("name") for one in columns]:
            yield f"the columns of {name} are not called as its headings, {heads}"
        if len({str(head).lower() for head in heads}) < len(heads):
            yield f"two columns of {name} have one name"
        if _column(end) - _column(first) + 1 != len(columns):
            yield f"{name} has not as many columns as its area"
        if len({one.get("id") for one in columns}) < len(columns):
            yield f"two columns of {name} have one id"


def _only(parent: Element, name: str) -> list[Element]:
    found = parent.find(f"{_MAIN}{name}")
    return [] if found is None else list(found)


def _column(place: str) -> int:
    number = 0
    for letter in place.rstrip("0123456789"):
        number = number * 26 + ord(letter) - ord("A") + 1
    return number


def _letters(number: int) -> str:
    found = ""
    while number:
        number, rest = divmod(number - 1, 26)
        found = chr(ord("A") + rest) + found
    return found
