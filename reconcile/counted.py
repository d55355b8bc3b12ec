"""Numbers of things in words."""

from __future__ import annotations


def counted(number: int, thing: str) -> str:
    """How many there are of a thing: ``1 row``, ``0 rows``, ``1,200 rows``."""
    return f"{number:,} {thing}" + ("" if number == 1 else "s")
