"""What lies where, how long it is, and which words it may not hold."""

from __future__ import annotations

import re
from pathlib import Path

from tests.house.project import ROOT, project_files

TOP_LEVEL = {
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "pyproject.toml",
    "reconcile",
    "rules",
    "sample_exports",
    "tests",
}
LONGEST_MODULE = 300

# The project speaks of itself alone. In two parts each, so that this file passes too.
FOREIGN_WORDS = [
    "".join(parts)
    for parts in (
        ("trans", "cript"),
        ("record", "ing"),
        ("SPEC", ".md"),
        ("HOUSE", ".md"),
        ("OUTSIDE", ".md"),
        ("SPEED", ".md"),
        (".lib", "rary"),
        ("farm", "-"),
        ("/wo", "rk/"),
        ("share", "d/"),
    )
]
# Work that was put off, and tests that do not test.
UNFINISHED_WORDS = [
    "".join(parts)
    for parts in (
        ("TO", "DO"),
        ("FIX", "ME"),
        ("pytest.", "skip"),
        ("mark.", "skip"),
        ("x", "fail"),
    )
]


def _lines_with(words: list[str], *, ignore_case: bool) -> list[str]:
    """Where a text file of the project holds one of the words, as file:line: word."""
    flags = re.IGNORECASE if ignore_case else re.NOFLAG
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(word)}" for word in words), flags)
    found = []
    for path in project_files():
        text = (ROOT / path).read_bytes().decode("utf-8", errors="replace")
        for number, line in enumerate(text.split("\n"), start=1):
            found += [f"{path}:{number}: {hit}" for hit in pattern.findall(line)]
    return found


def test_top_level_holds_what_it_should() -> None:
    tops = {path.parts[0] for path in project_files()}
    assert {top for top in tops if not top.startswith(".")} == TOP_LEVEL


def test_no_file_holds_a_foreign_word() -> None:
    assert _lines_with(FOREIGN_WORDS, ignore_case=True) == []
    named = [str(path) for path in project_files()]
    assert [name for name in named for word in FOREIGN_WORDS if word.lower() in name.lower()] == []


def test_nothing_is_unfinished() -> None:
    assert _lines_with(UNFINISHED_WORDS, ignore_case=False) == []


def test_no_module_is_too_long() -> None:
    modules = [path for path in project_files() if path.parts[0] == "reconcile"]
    lengths = {
        str(path): (ROOT / path).read_text(encoding="utf-8").count("\n")
        for path in modules
        if path.suffix == ".py"
    }
    assert len(lengths) > 0
    assert {name: n for name, n in lengths.items() if n > LONGEST_MODULE} == {}


def test_the_clock_is_read_in_the_command_line_only() -> None:
    reading = re.compile(r"\b(?:today|now|utcnow)\(|\btime\.time\(")
    modules = [path for path in project_files() if path.parts[0] == "reconcile"]
    readers = [
        str(path)
        for path in modules
        if path.suffix == ".py" and reading.search((ROOT / path).read_text(encoding="utf-8"))
    ]
    assert readers == [str(Path("reconcile") / "cli.py")]
