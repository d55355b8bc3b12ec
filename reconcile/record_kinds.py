"""What a column and a record type are.

A column has one name, one kind and one unit everywhere. Kinds say how a text becomes a value
and how the typed column is called:

==========  ==========================================  =============================
kind        value                                       typed column
==========  ==========================================  =============================
text        trimmed text, blank = ""                    name
reference   trimmed text, and its key for comparing     name, name_key
references  one or several references in one cell       name (whole cell); parts apart
sku         trimmed text, and its key for comparing     name, name_key
supplier    the supplier's name in shop.toml            name
currency    ISO 4217 code                               name
country     upper-case country code as given            name
count       whole number, not negative                  name
money       int64 minor units of the row's currency     name_minor
price       int64 millionths of a major unit            name_micro
date        calendar date in the shop's zone            name_date
word        one of a closed list                        name
flag        yes or no                                   name
rate        exact decimal text                          name
narrative   references and known words of a free text   name
payee       the supplier's name; "" for anybody else    name
==========  ==========================================  =============================
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "text",
    "reference",
    "references",
    "sku",
    "supplier",
    "currency",
    "country",
    "count",
    "money",
    "price",
    "date",
    "word",
    "flag",
    "rate",
    "narrative",
    "payee",
]


@dataclass(frozen=True)
class Column:
    """One canonical column of a record type.

    ``goes_with`` names the date column without which this cell is not known yet: where that
    date is later than the run's date, this cell reads as blank too. ``ahead`` marks dates that
    speak of the future (promises, due and validity dates) and are never blanked.
    ``below_zero`` allows negative amounts. ``hint`` is said where a cell cannot be read.
    """

    name: str
    kind: Kind
    required: bool = False
    whole_order: bool = False
    words: tuple[str, ...] = ()
    goes_with: str = ""
    ahead: bool = False
    below_zero: bool = False
    hint: str = ""

    @property
    def closed(self) -> bool:
        """Whether its cells are of a closed list of words."""
        return self.kind in ("word", "flag")

    @property
    def typed(self) -> str:
        """The column's name once it is parsed, with its unit."""
        stem = self.name.removesuffix("_at").removesuffix("_on").removesuffix("_by")
        stem = stem.removesuffix("_date") or self.name
        return {
            "money": f"{self.name}_minor",
            "price": f"{self.name}_micro",
            "date": f"{stem}_date" if stem != "date" else "date",
        }.get(self.kind, self.name)


@dataclass(frozen=True)
class Record:
    """One record type: its columns, its natural key, and the date of a row.

    ``key`` lists what makes two rows of different files the same row; of alternatives joined
    with ``|`` the first that is filled counts. ``unsaid`` are those of its columns of which a
    blank cell says nothing, so that another file may say more. ``date`` is the column that dates
    a row, or "" where rows have no date of their own. ``exported`` tells whether another program
    writes it: only such files are proposed.
    """

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    date: str = ""
    exported: bool = True
    unsaid: tuple[str, ...] = ()

    def column(self, name: str) -> Column:
        """The column with this canonical name; KeyError where there is none."""
        return {column.name: column for column in self.columns}[name]

    @property
    def names(self) -> tuple[str, ...]:
        """The canonical names, in the order of the definition."""
        return tuple(column.name for column in self.columns)


def must(name: str, kind: Kind, *, below_zero: bool = False, hint: str = "") -> Column:
    """A column that every row has to fill."""
    return Column(name, kind, required=True, below_zero=below_zero, hint=hint)
