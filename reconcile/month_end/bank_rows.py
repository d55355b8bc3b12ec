"""The rows of the bank in the order in which they ran, account by account."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reconcile.matching.columns import masked, number, text
from reconcile.month_end.evidence import places


def bank_rows(bank: pd.DataFrame, files: Sequence[str]) -> pd.DataFrame:
    """Rows of the record ``bank`` as they ran: by account and currency, day, file and place.

    Many banks list the newest row first: a file whose days fall from top to bottom is turned
    round, and so is one of a single day whose balances run only from bottom to top. A row of
    nothing, as of a notice, says no more than its balance. Columns:
    ``row_id`` (in the record), ``account, currency, date, amount_minor, balance_minor, status,
    reference, supplier, original_minor_micro, original_currency, rate, evidence``.
    """
    amount = bank["amount_minor"].to_numpy(np.int64)
    status = text(bank, "status").replace("", "booked")
    frame = pd.DataFrame(
        {
            "row_id": np.arange(len(bank)),
            "account": bank["account"],
            "currency": bank["currency"],
            "date": bank["booked_date"],
            "amount_minor": amount,
            "balance_minor": bank["balance_minor"]
            if "balance_minor" in bank
            else masked(np.zeros(len(bank), np.int64), np.ones(len(bank), dtype=bool)),
            "status": status.where((status != "booked") | (amount != 0), "balance"),
            "reference": text(bank, "reference"),
            "supplier": text(bank, "counterparty"),
            "original_micro": number(bank, "original_amount_micro"),
            "original_currency": text(bank, "original_currency"),
            "rate": text(bank, "rate"),
            "evidence": places(bank, files),
            "file": bank["file"],
            "row": bank["row"],
        }
    )
    place = frame["row"] * np.where(_newest_first(frame), -1, 1)
    # An opening balance stands before the rows of its day, a closing one behind them.
    out = frame.assign(place=place).sort_values(
        ["account", "currency", "date", "file", "place"], kind="stable", ignore_index=True
    )
    return out.drop(columns=["place", "file", "row"])


def _newest_first(frame: pd.DataFrame) -> np.ndarray:
    """Which rows are of an account and file that lists its newest row first."""
    group = frame.groupby(["file", "account", "currency"], sort=False).ngroup().to_numpy()
    first = frame.groupby(group)["date"].transform("first")
    last = frame.groupby(group)["date"].transform("last")
    falling = (first > last).to_numpy()
    one_day = (first == last).to_numpy()
    down, up = _runs(frame, group, 1), _runs(frame, group, -1)
    return np.asarray(falling | (one_day & (up > down)))


def _runs(frame: pd.DataFrame, group: np.ndarray, step: int) -> np.ndarray:
    """How often the balance follows from that of the row above (1) or below (-1), by group."""
    before = frame.groupby(group)["balance_minor"].shift(step)
    fits = (before + frame["amount_minor"] == frame["balance_minor"]).fillna(value=False)
    return np.asarray(fits.astype("int64").groupby(group).transform("sum").to_numpy())
