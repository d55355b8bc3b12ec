"""The roll-forward: what was open the night before, what moved, and what is open now."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.digests import Ints
from reconcile.lean import plain
from reconcile.memory.marks import AS_KEPT
from reconcile.memory.nights import Before


def open_items(found: pd.DataFrame) -> pd.DataFrame:
    """What is open: ``class, currency, count, amount_minor``."""
    mine = found[["class", "currency", "amount_minor"]][(found["verdict"] == "open").to_numpy()]
    grouped = mine.groupby(["class", "currency"], as_index=False, observed=True).agg(
        count=("class", "size"), amount_minor=("amount_minor", "sum")
    )
    return plain(grouped.astype({"count": "int64", "amount_minor": "int64"}))


def moved(last: pd.DataFrame, found: pd.DataFrame, then: Ints) -> pd.DataFrame:
    """The roll-forward of open exceptions: ``class, currency, move, count, amount_minor``.

    ``then``: of each exception of tonight its place in ``last``, -1 where it was not there.

    The moves before ``end`` add up to it, by class and currency; ``cleared``, ``accepted`` and
    ``not_open`` are below 0. Each move is exact by exception: one whose class or currency has
    changed leaves the one and enters the other under ``changed``. ``not_open`` is what waits,
    follows or is unknown now.
    """
    was_open = (last["verdict"] == "open").to_numpy()
    is_open = (found["verdict"] == "open").to_numpy()
    there = np.flatnonzero(then >= 0)
    left = np.full(len(last), "cleared", dtype=object)
    left[then[there]] = "not_open"
    left[then[there[(found["verdict"] == "accepted").to_numpy()[there]]]] = "accepted"
    stays = there[is_open[there] & was_open[then[there]]]
    left[then[stays]] = ""
    then_all, now_all = _amounts(last), _amounts(found)
    now, before = now_all.iloc[stays], then_all.iloc[then[stays]]
    differs = np.zeros(len(now), dtype=bool)
    for name in now:
        differs |= now[name].to_numpy() != before[name].to_numpy()
    start, end, change = then_all[was_open], now_all[is_open], found["change"][is_open]
    left = left[was_open]
    pieces = [("start", 1, start), ("end", 1, end)]
    pieces += [(name, 1, end[(change == name).to_numpy()]) for name in ("new", "reopened")]
    pieces += [(name, -1, start[left == name]) for name in ("cleared", "accepted", "not_open")]
    pieces += [("changed", 1, now[differs]), ("changed", -1, before[differs])]
    # Most moves are of nothing on most nights; one piece stays, for the kinds of the columns.
    some = [piece for piece in pieces if len(piece[2])] or pieces[:1]
    sums = [_summed(*piece) for piece in some]
    keys = ["class", "currency", "move"]
    by_move = pd.concat(sums, ignore_index=True).groupby(keys, as_index=False)
    return by_move[["count", "amount_minor"]].sum()


def _summed(move: str, sign: int, exceptions: pd.DataFrame) -> pd.DataFrame:
    """Count and amount of a move, by class and currency."""
    by = exceptions.groupby(["class", "currency"], as_index=False, observed=True)
    sums = by.agg(count=("class", "size"), amount_minor=("amount_minor", "sum"))
    out = plain(sums).assign(move=move)
    out[["count", "amount_minor"]] *= sign
    return out.astype({"class": "str", "currency": "str", "move": "str"})


def _amounts(exceptions: pd.DataFrame) -> pd.DataFrame:
    """Class, currency and amount, 0 where there is none."""
    out = exceptions[["class", "currency"]]
    return out.assign(amount_minor=exceptions["amount_minor"].fillna(0).astype("int64"))


def roll_proofs(before: Before, moves: pd.DataFrame) -> pd.DataFrame:
    """Equalities of the roll-forward, as the other proofs: ``proof, unit, left, right``."""
    rows = []
    for unit, value in (("rows", "count"), ("", "amount_minor")):
        for (kind, currency), part in moves.groupby(["class", "currency"], sort=True):
            if value == "amount_minor" and not currency:
                continue
            by = part.set_index("move")[value]
            steps = int(by.drop("end", errors="ignore").sum())
            said = f"open {kind} at the start ± what moved = open at the end"
            named = said if unit == "" or not currency else f"{said}, {currency}"
            rows.append((named, unit or currency, steps, int(by.get("end", 0))))
    start = moves[moves["move"] == "start"]
    kept = before.open_items
    rows.append(
        (AS_KEPT, "rows",
         int(kept["count"].sum()), int(start["count"].sum()))
    )  # fmt: skip
    for currency in sorted({*kept["currency"], *start["currency"]} - {""}):
        sums = [
            int(frame.loc[frame["currency"] == currency, "amount_minor"].sum())
            for frame in (kept, start)
        ]
        rows.append((AS_KEPT, currency, *sums))
    return pd.DataFrame(rows, columns=["proof", "unit", "left", "right"])
