"""open-items: exceptions open at the start, and what came and went, are those open at the end."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.month_end.balance import Balance, balanced, items, unknown
from reconcile.month_end.period import Month

CHECK = "open-items"
NO_HISTORY = "No history of nights holds the month's start and end."


def open_items(nights: pd.DataFrame | None, month: Month) -> list[Balance]:
    """The roll-forward by class and currency: once by amount, once by count (in no currency).

    ``nights``: one row per night and exception that was open, accepted or cleared on it, from the
    last night before the month to the last one in it: ``night`` (a date), ``id, verdict, class,
    currency, amount_minor`` (0 where there is none). None where there is no history. Left are
    those open at the start, with each that opened (+) and each that was cleared or accepted (-);
    right are those open at the end. An amount that changed is an item of its own.
    """
    if nights is None or nights.empty:
        return [unknown(CHECK, NO_HISTORY)]
    dated = nights.assign(night=pd.to_datetime(nights["night"]))
    before, within = month.before(dated["night"]), month.holds(dated["night"])
    if not before.any() or not within.any():
        return [unknown(CHECK, NO_HISTORY)]
    start = _of(dated, dated.loc[before, "night"].max())
    end = _of(dated, dated.loc[within, "night"].max())
    opened = dated[((dated["verdict"] == "open") & within).to_numpy(dtype=bool)]
    opened = opened.sort_values("night", kind="stable").drop_duplicates("id", keep="last")
    last = dated.sort_values("night", kind="stable").drop_duplicates("id", keep="last")
    verdicts = last.set_index("id")["verdict"]
    out = []
    groups = pd.concat([start, end, opened])[["class", "currency"]].drop_duplicates()
    for money, currency in groups.sort_values(["class", "currency"]).itertuples(index=False):
        frames = [
            frame[((frame["class"] == money) & (frame["currency"] == currency)).to_numpy()]
            for frame in (start, opened, end)
        ]
        out.append(_roll(str(money), str(currency), frames, verdicts, count=False))
        out.append(_roll(str(money), str(currency), frames, verdicts, count=True))
    return out


def _of(nights: pd.DataFrame, night: pd.Timestamp) -> pd.DataFrame:
    mine = (nights["night"] == night) & (nights["verdict"] == "open")
    return nights[mine.to_numpy(dtype=bool)]


def _roll(
    money: str, currency: str, frames: list[pd.DataFrame], verdicts: pd.Series, *, count: bool
) -> Balance:
    start, opened, end = (_shown(frame, count=count) for frame in frames)
    fresh = opened[~opened["id"].isin(start["id"]).to_numpy()]
    fresh = pd.concat([fresh, end[~end["id"].isin([*start["id"], *fresh["id"]]).to_numpy()]])
    gone = pd.concat([start, fresh])
    gone = gone[~gone["id"].isin(end["id"]).to_numpy()]
    accepted = (gone["id"].map(verdicts) == "accepted").to_numpy(dtype=bool)
    pieces = [
        items(start, start["amount"], "open-at-start", "left", "listed", "Open at the start."),
        items(fresh, fresh["amount"], "new", "left", "listed", "Opened in the month."),
    ]
    for mine, what, told in (
        (~accepted, "cleared", "Not open any more."),
        (accepted, "accepted", "A decision covers it."),
    ):
        some = gone[mine]
        pieces.append(items(some, -some["amount"], what, "left", "listed", told))
    both = pd.concat([start, fresh]).merge(end[["id", "amount"]], on="id", suffixes=("", "_end"))
    gap = (both["amount_end"] - both["amount"]).to_numpy(np.int64)
    moved = both[gap != 0]
    text = "The amount changed while it was open."
    pieces.append(items(moved, gap[gap != 0], "amount-changed", "left", "listed", text))
    left = sum(int(piece["amount_minor"].sum()) for piece in pieces)
    account = f"{money} {currency}".strip() + (" (count)" if count else "")
    unit = "" if count else currency
    return balanced(CHECK, account, unit, (left, int(end["amount"].sum())), pieces)


def _shown(frame: pd.DataFrame, *, count: bool) -> pd.DataFrame:
    amount = np.ones(len(frame), dtype=np.int64) if count else frame["amount_minor"]
    return frame.assign(name=frame["id"], date=frame["night"], evidence="", amount=amount)
