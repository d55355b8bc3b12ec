"""A proposal for an export, in words and as a [[source]] table of shop.toml."""

from __future__ import annotations

import glob
import os
import re
import shutil
import tempfile
import textwrap
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Literal

import tomlkit

from reconcile.errors import Problem, RefusedError
from reconcile.intake.words import IN_FULL
from reconcile.records import RECORDS
from reconcile.shop import Format

Why = Literal["name", "content", "both"]

_WHY = {"name": "by its name", "content": "by its content", "both": "by name and content"}
_WIDTH = 96
# Digits that stand apart from letters, or so many that they are a date
_NUMBER = re.compile(r"((?<![^\W_])\d(?:[\d._-]*\d)?(?![^\W_])|\d{4}(?:[\d._-]*\d)?)")


@dataclass(frozen=True)
class Choice:
    """The header proposed for a canonical column; ``doubt`` is a sentence where not sure.

    ``also`` are the headers that other files of the source have for it.
    """

    column: str
    header: str
    position: int
    why: Why
    sure: bool
    doubt: str = ""
    also: tuple[str, ...] = ()


@dataclass(frozen=True)
class Proposal:
    """What a file seems to hold.

    ``choices`` stand in the order of the record type's columns, ``missing`` holds the required
    columns first, ``values`` constants for columns that the file lacks. ``words`` holds, by
    column, words of the file and what they mean. ``unsure`` holds the questions beyond the
    doubts of single choices. No cell is in it but words of status and kind columns.
    """

    record: str
    record_why: str
    record_sure: bool
    choices: tuple[Choice, ...]
    missing: tuple[str, ...]
    unused: tuple[str, ...]
    private: tuple[str, ...]
    values: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    unsure: tuple[str, ...] = ()


def doubt(
    column: str, header: str, likeness: int, near: tuple[list[str], list[str]], *, sure_type: bool
) -> str:
    """Why a choice is not sure, in a sentence."""
    if not likeness:
        told = f"{header!r} is taken for {column} by its content alone"
    elif likeness < IN_FULL:
        told = f"{header!r} may mean {column}, but does not say so in full"
    elif not sure_type:
        told = f"{header!r} says {column}, if the record type is the right one"
    else:
        told = f"{header!r} says {column}, but something else comes near or speaks against it"
    headers, columns = near
    also = f"; other candidates: {', '.join(map(repr, headers))}" if headers else ""
    return f"{told}{also}{'; it could also be ' + ', '.join(columns) if columns else ''}."


def question(column: str) -> str:
    """What to ask where a required column is missing."""
    if column == "supplier":
        return "Which supplier is this file of? Give supplier in [source.values]."
    what = f"{column} is required, and no column of the file says that it is it."
    return f"{what} Name its header in [source.columns], or give a constant in [source.values]."


def name_of(path: str) -> str:
    """A name for the source of a file: its folder and its own name, without dates and numbers.

    >>> name_of("payments/kestrel-2026-10.csv.gz")
    'payments-kestrel'
    """
    folder, slash, name = path.rpartition("/")
    stem = _stem(name)[0]
    stem = re.sub(r"[-_. ]*\d[\d\-_.]*$", "", stem) or stem
    return re.sub(r"[\W_]+", "-", f"{folder}{slash}{stem}".casefold()).strip("-") or "export"


def pattern_of(path: str, star: str = "*") -> str:
    """The path with a star for the dates and numbers in its name, so that later files match.

    ``star`` may be narrower, such as "[0-9]*" for what begins with a digit. A number that belongs
    to a word stays: the second shop's files are not those of the first.

    >>> pattern_of("store/orders-2026-10.csv"), pattern_of("shop2_20261003.csv.gz")
    ('store/orders-*.csv', 'shop2_*.csv.gz')
    """
    folder, slash, name = path.rpartition("/")
    stem, ending = _stem(name)
    parts = [star if _NUMBER.fullmatch(part) else glob.escape(part) for part in _NUMBER.split(stem)]
    return f"{glob.escape(folder)}{slash}{''.join(parts)}{glob.escape(ending)}"


def _stem(name: str) -> tuple[str, str]:
    """A file's name without its ending, and the ending: ".csv" or ".csv.gz"."""
    packed = ".gz" if name.lower().endswith(".gz") else ""
    stem, dot, ending = name[: len(name) - len(packed)].rpartition(".")
    return (stem, f"{dot}{ending}{name[len(name) - len(packed) :]}") if stem else (name, "")


def entry_text(
    proposal: Proposal,
    *,
    name: str,
    files: Sequence[str],
    form: Format = Format(),  # noqa: B008  (frozen)
    supplier: str | None = None,
    notes: Sequence[str] = (),
) -> str:
    """The [[source]] table of a proposal, ready to be pasted into shop.toml.

    ``supplier`` is the constant where the file has no column for it, ``form`` what of the format
    is to be declared, ``notes`` what else was found, each a sentence. Comments say why a header
    was chosen, what is not sure, and what is missing, unused or private.
    """
    return "\n".join(_lines(proposal, name, files, form, supplier, notes)) + "\n"


