"""``python -m tests.report.pictures``: the README's pictures of the workbook, made anew.

The workbook of the sample shop, on the second of two nights, turned into pages by LibreOffice and
into pictures by pdftoppm of poppler; a font of Calibri's measures (Carlito) makes them look as
they are meant to. Nothing else needs these programs, and no test compares the pictures, since
each release of them draws a little differently.
"""

from __future__ import annotations

import shutil
import struct
import subprocess
import sys
import tempfile
import zlib
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reconcile.nightly import run_nightly
from tests.house.project import ROOT
from tests.shops.sample import FOLDER as SAMPLE

FOLDER = ROOT / ".pictures"
NIGHTS = (date(2026, 10, 30), date(2026, 10, 31))
_STEPS = 6  # shades of red, of green and of blue: 216 colours, which a palette of a PNG holds
_BORDER = 12  # pixels of white around what is drawn
Pixels = NDArray[np.uint8]


@dataclass(frozen=True)
class Picture:
    """A part of the first page of a sheet: so many dots an inch, and so much of the height."""

    name: str
    sheet: str
    dots: int
    height: float = 1.0


PICTURES = (
    Picture("today.png", "Today", 105),
    Picture("claim.png", "Claim", 150, 0.532),
    Picture("order-lines.png", "Order lines", 130, 0.4),
)


def main() -> None:
    """Make every picture; says so where what is needed is not there."""
    missing = [name for name in ("soffice", "pdftoppm", "pdftotext") if shutil.which(name) is None]
    if missing:
        sys.exit(f"This needs LibreOffice and poppler; {', '.join(missing)} is not there.")
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        printed = _printed(_book(Path(name)))
        for picture in PICTURES:
            page = _page(printed, _number(printed, picture.sheet), picture.dots)
            cut = _cut(page[: round(len(page) * picture.height)])
            (FOLDER / picture.name).write_bytes(_png(cut))


def _book(folder: Path) -> Path:
    """The workbook of the second night, so that it tells what is new and what was cleared."""
    shop = folder / "shop"
    shutil.copytree(SAMPLE, shop, ignore=shutil.ignore_patterns("out", "history.db*"))
    run_nightly(shop, lambda _: NIGHTS[0], None, lambda _: None)
    _, out = run_nightly(shop, lambda _: NIGHTS[1], None, lambda _: None)
    return out / "report.xlsx"


def _printed(book: Path) -> Path:
    """The workbook as pages."""
    profile = f"-env:UserInstallation=file://{book.parent / 'profile'}"
    _run("soffice", profile, "--headless", "--convert-to", "pdf", "--outdir", book.parent, book)
    return book.with_suffix(".pdf")


def _number(printed: Path, sheet: str) -> int:
    """The first page of a sheet, by the name at its foot."""
    pages = _run("pdftotext", "-layout", printed, "-").decode().split("\f")
    feet = [page.rstrip().rpartition("\n")[2] for page in pages]
    return 1 + next(at for at, foot in enumerate(feet) if foot.startswith(f"{sheet} "))


def _page(printed: Path, number: int, dots: int) -> Pixels:
    """A page as rows of red, green and blue."""
    drawn = _run("pdftoppm", "-r", dots, "-f", number, "-l", number, printed)
    _, width, height, _ = drawn.split(maxsplit=4)[:4]
    shape = (int(height), int(width), 3)
    return np.frombuffer(drawn[-np.prod(shape) :], dtype=np.uint8).reshape(shape)


def _run(*words: object) -> bytes:
    return subprocess.run([*map(str, words)], check=True, capture_output=True).stdout


def _cut(page: Pixels) -> Pixels:
    """Without the white around what is drawn."""
    inked: NDArray[np.bool_] = np.any(page < 250, axis=2)
    rows, columns = np.flatnonzero(inked.any(axis=1)), np.flatnonzero(inked.any(axis=0))
    top, left = (max(int(found[0]) - _BORDER, 0) for found in (rows, columns))
    return page[top : int(rows[-1]) + _BORDER, left : int(columns[-1]) + _BORDER]


def _png(pixels: Pixels) -> bytes:
    """A PNG with a palette (ISO/IEC 15948, W3C Portable Network Graphics)."""
    step = 255 // (_STEPS - 1)
    levels = (pixels.astype(np.int64) + step // 2) // step
    index = ((levels[..., 0] * _STEPS + levels[..., 1]) * _STEPS + levels[..., 2]).astype(np.uint8)
    shades = np.arange(_STEPS, dtype=np.uint8) * step
    palette = np.stack(np.meshgrid(shades, shades, shades, indexing="ij"), axis=-1)
    rows = np.hstack(
        [np.zeros((len(index), 1), np.uint8), index]
    )  # each row begins with its filter
    header = struct.pack(">IIBBBBB", index.shape[1], index.shape[0], 8, 3, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in (
            (b"IHDR", header),
            (b"PLTE", palette.tobytes()),
            (b"IDAT", zlib.compress(rows.tobytes(), 9)),
            (b"IEND", b""),
        )
    )


if __name__ == "__main__":
    main()
