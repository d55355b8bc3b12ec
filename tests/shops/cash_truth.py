"""What a month's cash check has to say of money of which nothing is wrong: what is on its way.

Written anew over what happened, in the plainest way; nothing of the project is used.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd

from tests.shops.cash import ACCOUNT_OF, Money, bank_day

# Amounts are int64 cents with the sign that the check gives them; name is the document.
COLUMNS = ["check", "account", "currency", "what", "name", "amount"]
_STATED_LATE = 10  # days in which a payment may be missing on the supplier's statement


def month_ends(month: str) -> tuple[pd.Timestamp, pd.Timestamp]:
    """The first and the last day of YYYY-MM.

    >>> [str(day.date()) for day in month_ends("2026-02")]
    ['2026-02-01', '2026-02-28']
    """
    first = date.fromisoformat(f"{month}-01")
    after = (first + timedelta(days=31)).replace(day=1)
    return pd.Timestamp(first), pd.Timestamp(after - timedelta(days=1))


def on_its_way(money: Money, month: str) -> pd.DataFrame:
    """Every timing item of the month's check, with COLUMNS."""
    first, last = month_ends(month)
    sent = money.payouts[money.payouts["kind"] == "payout"]
    booked = _booked_days(money, sent)
    moved = pd.DataFrame(
        {"name": sent["payout_ref"], "day": sent["paid_on"], "booked": booked}
        | {"amount": -sent["amount"], "currency": "EUR"}
    )
    every = money.paid.rename(columns={"payment_ref": "name"})
    paid, came_back = every[every["settled"]], _came_back(every, last)
    moved_both = pd.concat([paid, came_back])
    pieces = [
        *_bank("payments-to-bank", moved_both.assign(amount=-moved_both["amount"]), first, last),
        *_bank("payouts-to-bank", moved, first, last),
        _books(moved_both, last),
        _books(moved, last),
        _parts(money.payouts, sent, last),
        *(_customers(money.customers, kind, first, last) for kind in ("sale", "refund")),
        _statements(paid, last),
    ]
    out = pd.concat([piece[COLUMNS] for piece in pieces], ignore_index=True)
    return out.astype({"amount": "int64"})


def _came_back(every: pd.DataFrame, last: pd.Timestamp) -> pd.DataFrame:
    """Payments that came back, once the bank has taken them: both ways, as the bank sees them."""
    out = every[~every["settled"] & (every["booked"] <= last)]
    back = out.assign(amount=-out["amount"], booked=bank_day(out["booked"], 2))
    return pd.concat([out, back])


def _booked_days(money: Money, sent: pd.DataFrame) -> pd.Series:
    """The day on which the bank booked each payout."""
    text = money.bank["reference"]
    sales = money.bank[text.str.startswith("SALES ")]
    of = dict(zip(sales["reference"].str.slice(6), sales["booked_on"], strict=True))
    return sent["payout_ref"].map(of).astype("datetime64[s]")


def _bank(
    check: str, moved: pd.DataFrame, first: pd.Timestamp, last: pd.Timestamp
) -> list[pd.DataFrame]:
    here = (moved["day"] >= first) & (moved["day"] <= last)
    late = moved[here & (moved["booked"] > last)].assign(what="in-transit")
    early = moved["day"].lt(first) & moved["booked"].between(first, last)
    return [piece.assign(check=check, account="") for piece in (late, _back(moved[early]))]


def _back(early: pd.DataFrame) -> pd.DataFrame:
    """What is of an earlier month is taken off."""
    return early.assign(what="of-earlier-month", amount=-early["amount"])


def _books(moved: pd.DataFrame, last: pd.Timestamp) -> pd.DataFrame:
    open_ = moved[(moved["day"] <= last) & (moved["booked"] > last)]
    what = np.where(open_["amount"] < 0, "outstanding", "receipt-in-transit")
    account = open_["currency"].map(ACCOUNT_OF)
    return open_.assign(check="bank-to-books", account=account, what=what)


def _parts(payouts: pd.DataFrame, sent: pd.DataFrame, last: pd.Timestamp) -> pd.DataFrame:
    day = payouts["payout_ref"].map(dict(zip(sent["payout_ref"], sent["paid_on"], strict=True)))
    waiting = payouts[(payouts["paid_on"] <= last) & (day > last)]
    keys = ["payout_ref", "currency"]
    sums = waiting.groupby(keys, as_index=False).agg(amount=("amount", "sum"))
    sums = sums.assign(check="payout-adds-up", account=sums["payout_ref"], what="not-paid-out")
    return sums.rename(columns={"payout_ref": "name"})


def _customers(
    customers: pd.DataFrame, kind: str, first: pd.Timestamp, last: pd.Timestamp
) -> pd.DataFrame:
    rows = customers[customers["kind"] == kind].rename(columns={"order_ref": "name"})
    here = rows["day"].between(first, last)
    late = rows[here & (rows["shown"] > last)].assign(what="on-its-way")
    early = rows["day"].lt(first) & rows["shown"].between(first, last)
    both = pd.concat([late, _back(rows[early])])
    return both.assign(check="customers-to-payouts", account=f"{kind}s", currency="EUR")


def _statements(paid: pd.DataFrame, last: pd.Timestamp) -> pd.DataFrame:
    young = last - paid["day"] <= pd.Timedelta(days=_STATED_LATE)
    open_ = paid[(paid["day"] <= last) & (paid["booked"] > last) & young]
    account = open_["supplier"] + " (statement)"
    return open_.assign(check="supplier-account", account=account, what="not-stated-yet")
