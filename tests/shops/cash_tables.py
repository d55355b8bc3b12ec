"""The money of a shop as tables of text: its bank, payouts, statements and balances."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from tests.shops.cash import ACCOUNT_OF, OPENING, Money


def written(money: Money, as_of: date) -> dict[str, pd.DataFrame]:
    """The four records as tables of text, with nothing dated after a day."""
    ends = pd.period_range(money.books["date"].min(), pd.Timestamp(as_of), freq="M")
    tables = {
        "bank": _with_balances(money.bank),
        "payouts": money.payouts,
        "statements": _with_ends(money.statements, ends),
        "balances": _balances(money.books, ends),
    }
    days = {"bank": "booked_on", "payouts": "paid_on", "statements": "date", "balances": "date"}
    out = {}
    for record, table in tables.items():
        rows = table[(table[days[record]] <= pd.Timestamp(as_of)).to_numpy()].copy()
        rows[days[record]] = rows[days[record]].dt.strftime("%Y-%m-%d")
        for name in ("amount", "balance"):
            if name in rows:
                rows[name] = amount_texts(rows[name])
        out[record] = rows.astype("str").reset_index(drop=True)
    return out


def amount_texts(values: pd.Series) -> pd.Series:
    """Cents as amounts with two decimals.

    >>> amount_texts(pd.Series([-1205, 5])).tolist()
    ['-12.05', '0.05']
    """
    sign = pd.Series(np.where(values < 0, "-", ""), index=values.index, dtype="str")
    digits = values.abs().astype("int64").astype("str").str.zfill(3)
    return sign.str.cat(digits.str.replace(r"(..)$", r".\1", regex=True))


def _with_balances(bank: pd.DataFrame) -> pd.DataFrame:
    rows = bank.sort_values(["account", "booked_on"], kind="stable", ignore_index=True)
    moved = rows["amount"].where(rows["status"] == "booked", 0)
    return rows.assign(
        balance=moved.groupby(rows["account"]).cumsum() + rows["account"].map(OPENING)
    )


def _with_ends(documents: pd.DataFrame, ends: pd.PeriodIndex) -> pd.DataFrame:
    """Each supplier's documents between what it states at the beginning and end of each month."""
    pieces = [documents.assign(place=1)]
    for (supplier, currency), rows in documents.groupby(["supplier", "currency"]):
        for month in ends:
            begin = month.start_time.floor("D")
            until = month.end_time.floor("D")
            for kind, day, amount, place in (
                ("opening", begin, rows.loc[rows["date"] < begin, "amount"].sum(), 0),
                ("closing", until, rows.loc[rows["date"] <= until, "amount"].sum(), 2),
            ):
                line = {"supplier": supplier, "currency": currency, "date": day, "kind": kind}
                line |= {"document": f"{kind} {month}", "amount": amount, "place": place}
                pieces.append(pd.DataFrame([line]))
    both = pd.concat(pieces, ignore_index=True)
    both["date"] = both["date"].astype("datetime64[s]")
    order = ["supplier", "date", "place", "document"]
    return both.sort_values(order, kind="stable", ignore_index=True).drop(columns="place")


def _balances(books: pd.DataFrame, ends: pd.PeriodIndex) -> pd.DataFrame:
    rows = [
        {"account": account, "date": end, "balance": int(mine["amount"][mine["date"] <= end].sum())}
        for account, mine in books.groupby("account")
        for end in (month.end_time.floor("D") for month in ends)
    ]
    out = pd.DataFrame(rows).astype({"date": "datetime64[s]"})
    out["currency"] = out["account"].map({name: code for code, name in ACCOUNT_OF.items()})
    return out
