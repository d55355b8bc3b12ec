"""One run at a time on a shop: a lock of the system on its shop.toml.

That file is always there, so that locking leaves nothing behind, and a lock of the system ends with
the process that holds it, however it ends.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from reconcile.errors import Problem, RefusedError
from reconcile.shop import SETTINGS_FILE

BUSY = ("another run is working on this shop.", "Wait until it has ended, and run again.")
_TRIES, _PAUSE = 100, 0.05  # waits five seconds for another run


@contextmanager
def shop_lock(folder: Path) -> Iterator[None]:
    """Work inside while no other run does; RefusedError where one does not end in some seconds.

    Where the disk knows no locks, only the history's own keeps two runs apart.
    """
    path = folder / SETTINGS_FILE
    try:
        handle = _opened(path)
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}."
        raise RefusedError([Problem(str(path), what, "Check its rights.")]) from None
    try:
        for _ in range(_TRIES):
            if _locked(handle):
                break
            time.sleep(_PAUSE)
        else:
            raise RefusedError([Problem(str(folder), *BUSY)])
        yield
    finally:
        os.close(handle)  # ends the lock too


def _opened(path: Path) -> int:
    """Opened for writing where that is allowed, which network folders ask of a lock."""
    try:
        return os.open(path, os.O_RDWR)
    except OSError:
        return os.open(path, os.O_RDONLY)


if sys.platform == "win32":
    import msvcrt

    def _locked(handle: int) -> bool:
        """Take a byte far behind the end, so that the file can still be read."""
        os.lseek(handle, 1 << 30, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except PermissionError:
            return False
        except OSError:
            return True
        return True

else:
    import fcntl

    def _locked(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:  # this disk knows no locks
            return True
        return True
