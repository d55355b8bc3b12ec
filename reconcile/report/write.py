"""The report folder: everything that a nightly run leaves behind."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import BinaryIO

from reconcile.disk import sync_folder
from reconcile.report.contents import Contents
from reconcile.report.csv_files import csv_tables, rejected_bytes, write_csv
from reconcile.report.folder import check_writable, digest_of, finish, recover, replace_folder
from reconcile.report.messages import MESSAGES, supplier_messages
from reconcile.report.summary import summary_json
from reconcile.report.workbook import workbook

__all__ = ["check_writable", "finish", "recover", "write_outputs"]


def write_outputs(contents: Contents, out: Path, keep: Callable[[str], None] | None = None) -> None:
    """Write the report folder, all of it or nothing; what else lies in ``out`` is kept.

    ``keep`` is called with the folder's digest once everything is on the disk, before it is
    shown: where it fails, nothing is.

    report.xlsx, exceptions.csv, order_lines.csv, summary.json and run.log always; each of
    lists/*.csv, lists/messages/*.txt, rejected_rows.csv and rejected/*.csv where it has rows, and
    an earlier one is removed where it has not. All but run.log are the same bytes for the same
    contents. Raises FaultError where the disk does not take them.
    """
    replace_folder(out, partial(_fill, contents, keep))


def _fill(contents: Contents, keep: Callable[[str], None] | None, folder: Path) -> None:
    # The workbook takes as long as everything else: it is made meanwhile.
    with ThreadPoolExecutor(max_workers=1) as aside:
        book = aside.submit(workbook, contents)
        _lists(contents, folder)
        _write(folder / "summary.json", partial(_put, summary_json(contents).encode()))
        _write(folder / "report.xlsx", partial(_put, book.result()))
    # Last, since by it a folder is known to be filled.
    _write(folder / "run.log", partial(_put, _log(contents).encode()))
    if keep is not None:
        sync_folder(folder)
        sync_folder(folder.parent)
        keep(digest_of(folder))


def _lists(contents: Contents, folder: Path) -> None:
    """Everything but the workbook and what is said of the run."""
    for path, table in csv_tables(contents):
        (folder / path).parent.mkdir(exist_ok=True)
        _write(folder / path, partial(write_csv, table))
    for name, lines in supplier_messages(contents):
        (folder / MESSAGES).mkdir(parents=True, exist_ok=True)
        _write(folder / MESSAGES / name, partial(_put_lines, lines))
    if contents.rejected_files:
        (folder / "rejected").mkdir()
    for one in contents.rejected_files:
        _write(folder / "rejected" / one.name, partial(_put, rejected_bytes(one)))


def _write(path: Path, put: Callable[[BinaryIO], None]) -> None:
    """Write one new file and wait until it is on the disk."""
    with path.open("xb") as file:
        put(file)
        file.flush()
        os.fsync(file.fileno())


def _put_lines(lines: Iterator[str], file: BinaryIO) -> None:
    file.writelines(f"{line}\n".encode() for line in lines)


def _put(data: bytes, file: BinaryIO) -> None:
    file.write(data)


def _log(contents: Contents) -> str:
    lines = [f"reconcile {contents.version}, as of {contents.as_of.isoformat()}"]
    lines += [f"{stage:<12} {seconds:9.3f} s" for stage, seconds in contents.seconds.items()]
    return "\n".join(lines) + "\n"
