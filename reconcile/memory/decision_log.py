"""The log of decisions, which is only ever added to.

A file of lines, one decision each as JSON, beside the history and not in it: it cannot be built
anew from exports. Each line carries the SHA-256 of the line before and of itself, and the history
keeps how far it has read, so that a changed past shows.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from reconcile.counted import counted
from reconcile.disk import sync_folder
from reconcile.errors import FaultError, Problem, RefusedError

DECISIONS_FILE = "decisions.jsonl"
_FIELDS = (
    "id", "rule", "order_ref", "amount_minor", "currency", "decided_on", "decided_by", "reason",
    "until",
)  # fmt: skip
_FIRST = "0" * 64
_MEND = "Put the file back as it was from a copy; a decision is changed by a newer one."


@dataclass(frozen=True)
class Decision:
    """One decision on one exception: up to which amount, from which day, until which day.

    ``orders``: of a payment the cleaned references of the orders that it pays; lines of the log
    that say nothing of it have none.
    """

    id: str
    rule: str
    order_ref: str
    amount_minor: int | None
    currency: str
    decided_on: date
    decided_by: str
    reason: str
    until: date | None
    orders: str = ""


@dataclass(frozen=True)
class Log:
    """Every decision of the log, oldest first, and the digest of each line."""

    path: Path
    decisions: list[Decision]
    digests: list[str]

    def check(self, history: sqlite3.Connection) -> None:
        """RefusedError where the log is not what an earlier run has read of it."""
        found = history.execute("SELECT lines, digest FROM logged").fetchone()
        if found is None:
            return
        lines, digest = found
        if len(self.digests) < lines:
            missing = lines - len(self.digests)
            what = f"lacks {counted(missing, 'decision')} that an earlier run has read."
            raise RefusedError([Problem(str(self.path), what, _MEND, len(self.digests) + 1)])
        if self.digests[lines - 1] != digest:
            what = "is not what an earlier run has read here: the log was changed."
            raise RefusedError([Problem(str(self.path), what, _MEND, lines)])

    def keep(self, history: sqlite3.Connection) -> None:
        """Note how far the log was read."""
        if self.digests:
            history.execute("DELETE FROM logged")
            last = (len(self.digests), self.digests[-1])
            history.execute("INSERT INTO logged VALUES (?, ?)", last)


def load_log(folder: Path) -> Log:
    """Every decision of the log; RefusedError with the rows where its past was changed."""
    path = folder / DECISIONS_FILE
    out, digests, problems, before = [], list[str](), [], _FIRST
    for row, line in enumerate(_lines(path)[0], start=1):
        try:
            entry = json.loads(line)
            decision = _decision(entry)
            if entry["digest"] != _digest(entry):
                what = "is not as it was written: the log was changed."
                problems.append(Problem(str(path), what, _MEND, row))
            elif entry["before"] != before:
                what = "does not follow from the line before: lines were changed, removed or added."
                problems.append(Problem(str(path), what, _MEND, row))
            out.append(decision)
        except (ValueError, TypeError, KeyError, AttributeError):
            problems.append(Problem(str(path), "is no decision of this log.", _MEND, row))
        before = hashlib.sha256(line).hexdigest()
        digests.append(before)
    if problems:
        raise RefusedError(problems)
    return Log(path, out, digests)


def load_decisions(folder: Path) -> list[Decision]:
    """Every decision of the log, oldest first."""
    return load_log(folder).decisions


def _lines(path: Path) -> tuple[list[bytes], bytes]:
    """The lines of the log, and what was being written when the machine stopped.

    A last line without its end is whole where it says so itself: an editor may have taken the
    end. Else it was never decided.
    """
    if not os.path.lexists(path):
        return [], b""
    try:
        *lines, last = path.read_bytes().split(b"\n")
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}."
        raise RefusedError([Problem(str(path), what, "Change its permissions.")]) from error
    try:
        entry = json.loads(last)
        whole = isinstance(entry, dict) and entry.get("digest") == _digest(entry)
    except ValueError:
        whole = False
    return ([*lines, last], b"") if whole else (lines, last)


def _decision(entry: dict[str, str]) -> Decision:
    until, amount = entry["until"], entry["amount_minor"]
    return Decision(
        id=entry["id"],
        rule=entry["rule"],
        order_ref=entry["order_ref"],
        amount_minor=None if amount is None else int(amount),
        currency=entry["currency"],
        decided_on=date.fromisoformat(entry["decided_on"]),
        decided_by=entry["decided_by"],
        reason=entry["reason"],
        until=date.fromisoformat(until) if until else None,
        orders=entry.get("orders", ""),
    )


def _digest(entry: dict[str, object]) -> str:
    told = {name: cell for name, cell in entry.items() if name != "digest"}
    text = json.dumps(told, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def write_decision(folder: Path, decision: Decision) -> None:
    """Add one decision to the log, on the disk when this returns. FaultError where it is not."""
    log = load_log(folder)  # nothing is added to a log that was changed
    path = log.path
    entry: dict[str, object] = {name: getattr(decision, name) for name in _FIELDS}
    entry |= {"orders": decision.orders} if decision.orders else {}
    entry |= {"decided_on": str(decision.decided_on), "until": str(decision.until or "")}
    entry["before"] = log.digests[-1] if log.digests else _FIRST
    entry["digest"] = _digest(entry)
    text = json.dumps(entry, sort_keys=True, ensure_ascii=False).encode() + b"\n"
    first = not os.path.lexists(path)
    try:
        kept, torn = _lines(path)
        with path.open("ab") as file:
            size = file.tell()
            try:
                file.truncate(size - len(torn))
                file.write(text if torn or not kept or _ended(path) else b"\n" + text)
                file.flush()
                os.fsync(file.fileno())
            except OSError:
                file.truncate(size - len(torn))
                raise
        if first:
            sync_folder(folder)
    except OSError as error:
        raise FaultError(
            f"{path}: the decision cannot be written: {error.strerror or error}. "
            "Free some space or change the permissions, and decide again."
        ) from error


def _ended(path: Path) -> bool:
    return path.read_bytes().endswith(b"\n")
