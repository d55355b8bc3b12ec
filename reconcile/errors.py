"""What can stop a run: one family of errors, each with its exit status.

A problem is data: where it is, what is wrong, what to do. Texts are built in one place, so
that tests look at the parts and people read the sentence.
"""

from __future__ import annotations

from typing import NamedTuple


class Problem(NamedTuple):
    """One thing that keeps a run from starting.

    ``place`` is a file of the shop folder or a key of its settings, ``row`` the row as a
    spreadsheet counts it, ``what`` says what is wrong, ``mend`` what to do about it.
    """

    place: str
    what: str
    mend: str
    row: int | None = None
    column: str | None = None

    def __str__(self) -> str:
        """One line: place, row and column where known, what is wrong, what to do."""
        row = "" if self.row is None else f", row {self.row}"
        column = "" if self.column is None else f", column {self.column}"
        return f"{self.place}{row}{column}: {self.what} {self.mend}"


class ReconcileError(Exception):
    """The base of all errors that the command line reports; never raised itself."""

    exit_status = 3


class RefusedError(ReconcileError):
    """The settings or the files cannot be used as they are; nothing has been written."""

    exit_status = 2

    def __init__(self, problems: list[Problem]) -> None:
        """Take every problem found; they are shown sorted, each once."""
        self.problems = tuple(sorted(set(problems), key=lambda p: (p.place, p.row or 0, str(p))))
        super().__init__("\n".join(str(problem) for problem in self.problems))


class FaultError(ReconcileError):
    """The run could not be finished or its proof failed: a fault of the tool or the machine."""

    exit_status = 3
