"""One source of the sample shop: its files, headers and format."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

ISO_MINUTES = "%Y-%m-%d %H:%M"


@dataclass(frozen=True)
class Layout:
    """One source of the sample shop: its files, headers and format."""

    name: str
    record: str
    path: str  # with {month} where there is a file for each month
    headers: Mapping[str, str]  # canonical column: header in the file
    supplier: str = ""  # only this supplier's rows, without the column
    supplier_text: str = ""
    date: str = ""  # the column by whose month rows go to files
    overlap_days: int = 0  # a month's file begins so many days before the month
    values: Mapping[str, str] = field(default_factory=dict)
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    dates: str = "year-first"
    day_pattern: str = "%Y-%m-%d"
    moment_pattern: str = ISO_MINUTES
    time_zone: str = ""
    line_end: str = "\n"
    comment: str = ""

    @property
    def files(self) -> str:
        """The glob for shop.toml."""
        return self.path.replace("{month}", "*")
