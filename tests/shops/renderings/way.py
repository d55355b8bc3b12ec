"""One way of writing a shop's exports, as data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Split = Literal["", "month", "currency", "half"]
Mark = Literal["", "before", "after"]


@dataclass(frozen=True)
class Dates:
    """How dates and times are written: templates with ``at``, ``hour`` (1 to 12) and ``serial``.

    ``native`` leaves them dates, as a spreadsheet's own cells; ``zoned`` says that the text tells
    its zone. ``declared`` is what shop.toml can say about them, "" where it has no word for it.
    """

    day: str = ""
    moment: str = ""
    declared: str = ""
    native: bool = False
    zoned: bool = False


ISO = Dates("{at:%Y-%m-%d}", "{at:%Y-%m-%d %H:%M}", "year-first")


@dataclass(frozen=True)
class Way:
    """One way of writing exports: each field is one habit of those who send them.

    ``headers`` and ``later_headers`` name columns of headers.csv; the later ones stand in every
    file but the first. ``other_dates``, ``refs`` (templates for references), ``two_lines``
    (headers over two rows) and ``nameless`` (a column without a header) go by record.
    """

    headers: str
    later_headers: str = ""
    # The file
    ending: str = "csv"
    encoding: str = "utf-8"
    bom: bytes = b""
    delimiter: str = ","
    quote_all: bool = False
    line_end: str = "\n"
    sheet: str = ""
    hidden_every: int = 0  # each so manyth row of a sheet is hidden; so is a second sheet
    # The cells
    decimal: str = "."
    group: str = ""
    currency: Mark = ""  # where the currency stands in an amount
    negative: str = ""  # template for what is below 0, and credits are; "" = credits are not
    dates: Dates = ISO
    other_dates: Mapping[str, Dates] = field(default_factory=dict)
    time_zone: str = ""  # of times; "" = the shop's
    refs: Mapping[str, str] = field(default_factory=dict)
    prefixes: tuple[str, ...] = ()
    dirt: bool = False  # apostrophes, ="…", characters that nobody sees, full-width digits
    nothing: tuple[str, ...] = ()  # what stands in empty cells, column by column
    # The rows
    titles: tuple[str, ...] = ()  # templates with ``record``, ``begin``, ``end``
    totals: str = ""  # label of the last row
    repeat_header: int = 0  # after so many rows
    blank_rows: int = 0  # after each so many rows
    whole_order: Literal["all", "first"] = "all"  # rows that give the values of the whole order
    # The columns
    extras: tuple[str, ...] = ()  # columns that nobody needs
    trailing: bool = False  # a delimiter at the end of each row
    two_lines: frozenset[str] = frozenset()
    nameless: Mapping[str, str] = field(default_factory=dict)
    turn: int = 0  # so many columns move from the front to the end
    # The files of one source
    split: Split = ""
    overlap_days: int = 0
    twin: bool = False  # the last file is there twice

    @property
    def is_text(self) -> bool:
        """Whether the files are text, and not a spreadsheet's own."""
        return self.ending not in ("xlsx", "ods")

    def dates_of(self, record: str) -> Dates:
        """How the dates of a record are written."""
        return self.other_dates.get(record, self.dates)

    def headers_of(self, number: int) -> str:
        """Which headers the file with this number has."""
        return self.later_headers if number and self.later_headers else self.headers
