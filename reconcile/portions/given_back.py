"""Memory that is not used any more, given back to the system between portions."""

from __future__ import annotations

import ctypes
import gc

import pyarrow as pa


def give_back() -> None:
    """Give back what allocators have kept for later; where the system's has no such call, nothing.

    Arrow and the C library keep freed memory, and portions of other sizes do not fit into it: the
    process would grow from portion to portion. Source: malloc_trim(3) of the GNU C library.
    """
    gc.collect()
    pa.default_memory_pool().release_unused()
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if hasattr(ctypes, "CDLL") else None
    if trim is not None:
        trim(0)
