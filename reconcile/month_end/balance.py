"""A balance: two sides that have to be equal, and the items by which they are told apart.

Every item stands on one side. Items of the sides ``left`` and ``right`` are part of that side's
figure; items of the side ``difference`` say what left is more than right by. What no item explains
is an item of its own, ``not-explained``. Nothing is netted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from reconcile.empty import without_rows

Side = Literal["left", "right", "difference"]
Nature = Literal["timing", "error", "entry", "unknown", "listed"]
Verdict = Literal["agrees", "differs", "unknown"]

# amount_minor: with its sign, as it is added to its side. nature: timing (it will come), error
# (somebody has to look), entry (to be entered in the merchant's own books), unknown (cannot be
# told), listed (one of the parts of a figure). date: what the item is dated and aged by.
ITEM = {
    "amount_minor": "int64",
    "what": "str",
    "side": "str",
    "nature": "str",
    "name": "str",
    "text": "str",
    "date": "datetime64[s]",
    "evidence": "str",
}
NOT_EXPLAINED = "not-explained"
_NOTHING = without_rows(ITEM)


def no_items() -> pd.DataFrame:
    """A table of items without rows."""
    return _NOTHING.copy()


@dataclass(frozen=True)
class Balance:
    """One check of one account in one currency; amounts in its minor units.

    ``left`` and ``right`` are None where a side is not known; ``cause`` then says why, or what
    makes the verdict unknown though both sides are known. ``items`` has the columns of ITEM.
    """

    check: str
    account: str
    currency: str
    left: int | None
    right: int | None
    items: pd.DataFrame = field(default_factory=no_items)
    cause: str = ""

    @property
    def difference(self) -> int | None:
        """What left is more than right by."""
        return None if self.left is None or self.right is None else self.left - self.right

    @property
    def verdict(self) -> Verdict:
        """Whether the sides are equal; unknown where something keeps it from being told."""
        if self.difference is None or self.cause:
            return "unknown"
        return "agrees" if self.difference == 0 else "differs"

    @property
    def unexplained(self) -> int:
        """The sum of what is not explained."""
        mine = self.items["what"] == NOT_EXPLAINED
        return int(self.items.loc[mine, "amount_minor"].sum())


def unknown(check: str, cause: str, account: str = "", currency: str = "") -> Balance:
    """A balance that cannot be told at all, and why."""
    return Balance(check, account, currency, None, None, cause=cause)


def items(
    frame: pd.DataFrame,
    amount: np.ndarray | pd.Series,
    what: str,
    side: Side,
    nature: Nature,
    text: str | pd.Series,
) -> pd.DataFrame:
    """Items of one kind from rows that have ``name``, ``date`` and ``evidence``."""
    if frame.empty:
        return no_items()
    out = pd.DataFrame(
        {
            "amount_minor": np.asarray(amount, dtype=np.int64),
            "what": what,
            "side": side,
            "nature": nature,
            "name": frame["name"].to_numpy(),
            "text": text if isinstance(text, str) else text.to_numpy(),
            "date": frame["date"].to_numpy().astype("datetime64[s]"),
            "evidence": frame["evidence"].to_numpy(),
        }
    )
    return out.astype({name: kind for name, kind in ITEM.items() if kind == "str"})


def together(pieces: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Items of several kinds, by kind in the order given, then by date, name and place."""
    some = [
        piece.sort_values(["date", "name", "evidence"], kind="stable")
        for piece in pieces
        if len(piece)
    ]
    return pd.concat(some, ignore_index=True) if some else no_items()


def balanced(
    check: str,
    account: str,
    currency: str,
    sides: tuple[int, int],
    pieces: Sequence[pd.DataFrame],
    cause: str = "",
) -> Balance:
    """A balance whose sides are known; what its items leave unexplained becomes an item."""
    found = together(pieces)
    said = int(found.loc[found["side"] == "difference", "amount_minor"].sum())
    rest = sides[0] - sides[1] - said
    if rest:
        bare = pd.DataFrame({"name": [""], "date": [np.datetime64("NaT", "s")], "evidence": [""]})
        text = "No record explains this amount."
        left_over = items(bare, np.array([rest]), NOT_EXPLAINED, "difference", "error", text)
        found = together([found, left_over])
    return Balance(check, account, currency, sides[0], sides[1], found, cause)
