"""Suggestions that a decision accepted: such a payment pays the orders that the decision names.

It does so as long as these orders, and no others, are what the search finds for it. Else it pays
nothing, as a payment that nobody decided on.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from reconcile.joined import joined_texts
from reconcile.matching.columns import Bools, has
from reconcile.matching.paid import add_paid
from reconcile.matching.suggestions import Suggestions, suggest
from reconcile.matching.tie import Tied
from reconcile.references import BETWEEN


def with_accepted(
    tied: Tied, frame: pd.DataFrame, shares: pd.DataFrame, bare: Bools
) -> tuple[pd.DataFrame, Suggestions]:
    """The shares with those by decision, and what payments without a reference may be for.

    ``frame``: the rows of money, in which what is paid follows the shares. A payment that pays by
    a decision has the outcome ``accepted``; what is left of the others is searched without its
    orders, and that may leave another one a single set, which was accepted too.
    """
    found = suggest(tied, frame, bare)
    settled: list[pd.DataFrame] = []
    while len(tied.accepted):
        mine = _as_accepted(tied, frame, found)
        if mine.empty:
            break
        settled.append(mine)
        rest = frame["unpaid_rest"].to_numpy(np.int64)[mine["money"].to_numpy(np.int64)]
        more = mine[["payment", "money"]].assign(amount=rest)
        shares = pd.concat([shares, more], ignore_index=True)
        add_paid(frame, shares, tied.payments)
        bare = bare & ~has(mine["payment"].to_numpy(np.int64), len(bare))
        found = suggest(tied, frame, bare)
    if not settled:
        return shares, found
    readings = pd.concat([found.readings, *settled], ignore_index=True)
    outcome = found.outcome.copy()
    outcome[pd.concat(settled)["payment"].unique()] = "accepted"
    return shares, replace(found, outcome=outcome, readings=readings)


def suggested_keys(tied: Tied, frame: pd.DataFrame, found: Suggestions) -> pd.Series:
    """The references of the only orders that add up to a payment, cleaned, as one text; by payment.

    None where one of them could mean another order too: no decision can name it.
    """
    readings = found.readings
    mine = readings[found.outcome[readings["payment"]].isin(["only", "accepted"]).to_numpy()]
    owner = frame["supplier_order"].to_numpy(np.int64)[mine["money"].to_numpy(np.int64)]
    number = tied.supplier_orders["order"].to_numpy(np.int64)[owner]
    keys = tied.orders.orders["key"]
    named = pd.DataFrame(
        {"payment": mine["payment"].to_numpy(np.int64), "key": keys.iloc[number].to_numpy()}
    )
    named = named.sort_values(["payment", "key"], ignore_index=True)
    shared = keys[keys.duplicated(keep=False).to_numpy()]
    unsure = named.loc[named["key"].isin(shared), "payment"]
    text = joined_texts(named["payment"], named["key"], BETWEEN)
    return text[~text.index.isin(unsure)]


def _as_accepted(tied: Tied, frame: pd.DataFrame, found: Suggestions) -> pd.DataFrame:
    """The readings of payments whose only set of orders is one that a decision accepted."""
    keys = suggested_keys(tied, frame, found).rename("key").rename_axis("row_id").reset_index()
    wanted = tied.accepted.merge(keys, on=["row_id", "key"])["row_id"].to_numpy(np.int64)
    asked = has(wanted, len(found.outcome))
    out: pd.DataFrame = found.readings[asked[found.readings["payment"].to_numpy(np.int64)]]
    return out
