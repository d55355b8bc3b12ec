"""What is freed stays with the run or goes back to the system, as it was asked for."""

import platform
import subprocess
import sys

import pytest

# Half of a large block is freed, and what the process holds before and after it is printed.
PROGRAM = """
import numpy as np
from pathlib import Path
from reconcile import allocator

def held():
    return int(Path("/proc/self/statm").read_text().split()[1])

class Without:
    def __init__(self, name):
        pass

{before}
blocks = [np.ones(2_000_000) for _ in range(20)]
full = held()
del blocks[::2]
{after}
print(held() / full)
"""


def _held(before: str, after: str = "allocator.give_back()") -> float:
    program = PROGRAM.format(before=before, after=after)
    run = subprocess.run(
        [sys.executable, "-c", program], check=True, capture_output=True, text=True
    )
    return float(run.stdout)


@pytest.mark.parametrize(
    "before",
    ["", "allocator.ctypes.CDLL = Without; allocator.keep_freed()"],
    ids=["not asked to keep", "a C library that keeps nothing"],
)
def test_what_is_freed_goes_back_to_the_system(before: str) -> None:
    assert _held(before) < 0.8


def test_what_is_freed_is_kept_where_a_run_asks_for_it() -> None:
    glibc = platform.libc_ver()[0] == "glibc"
    assert (_held("allocator.keep_freed()") > 0.95) == glibc


def test_large_blocks_go_back_without_being_asked_where_a_run_wants_that() -> None:
    kept_until_now = "allocator.keep_freed(); allocator.give_back_at_once()"
    assert _held(kept_until_now, after="") < 0.8