def write_entry(
    shop_toml: Path,
    proposal: Proposal,
    *,
    name: str,
    files: Sequence[str],
    form: Format = Format(),  # noqa: B008  (frozen)
    supplier: str | None = None,
    notes: Sequence[str] = (),
) -> None:
    """Write the [[source]] table of a proposal at the end of shop.toml.

    What is there stays as it is to the last byte. The file is replaced as a whole. Raises
    RefusedError, with nothing written, where a source of that name exists, or where the file
    cannot be read, extended or replaced.
    """
    path = shop_toml.resolve()
    try:
        before = path.read_bytes()
        text = before.decode("utf-8")
        data = tomllib.loads(text.removeprefix("\ufeff"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        mend = "Mend that place; the file must be TOML in UTF-8."
        raise _refused(shop_toml, f"it cannot be read: {error}.", mend) from None
    except OSError as error:
        raise _refused(
            shop_toml, f"it cannot be read: {error.strerror}.", "Name the shop."
        ) from None
    sources = data.get("source", [])
    if any(isinstance(source, dict) and source.get("name") == name for source in sources):
        mend = "Give the new source another name, or take the old one out first."
        raise _refused(shop_toml, f"there is a source {name!r} already.", mend)
    entry = entry_text(proposal, name=name, files=files, form=form, supplier=supplier, notes=notes)
    gap = "" if not text.strip("\ufeff") else "\n" if text.endswith("\n") else "\n\n"
    line_end = "\r\n" if "\r\n" in text else "\n"
    added = (gap + entry).replace("\n", line_end)
    _check(shop_toml, data, text + added)
    _replace(path, before + added.encode())


def _lines(
    proposal: Proposal,
    name: str,
    files: Sequence[str],
    form: Format,
    supplier: str | None,
    notes: Sequence[str],
) -> Iterator[str]:
    values = dict(proposal.values)
    if supplier is not None and "supplier" in proposal.missing:
        values["supplier"] = supplier
    record = RECORDS[proposal.record]
    missing = [c for c in proposal.missing if c not in values]
    required = [c for c in missing if record.column(c).required]
    yield "[[source]]"
    yield f"name = {_quoted(name)}"
    yield from _comment(proposal.record_why if proposal.record_sure else "UNSURE: see below.")
    yield f"record = {_quoted(proposal.record)}"
    yield f"files = [{', '.join(_quoted(pattern) for pattern in files)}]"
    answered = question("supplier") if "supplier" in values else None
    told_first = [*notes, *(f"UNSURE: {asked}" for asked in proposal.unsure if asked != answered)]
    for sentence in told_first:
        yield from _comment(sentence)
    for told, names in (
        ("Missing and required", required),
        ("Not found, and not required", [c for c in missing if c not in required]),
        ("Not used", [repr(header) for header in proposal.unused]),
        ("Private, never read", [repr(header) for header in proposal.private]),
    ):
        if names:
            yield from _comment(f"{told}: {', '.join(names)}.")
    yield from _columns(proposal.choices)
    yield from _table("values", values)
    declared = {f.name: getattr(form, f.name) for f in fields(form)}
    yield from _table("format", {key: v for key, v in declared.items() if v not in ("", None)})
    for column, words in proposal.words.items():
        yield from _table(f"words.{column}", words)


def _columns(choices: Sequence[Choice]) -> Iterator[str]:
    if choices:
        yield "[source.columns]"
    for choice in choices:
        if not choice.sure:
            yield from _comment(f"UNSURE: {choice.doubt}")
        named = ", ".join(map(_quoted, (choice.header, *choice.also)))
        yield f"{choice.column} = {f'[{named}]' if choice.also else named}  # {_WHY[choice.why]}"


def _table(name: str, pairs: Mapping[str, Any]) -> Iterator[str]:
    if pairs:
        yield f"[source.{name}]"
    for key, value in pairs.items():
        yield f"{tomlkit.key(key).as_string()} = {_quoted(value)}"


def _quoted(value: Any) -> str:
    """A value as TOML writes it, with everything escaped that has to be."""
    return str(tomlkit.item(value).as_string())


def _comment(text: str) -> Iterator[str]:
    """A sentence as lines of comment; what could end or hide a comment is left out."""
    shown = "".join(char if char.isprintable() else "?" for char in text)
    lines = textwrap.wrap(shown, _WIDTH, break_long_words=False, break_on_hyphens=False)
    return (f"# {line}" for line in lines)


def _check(shop_toml: Path, before: dict[str, Any], text: str) -> None:
    """See to it that the new text says what the old one said, and one source more."""
    mend = 'Write its sources as tables that begin with "[[source]]".'
    try:
        after = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError:
        raise _refused(shop_toml, "no source can be added at its end.", mend) from None
    if {**after, "source": after["source"][:-1]} != {**before, "source": before.get("source", [])}:
        raise _refused(shop_toml, "no source can be added at its end.", mend)


def _replace(path: Path, content: bytes) -> None:
    """Put new content in the place of a file, whole or not at all."""
    temporary = None
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".shop-", delete=False) as file:
            temporary = Path(file.name)
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        shutil.copymode(path, temporary)
        temporary.replace(path)
    except OSError as error:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        what = f"it cannot be written: {error.strerror}."
        raise _refused(path, what, "Check the rights of the folder.") from None


def _refused(path: Path, what: str, mend: str) -> RefusedError:
    return RefusedError([Problem(str(path), what, mend)])
