"""The report folder: everything that a nightly run leaves behind."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import ExitStack
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

_OPEN_FILES = 32  # at a time: systems allow some hundreds

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
    with ThreadPoolExecutor(max_workers=2) as aside:
        book = aside.submit(workbook, contents)
        files = _Files(aside)
        _lists(contents, folder, files)
        files.write(folder / "summary.json", partial(_put, summary_json(contents).encode()))
        files.write(folder / "report.xlsx", partial(_put, book.result()))
        files.wait()
        # Last, since by it a folder is known to be filled.
        files.write(folder / "run.log", partial(_put, _log(contents).encode()))
        files.wait()
    if keep is not None:
        sync_folder(folder)
        sync_folder(folder.parent)
        keep(digest_of(folder))


class _Files:
    """New files, of which the next is made while the disk takes the one before."""

    def __init__(self, aside: Executor) -> None:
        """``aside``: where the disk is waited for."""
        self._aside = aside
        self._begun: deque[Future[None]] = deque()

    def write(self, path: Path, put: Callable[[BinaryIO], None]) -> None:
        """Write a file, which may not be on the disk yet; OSError for it or one before."""
        with ExitStack() as held:
            file = held.enter_context(path.open("xb"))
            put(file)
            file.flush()
            held.pop_all()  # it is closed once it is on the disk
        self._begun.append(self._aside.submit(_to_disk, file))
        self.wait(_OPEN_FILES)

    def wait(self, left: int = 0) -> None:
        """Wait until no more than so many files are not on the disk; OSError where one is not."""
        while len(self._begun) > left:
            self._begun.popleft().result()


def _to_disk(file: BinaryIO) -> None:
    with file:
        os.fsync(file.fileno())


def _lists(contents: Contents, folder: Path, files: _Files) -> None:
    """Everything but the workbook and what is said of the run."""
    for path, table in csv_tables(contents):
        (folder / path).parent.mkdir(exist_ok=True)
        files.write(folder / path, partial(write_csv, table))
    for name, lines in supplier_messages(contents):
        (folder / MESSAGES).mkdir(parents=True, exist_ok=True)
        files.write(folder / MESSAGES / name, partial(_put_lines, lines))
    if contents.rejected_files:
        (folder / "rejected").mkdir()
    for one in contents.rejected_files:
        files.write(folder / "rejected" / one.name, partial(_put, rejected_bytes(one)))


def _put_lines(lines: Iterator[str], file: BinaryIO) -> None:
    file.writelines(f"{line}\n".encode() for line in lines)


def _put(data: bytes, file: BinaryIO) -> None:
    file.write(data)


def _log(contents: Contents) -> str:
    lines = [f"reconcile {contents.version}, as of {contents.as_of.isoformat()}"]
    lines += [f"{stage:<12} {seconds:9.3f} s" for stage, seconds in contents.seconds.items()]
    return "\n".join(lines) + "\n"
