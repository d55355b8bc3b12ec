"""Two runs on one shop at once: one works, the other waits or says that it cannot."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from reconcile.decide import decide_on
from reconcile.errors import RefusedError
from reconcile.memory import lock
from reconcile.memory.lock import shop_lock
from tests.memory.growing import day_of
from tests.memory.small import begun, bytes_of, command, copied, files_of, found, run
from tests.memory.tables import tables

pytestmark = pytest.mark.no_cover

BUSY = "another run is working on this shop. Wait until it has ended, and run again."


@pytest.mark.parametrize("first", [False, True], ids=["next night", "first night"])
def test_both_at_once_end_as_one(tmp_path: Path, *, first: bool) -> None:
    shop = files_of(begun(tmp_path / "shop", *([] if first else [2])), 3)
    alone = copied(shop, tmp_path / "alone")
    run(alone, 3)
    words = command(shop, "--as-of", str(day_of(3)))
    both = [
        subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    ended = [(one.communicate(), one.returncode) for one in both]
    assert 0 in [status for _, status in ended]
    for (out, err), status in ended:
        assert status in (0, 2)
        assert status == 0 or (out == "" and BUSY in err)
    assert tables(shop) == tables(alone)
    unlike = {"history.db", "out/2026-03-05/run.log"}
    left, right = bytes_of(shop), bytes_of(alone)
    assert {k: v for k, v in left.items() if k not in unlike} == {
        k: v for k, v in right.items() if k not in unlike
    }


_STOPS = """
import os, signal, sys
from pathlib import Path
import reconcile.report.write as write
whole = write.digest_of
def stopped(folder):
    os.kill(os.getpid(), signal.SIGSTOP)
    return whole(folder)
write.digest_of = stopped
from reconcile.cli import main
main()
"""


@contextmanager
def _half_way(shop: Path, night: int) -> Iterator[subprocess.Popen[str]]:
    """A run that stands still when its report is written and its night not yet kept."""
    words = [sys.executable, "-c", _STOPS, "nightly", str(shop), "--as-of", str(day_of(night))]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        _, status = os.waitpid(process.pid, os.WUNTRACED)
        assert os.WIFSTOPPED(status)
        try:
            yield process
        finally:
            process.send_signal(signal.SIGCONT)


@pytest.mark.parametrize("first", [False, True], ids=["next night", "first night"])
def test_a_run_beside_another_is_refused_and_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, first: bool
) -> None:
    shop = files_of(begun(tmp_path / "shop", *([] if first else [2])), 3)
    alone = copied(shop, tmp_path / "alone")
    run(alone, 3)
    monkeypatch.setattr(lock, "_TRIES", 3)
    with _half_way(shop, 3) as working:
        before = bytes_of(shop)
        for options in ({}, {"rebuild": True}, {"history": False}):
            with pytest.raises(RefusedError, match=BUSY):
                run(shop, 3, **options)
        with pytest.raises(RefusedError, match=BUSY):
            decide_on(shop, "x", lambda _: day_of(3), "so", None, "Ann")
        assert bytes_of(shop) == before
        working.send_signal(signal.SIGCONT)
        _, err = working.communicate(timeout=60)
        assert (working.returncode, err) == (0, "")
    assert tables(shop) == tables(alone)


def test_a_second_run_waits_for_the_first(tmp_path: Path) -> None:
    shop = files_of(begun(tmp_path), 3)
    with _half_way(shop, 3) as working:
        words = command(shop, "--as-of", str(day_of(3)))
        with subprocess.Popen(words, stdout=subprocess.DEVNULL) as waiting:
            time.sleep(1)
            working.send_signal(signal.SIGCONT)
            working.communicate(timeout=60)
            assert (waiting.wait(timeout=60), working.returncode) == (0, 0)
    assert [row[0] for row in tables(shop)["nights"]] == [str(day_of(3))]


def test_the_lock_ends_with_its_process_and_leaves_nothing(tmp_path: Path) -> None:
    shop = files_of(begun(tmp_path), 3)
    before = sorted(path.name for path in shop.iterdir())
    with _half_way(shop, 3) as working:
        working.kill()
        working.communicate()
    with shop_lock(shop):
        assert sorted(path.name for path in shop.iterdir() if path.name != "out") == before
    assert found(run(shop, 3))


def test_a_shop_that_may_only_be_read_can_be_locked_too(tmp_path: Path) -> None:
    shop = begun(tmp_path)
    (shop / "shop.toml").chmod(0o444)
    with shop_lock(shop):
        pass
