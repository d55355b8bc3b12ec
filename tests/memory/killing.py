"""``python -m tests.memory.killing --kills 200``: runs killed at random points, and what is left.

Each run is a process of its own that is killed (SIGKILL) at a random one of its steps (a file
opened, a folder made or renamed, a statement of SQLite) or after a random time. The next run has to
start without repair, no output may be half there, and no night lost or doubled. Prints one line of
JSON: how often a run was killed before and after its night was kept, and everything that is wrong.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from reconcile.nightly import run_nightly
from tests.memory.growing import day_of, start
from tests.memory.small import files_of
from tests.memory.tables import tables

_STEPS = ("open", "os.rename", "os.mkdir", "os.rmdir", "os.remove", "shutil.rmtree")
KINDS = ("next", "first", "next", "rebuild", "next", "again")
_LAST = 20  # steps
_NIGHT = {"first": 2, "next": 3, "again": 3, "rebuild": 3}  # the night that is killed


class Steps:
    """Counts the steps of this process in a shop folder, and kills it at one of them."""

    def __init__(self, shop: Path, last: int) -> None:
        """``last`` 0 only counts."""
        self.shop, self.last, self.count = str(shop), last, 0
        sys.addaudithook(self.audit)
        connect = sqlite3.connect

        def traced(*args: object, **more: object) -> sqlite3.Connection:
            connection: sqlite3.Connection = connect(*args, **more)  # type: ignore[call-overload]
            connection.set_trace_callback(lambda _: self.step())
            return connection

        sqlite3.connect = traced  # type: ignore[assignment]

    def audit(self, event: str, args: tuple[object, ...]) -> None:
        """One event of Python; steps elsewhere, such as imports, do not count."""
        if event in _STEPS and args and str(args[0]).startswith(self.shop):
            self.step()

    def step(self) -> None:
        """Count one, and be killed where it is the last."""
        self.count += 1
        if self.count == self.last:
            os.kill(os.getpid(), signal.SIGKILL)


def nightly(shop: Path, night: int, *, rebuild: bool = False) -> None:
    """One whole run."""
    run_nightly(shop, lambda _: day_of(night), None, lambda _: None, rebuild=rebuild)


def forked(work: Callable[[], object], seconds: float | None = None) -> tuple[int, str]:
    """Do something in a process of its own: how it ended (signals below 0) and what it said.

    Interpreter and libraries are loaded already; nothing of this process has ever been at work.
    With ``seconds`` it is killed after them.
    """
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        status = 0
        try:
            said = str(work() or "")
        except BaseException as error:  # noqa: BLE001  it ends here, whatever it is
            said, status = f"{type(error).__name__}: {error}", 1
        os.write(writing, said.encode()[:60_000])
        os._exit(status)
    os.close(writing)
    if seconds is not None:
        time.sleep(seconds)
        os.kill(child, signal.SIGKILL)
    with os.fdopen(reading, encoding="utf-8") as pipe:
        said = pipe.read()
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status), said


@dataclass
class Trials:
    """What a number of kills has come to."""

    folder: Path
    seed: int
    killed: int = 0
    kept: int = 0
    wrong: list[str] = field(default_factory=list)
    steps: dict[str, int] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    truth: dict[str, dict[str, object]] = field(default_factory=dict)

    def prepare(self) -> None:
        """Shops before each kind of run, how it ends undisturbed, and how many steps it takes."""
        self.must(partial(_first, self.folder / "first"))
        after_first = self._undisturbed("first")
        self.must(partial(files_of, after_first, 3))
        after_first.rename(self.folder / "next")
        after_next = self._undisturbed("next")
        shutil.copytree(after_next, self.folder / "again")
        shutil.rmtree(self._undisturbed("again"))
        self.must(partial(_night_after, after_next))
        self.truth["after"] = _left(after_next)
        shutil.copytree(self.folder / "next", self.folder / "rebuild")
        (self.folder / "rebuild" / "history.db").write_bytes(b"damaged")
        shutil.rmtree(self._undisturbed("rebuild"))

    def _undisturbed(self, kind: str) -> Path:
        copy = self._copy(kind, "undisturbed")
        begun = time.monotonic()
        self.steps[kind] = int(self.must(partial(_killed, copy, kind, 0)))
        self.seconds[kind] = time.monotonic() - begun
        self.truth[kind] = _left(copy)
        return copy

    def must(self, work: Callable[[], object]) -> str:
        """Do something that has to go well."""
        status, said = forked(work)
        if status:
            raise SystemExit(said)
        return said

    def trial(self, number: int) -> None:
        """One run that is killed, and the run after it."""
        chance = random.Random(f"{self.seed} {number}")  # noqa: S311  any point will do
        kind = KINDS[number % len(KINDS)]
        shop = self._copy(kind, f"{number}")
        step, seconds = chance.randint(1, self.steps[kind]), None
        if number % 4 == 0:
            step, seconds = 0, chance.uniform(0, self.seconds[kind])
        elif number % 4 == 2:  # where the night is kept and the report is shown
            step = self.steps[kind] - chance.randrange(_LAST)
        status, _ = forked(partial(_killed, shop, kind, step), seconds)
        if status == -signal.SIGKILL:
            self.killed += 1
        before = self._look(shop, kind)
        where = f"{kind} {number}, step {step} of {self.steps[kind]}, seconds {seconds}"
        try:
            self._next(shop, kind, kept=before)
        except AssertionError as error:
            self.wrong.append(f"{where}: {error}")
        shutil.rmtree(shop)

    def _look(self, shop: Path, kind: str) -> bool:
        """Whether the night is in the history; no folder of a report is half there."""
        for path in (shop / "out").glob("2*"):
            if not (path / "summary.json").exists():
                self.wrong.append(f"{kind}: {path} is half there")
        return kind == "next" and self._kept(shop)

    def _kept(self, shop: Path) -> bool:
        with tempfile.TemporaryDirectory() as copy:  # looking would already mend
            for path in shop.glob("history.db*"):
                shutil.copy(path, copy)
            known = tables(Path(copy))["nights"]
        return any(row[0] == str(day_of(_NIGHT["next"])) for row in known)

    def _next(self, shop: Path, kind: str, *, kept: bool) -> None:
        """The same run again; or the next night's, where this one's is kept already."""
        self.kept += kept
        again = partial(nightly, shop, _NIGHT[kind], rebuild=kind == "rebuild")
        status, said = forked(partial(_night_after, shop) if kept else again)
        wanted = self.truth["after" if kept else kind]
        assert status == 0, said
        found = _left(shop)
        assert found.keys() == wanted.keys(), sorted(found.keys() ^ wanted.keys())
        differ = [name for name in found if found[name] != wanted[name]]
        assert differ == []

    def _copy(self, kind: str, name: str) -> Path:
        copy = self.folder / f"{kind}-{name}"
        shutil.copytree(self.folder / kind, copy)
        return copy


def _first(shop: Path) -> None:
    files_of(start(shop), _NIGHT["first"])


def _night_after(shop: Path) -> None:
    nightly(files_of(shop, 4), 4)


def _killed(shop: Path, kind: str, step: int) -> int:
    """A run that is killed at a step; the number of steps, where it is not."""
    steps = Steps(shop, step)
    nightly(shop, _NIGHT[kind], rebuild=kind == "rebuild")
    return steps.count


def _left(shop: Path) -> dict[str, object]:
    """Everything that a run leaves: the tables of the history, and each file but the log."""
    history = ("history.db", "history-1.db.aside", "history-2.db.aside")
    left: dict[str, object] = {
        path.relative_to(shop).as_posix(): path.read_bytes()
        for path in sorted(shop.rglob("*"))
        if path.is_file() and path.name not in (*history, "run.log")
    }
    return left | {f"table {name}": rows for name, rows in tables(shop).items()}


def main() -> None:
    """Kill, look, and say what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.memory.killing", description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=5)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="killing-") as folder:
        trials = Trials(Path(folder), given.seed)
        trials.prepare()
        for number in range(given.kills):
            trials.trial(number)
    told = {"killed": trials.killed, "kept": trials.kept, "steps": trials.steps}
    sys.stdout.write(json.dumps(told | {"wrong": trials.wrong}) + "\n")


if __name__ == "__main__":
    main()
