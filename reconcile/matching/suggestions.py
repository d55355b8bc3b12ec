"""What payments without any reference may be for: the only open orders that add up to each.

A suggestion pays nothing until a decision accepts it. Until then no order that it may have paid is
called unpaid, and none is safe to pay again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.columns import Bools, Days, Ints, count, days, has
from reconcile.matching.subsets import MOST_STEPS, Subset, only_subset
from reconcile.matching.tie import Tied

# Of all payments of a run together, some seconds: what is cheapest to search comes first.
ALL_STEPS = 1_000_000_000
_KEY = ["supplier", "currency", "amount", "dated"]
_NO_DAY = np.datetime64("NaT", "s")
_NO_READINGS = pd.DataFrame({"payment": [], "money": [], "nth": []}, dtype="int64")


@dataclass(frozen=True)
class Suggestions:
    """What the searches found, by positions of payments and rows of the money table.

    ``outcome``: of each payment ``only``, ``contested`` (the only one, and another payment's too),
    ``several``, ``gave-up``, ``none``, ``accepted`` (it pays its only set, by a decision); blank
    where it has a reference or pays no orders.
    ``readings``: the orders of each set that was found (``payment, money, nth``); of several the
    first two. ``fitting``: how many open orders are not larger than the payment. ``perhaps``: the
    money rows that each payment may well have paid (``payment, money``). ``doubted``: money rows
    that no search could rule out.
    """

    outcome: pd.Series
    readings: pd.DataFrame
    fitting: Ints
    perhaps: pd.DataFrame
    doubted: Bools


@dataclass(frozen=True)
class _Open:
    """The open orders at one supplier in one currency, small ones first."""

    money: Ints
    rest: Ints
    since: Days
    until: Days

    def at(self, amount: int, day: np.datetime64) -> Ints:
        """Places of those not larger than a payment, and open on its day."""
        end = int(np.searchsorted(self.rest, amount, side="right"))
        fits = (self.since[:end] <= day) & ~(self.until[:end] < day)
        return np.flatnonzero(fits)


def suggest(tied: Tied, money: pd.DataFrame, bare: Bools) -> Suggestions:
    """Search the open orders for every payment that bears no reference (``bare``).

    Open is what has something left to pay (``unpaid_rest`` of the money rows), was ordered by the
    day of the payment, and was not called off before it.
    """
    outcome = pd.Series("", index=np.arange(len(bare)), dtype="str")
    fitting = np.zeros(len(bare), dtype=np.int64)
    if not bare.any():
        nothing = _NO_READINGS[["payment", "money"]]
        return Suggestions(
            outcome, _NO_READINGS, fitting, nothing, np.zeros(len(money), dtype=bool)
        )
    payments = tied.payments[["supplier", "currency"]].assign(
        amount=tied.payments["amount_minor"].to_numpy(np.int64),
        dated=days(tied.payments, "paid_date"),
        document=tied.payments["payment_ref"],
    )[bare]
    open_orders = _open_orders(tied, money, payments["supplier"])
    answers, found = _answers(payments, open_orders)
    asked = payments[_KEY].reset_index(names="payment").merge(answers, on=_KEY)
    outcome.loc[asked["payment"]] = asked["outcome"].to_numpy()
    fitting[asked["payment"]] = asked["fitting"]
    readings = asked[["payment", "question"]].merge(found, on="question")
    readings = readings[["payment", "money", "nth"]]
    contested = _contested(outcome, readings, len(money))
    outcome[has(contested, len(bare))] = "contested"
    unsure = payments[outcome[payments.index].isin(["several", "gave-up"])]
    alone = _alone(unsure, open_orders)
    perhaps = pd.concat([readings[["payment", "money"]], alone]).drop_duplicates(ignore_index=True)
    return Suggestions(outcome, readings, fitting, perhaps, _doubted(unsure, open_orders, money))


def _open_orders(tied: Tied, money: pd.DataFrame, suppliers: pd.Series) -> pd.DataFrame:
    """What is left to pay to these suppliers: small before large, then by reference.

    Columns ``money``, ``supplier``, ``currency``, ``rest``, ``since`` and ``until`` (the day on
    which it was called off, NaT where it was not).
    """
    owner = money["supplier_order"].to_numpy()
    supplier = tied.supplier_orders["supplier"].to_numpy()[owner]
    use = (money["unpaid_rest"] > 0).to_numpy() & pd.Series(supplier).isin(suppliers).to_numpy()
    at = np.flatnonzero(use)
    number = tied.supplier_orders["order"].to_numpy()[owner[at]]
    orders = tied.orders.orders.iloc[number].reset_index(drop=True)
    refunded = np.where(
        orders["refunded_in_full"].to_numpy(dtype=bool), days(orders, "refunded_date"), _NO_DAY
    )
    frame = orders[["store", "key", "order_ref"]].assign(
        width=orders["key"].str.len(),
        money=at,
        supplier=supplier[at],
        currency=money["currency"].to_numpy()[at],
        rest=money["unpaid_rest"].to_numpy(np.int64)[at],
        since=days(orders, "ordered_date"),
        until=np.fmin(days(orders, "cancelled_date"), refunded),
    )
    frame = frame.sort_values(["rest", "store", "width", "key", "order_ref"], ignore_index=True)
    names = ["money", "supplier", "currency", "rest", "since", "until"]
    found: pd.DataFrame = frame[names].astype({"supplier": "str", "currency": "str"})
    return found


def _by_account(open_orders: pd.DataFrame) -> Mapping[tuple[str, str], _Open]:
    return {
        (str(supplier), str(currency)): _Open(
            rows["money"].to_numpy(np.int64),
            rows["rest"].to_numpy(np.int64),
            days(rows, "since"),
            days(rows, "until"),
        )
        for (supplier, currency), rows in open_orders.groupby(["supplier", "currency"])
    }


def _answers(
    payments: pd.DataFrame, open_orders: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One search for each supplier, currency, amount and day; equal payments ask the same.

    The smallest amounts come first, for they are the cheapest to search: so where the steps are
    used up depends on what is asked, and not on the order of rows.
    """
    questions = payments[_KEY].drop_duplicates()
    questions = questions.sort_values(["amount", "supplier", "currency", "dated"])
    accounts, nothing = _by_account(open_orders), np.zeros(0, dtype=np.int64)
    outcomes, sizes, steps = [], [], ALL_STEPS
    sets: list[Ints] = []
    places: list[tuple[int, int]] = []
    asked = zip(*(questions[name] for name in ("supplier", "currency", "amount")), strict=True)
    dated = days(questions, "dated")
    # Payments without a reference are few, and each needs a search of its own.
    for question, (supplier, currency, amount) in enumerate(asked):
        account = accounts.get((supplier, currency))
        here = nothing if account is None else account.at(amount, dated[question])
        found = Subset("none")
        if account is not None:
            found = only_subset(account.rest[here], amount, min(MOST_STEPS, steps))
            for nth, chosen in enumerate((found.chosen, found.other)):
                sets.append(account.money[here[list(chosen)]])
                places.append((question, nth))
        steps = max(steps - found.steps, 0)
        outcomes.append(found.outcome)
        sizes.append(len(here))
    answers = questions.assign(question=np.arange(len(questions)), outcome=outcomes, fitting=sizes)
    if not sets:
        return answers, _NO_READINGS.rename(columns={"payment": "question"})
    lengths = [len(one) for one in sets]
    rows = np.repeat(np.array(places, dtype=np.int64).reshape(-1, 2), lengths, axis=0)
    return answers, pd.DataFrame(
        {"question": rows[:, 0], "money": np.concatenate(sets), "nth": rows[:, 1]}
    )


def _contested(outcome: pd.Series, readings: pd.DataFrame, size: int) -> Ints:
    """Payments whose only set shares an order with another payment's only set."""
    mine = readings[(outcome[readings["payment"]] == "only").to_numpy()]
    shared = count(mine["money"].to_numpy(), size) > 1
    return np.unique(mine["payment"].to_numpy()[shared[mine["money"].to_numpy()]])


def _alone(unsure: pd.DataFrame, open_orders: pd.DataFrame) -> pd.DataFrame:
    """Orders that alone are what such a payment paid, each with the last one that may be for it."""
    last = unsure.reset_index(names="payment").sort_values(["dated", "document", "payment"])
    last = last.drop_duplicates(["supplier", "currency", "amount"], keep="last")
    last = last.rename(columns={"amount": "rest"})
    found = open_orders.merge(last, on=["supplier", "currency", "rest"])
    open_then = (found["since"] <= found["dated"]) & ~(found["until"] < found["dated"])
    return found.loc[open_then, ["payment", "money"]]


def _doubted(unsure: pd.DataFrame, open_orders: pd.DataFrame, money: pd.DataFrame) -> Bools:
    """Orders that some such payment was late and large enough for.

    Which sets there are beyond the first two nobody knows, so each of these may have been paid.
    """
    out = np.zeros(len(money), dtype=bool)
    accounts = _by_account(open_orders)
    for (supplier, currency), rows in unsure.groupby(["supplier", "currency"]):
        account = accounts.get((str(supplier), str(currency)))
        if account is None:
            continue
        by_day = rows.sort_values("dated")
        largest = np.maximum.accumulate(by_day["amount"].to_numpy(np.int64)[::-1])[::-1]
        from_then = np.searchsorted(days(by_day, "dated"), account.since)
        out |= has(account.money[np.append(largest, 0)[from_then] >= account.rest], len(money))
    return out
