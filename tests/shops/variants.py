"""Changes to a built shop that may not change what it gives: other order, names, and splitting."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np

_FILES = re.compile(r"^files = \[.*\]$", re.MULTILINE)


def shuffle_rows(folder: Path, seed: int) -> None:
    """Put the rows of every export into another order; headers stay on top."""
    rng = np.random.Generator(np.random.PCG64(seed))
    for path in _exports(folder):
        head, rows = _lines(path)
        order = rng.permutation(len(rows))
        path.write_bytes(b"".join([head, *(rows[place] for place in order)]))


def rename_files(folder: Path) -> None:
    """Give every export another name, which says nothing and sorts otherwise."""

    def renamed(patterns: list[str]) -> list[str]:
        names = []
        for path in sorted({path for each in patterns for path in folder.glob(each)}):
            old = path.relative_to(folder).as_posix()
            digest = hashlib.sha256(old.encode()).hexdigest()[:10]
            names.append((path.parent / f"export-{digest}.csv").relative_to(folder).as_posix())
            path.rename(folder / names[-1])
        return names

    _rewrite(folder, renamed)


def split_overlapping(folder: Path, parts: int = 3) -> None:
    """Cut every export into several that overlap, as monthly exports do.

    Each row is in at least one part, the rows around a cut are in two, and no row has other
    content in another part.
    """

    def split(patterns: list[str]) -> list[str]:
        new = []
        for pattern in patterns:
            for path in sorted(folder.glob(pattern)):
                _split(path, parts)
            stem, dot, ending = pattern.rpartition(".")
            new.append(f"{stem}-part*{dot}{ending}")
        return new

    _rewrite(folder, split)


def _split(path: Path, parts: int) -> None:
    head, rows = _lines(path)
    overlap = max(1, len(rows) // (5 * parts))
    cuts = [len(rows) * number // parts for number in range(parts + 1)]
    for number in range(parts):
        begin, end = max(0, cuts[number] - overlap), cuts[number + 1] + overlap
        part = path.with_name(f"{path.stem}-part{number + 1}{path.suffix}")
        part.write_bytes(b"".join([head, *rows[begin:end]]))
    path.unlink()


def _lines(path: Path) -> tuple[bytes, list[bytes]]:
    head, *rows = path.read_bytes().splitlines(keepends=True)
    return head, rows


def _exports(folder: Path) -> list[Path]:
    settings = tomllib.loads((folder / "shop.toml").read_text(encoding="utf-8"))
    patterns = [pattern for source in settings["source"] for pattern in source["files"]]
    return sorted({path for pattern in patterns for path in folder.glob(pattern)})


def _rewrite(folder: Path, change: Callable[[list[str]], list[str]]) -> None:
    """Change the files entry of every source."""
    path = folder / "shop.toml"

    def changed(match: re.Match[str]) -> str:
        names = change(tomllib.loads(match[0])["files"])
        return "files = [" + ", ".join(f'"{name}"' for name in names) + "]"

    path.write_text(_FILES.sub(changed, path.read_text(encoding="utf-8")), encoding="utf-8")
