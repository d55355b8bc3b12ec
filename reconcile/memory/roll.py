"""The roll-forward: what was open the night before, what moved, and what is open now."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.memory.marks import AS_KEPT
from reconcile.memory.nights import Before


def open_items(found: pd.DataFrame) -> pd.DataFrame:
    """What is open: ``class, currency, count, amount_minor``."""
    mine = found[found["verdict"] == "open"]
    grouped = mine.groupby(["class", "currency"], as_index=False, observed=True).agg(
        count=("id", "size"), amount_minor=("amount_minor", "sum")
    )
    return grouped.astype({"count": "int64", "amount_minor": "int64"})


def moved(last: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """The roll-forward of open exceptions: ``class, currency, move, count, amount_minor``.

    The moves before ``end`` add up to it, by class and currency; ``cleared``, ``accepted`` and
    ``not_open`` are below 0. Each move is exact by id: an exception whose class or currency has
    changed leaves the one and enters the other under ``changed``. ``not_open`` is what waits,
    follows or is unknown now.
    """
    names = ["id", "class", "currency", "amount_minor"]
    start = last.loc[last["verdict"] == "open", names]
    end = found.loc[found["verdict"] == "open", [*names, "change"]]
    now = found.set_index("id")["verdict"].reindex(start["id"]).to_numpy()
    left = pd.Series(np.select([now == "open", now == "accepted", pd.isna(now)],
        ["", "accepted", "cleared"], "not_open"), index=start.index)  # fmt: skip
    stays = start[left == ""].merge(end, on="id", suffixes=("_then", ""))
    differs = stays[
        (stays["class"] != stays["class_then"])
        | (stays["currency"] != stays["currency_then"])
        | (stays["amount_minor"].fillna(0) != stays["amount_minor_then"].fillna(0))
    ]
    then = differs[["id", "class_then", "currency_then", "amount_minor_then"]]
    then = then.set_axis(names, axis=1)
    pieces = [_move(start, "start", 1), _move(end, "end", 1)]
    pieces += [_move(end[end["change"] == name], name, 1) for name in ("new", "reopened")]
    pieces += [_move(start[left == name], name, -1) for name in ("cleared", "accepted", "not_open")]
    pieces += [_move(differs, "changed", 1), _move(then, "changed", -1)]
    table = pd.concat(pieces, ignore_index=True)
    return table.groupby(["class", "currency", "move"], as_index=False, observed=True).sum()


def _move(rows: pd.DataFrame, move: str, sign: int) -> pd.DataFrame:
    amount = rows["amount_minor"].fillna(0).astype("int64") * sign
    return pd.DataFrame(
        {"class": rows["class"], "currency": rows["currency"], "move": move, "count": sign}
    ).assign(amount_minor=amount)


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
