"""References found inside free text: which bank rows name which payments and payouts.

Both sides are cut into runs of letters and of digits, so that "LL-1001", "LL 1001" and "ll1001"
are the same. A key is found where its runs stand side by side in the text.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.matching.columns import text
from reconcile.references import fold

_SHORTEST = 4  # characters of a key that is looked for: what is shorter stands anywhere


def keys_of(movements: pd.DataFrame, parts: Mapping[tuple[str, str], pd.DataFrame]) -> pd.DataFrame:
    """What names each movement: ``movement``, ``key``, ``level`` (1 its own reference).

    Level 2 are the orders and invoices that a payment names; a payout has its own reference alone.
    """
    own = pd.DataFrame(
        {"movement": np.arange(len(movements)), "key": movements["name"], "level": 1}
    )
    mine = movements["record"] == "payments"
    at = pd.DataFrame({"movement": np.flatnonzero(mine), "row_id": movements.loc[mine, "row_id"]})
    pieces = [own]
    for name in ("order_ref", "invoice_no"):
        part = parts.get(("payments", name))
        if part is not None and len(part):
            named = at.merge(part[["row_id", "key"]], on="row_id")[["movement", "key"]]
            pieces.append(named.assign(level=2))
    return pd.concat(pieces, ignore_index=True)


def named_in(rows: pd.DataFrame, keys: pd.DataFrame) -> pd.DataFrame:
    """Pairs of a bank row and a movement that it names: ``row``, ``movement``, ``level``."""
    none = pd.DataFrame({"row": [], "movement": [], "level": []}, dtype="int64")
    wanted = keys.assign(runs=_runs(keys["key"]))
    written = keys["key"].str.replace(r"[\W_]+", "", regex=True)
    wanted = wanted[(written.str.len() >= _SHORTEST) & written.str.contains(r"\d")]
    if wanted.empty or rows.empty:
        return none
    codes, distinct = pd.factorize(text(rows, "reference"))
    cut = _runs(pd.Series(distinct, dtype="str"))
    words = cut.str.split(" ").explode()
    owner = words.index.to_numpy()
    run = words.astype("str").reset_index(drop=True)
    found = []
    grown = run
    longest = int((wanted["runs"].str.count(" ") + 1).max())
    for length in range(1, longest + 1):
        if length > 1:
            follows = np.append(owner[length - 1 :] == owner[: 1 - length], [False] * (length - 1))
            grown = (grown + " " + run.shift(1 - length).fillna("")).where(follows, "")
        of_length = wanted[wanted["runs"].str.count(" ") + 1 == length]
        hit = np.flatnonzero(grown.isin(of_length["runs"]))
        found.append(pd.DataFrame({"text": owner[hit], "runs": grown.iloc[hit].to_numpy()}))
    hits = pd.concat(found).drop_duplicates()
    hits = hits.merge(wanted[["runs", "movement", "level"]], on="runs")
    at = pd.DataFrame({"text": codes, "row": np.arange(len(rows))})
    pairs = at.merge(hits[["text", "movement", "level"]], on="text")
    best = pairs.sort_values(["row", "movement", "level"]).drop_duplicates(["row", "movement"])
    return best[["row", "movement", "level"]].astype("int64").reset_index(drop=True)


def _runs(texts: pd.Series) -> pd.Series:
    """Runs of letters and digits between single spaces; numbers without leading zeros."""
    folded = fold(pa.array(texts, pa.string()))
    apart = pc.replace_substring_regex(folded, pattern=r"[^\pL\pN]+", replacement=" ")
    apart = pc.replace_substring_regex(apart, pattern=r"(\pL)(\pN)", replacement=r"\1 \2")
    apart = pc.replace_substring_regex(apart, pattern=r"(\pN)(\pL)", replacement=r"\1 \2")
    apart = pc.replace_substring_regex(apart, pattern=r"\b0+([0-9])", replacement=r"\1")
    return pd.Series(pc.utf8_trim_whitespace(apart).to_pandas().to_numpy(), dtype="str")
