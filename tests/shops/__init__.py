"""Shops to test with: any size, every fault and look-alike, and the truth about them."""

from tests.shops.build import Truth, build_shop
from tests.shops.text import PRIVATE_MARKS
from tests.shops.variants import rename_files, shuffle_rows, split_overlapping

__all__ = [
    "PRIVATE_MARKS",
    "Truth",
    "build_shop",
    "rename_files",
    "shuffle_rows",
    "split_overlapping",
]
