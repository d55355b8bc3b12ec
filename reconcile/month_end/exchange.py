"""exchange: what rates made of amounts in foreign currencies, and the bank's own conversions.

Rates are used as they stand, never rounded and never inverted; each amount is rounded once, half
up (Council Regulation (EC) No 1103/97, articles 4 and 5). Realised differences and the closing
rate of open payables follow the method of IAS 21; prepayments keep the rate of their day.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import pandas as pd

from reconcile.counted import counted
from reconcile.empty import without_rows
from reconcile.intake.load import Intake
from reconcile.matching.columns import Bools, Ints, days
from reconcile.matching.match import Matched
from reconcile.money import minor_digits, round_half_up
from reconcile.month_end.balance import Balance, balanced, items, unknown
from reconcile.month_end.cash import Cash, own_rows
from reconcile.month_end.evidence import places
from reconcile.month_end.pairing import original_minor
from reconcile.month_end.period import Month
from reconcile.rates import home_factors

CHECK = "exchange"


def at_rates(
    amount: Ints, currency: pd.Series, day: np.ndarray, home: str, rates: pd.DataFrame | None
) -> tuple[Ints, Bools]:
    """Amounts in minor units of the home currency at the last rate up to each day; where known."""
    factors = home_factors(currency.reset_index(drop=True), day, home, rates)
    over = factors["over"].to_numpy()
    known = np.asarray(over != 0, dtype=bool)
    times = factors["times"].to_numpy()
    exact = amount.astype(object) * times
    out = np.zeros(len(amount), dtype=np.int64)
    out[known] = round_half_up(exact[known], over[known])
    return out, known


def realised(
    intake: Intake, matched: Matched, month: Month, home: str, files: Sequence[str]
) -> list[Balance]:
    """One balance per foreign currency: payments of the month at their day, and at the invoice's.

    Left at the rate of the payment, right at the rate of the invoice that it pays, with the
    realised difference of each payment as an item. What was paid before it was billed is a
    prepayment: it keeps its rate, and has no difference.
    """
    rows = _paid_bills(intake, matched, month, home, files)
    rates = intake.records.get("rates")
    out = []
    for currency in sorted(set(rows["currency"])):
        mine = rows[(rows["currency"] == currency).to_numpy()].reset_index(drop=True)
        amount = mine["amount"].to_numpy(np.int64)
        code = mine["currency"]
        paid, known = at_rates(amount, code, days(mine, "date"), home, rates)
        billed, told = at_rates(amount, code, days(mine, "billed_date"), home, rates)
        both = known & told
        gap = paid - billed
        loss = both & (gap > 0)
        gain = both & (gap < 0)
        pieces = [
            items(mine[loss], gap[loss], "realised-loss", "right", "listed", _REALISED),
            items(mine[gain], gap[gain], "realised-gain", "right", "listed", _REALISED),
        ]
        lost = int((~both).sum())
        cause = f"There is no rate for {counted(lost, 'payment')}." if lost else ""
        sides = int(paid[both].sum()), int(billed[both].sum() + gap[both].sum())
        out.append(balanced(CHECK, f"realised {currency}", home, sides, pieces, cause))
    return out


_REALISED = "From the rate of the invoice's day to that of the payment's."


def _paid_bills(
    intake: Intake, matched: Matched, month: Month, home: str, files: Sequence[str]
) -> pd.DataFrame:
    """Shares of payments of the month in foreign currencies that pay a bill of an earlier day."""
    payments, invoices = intake.records.get("payments"), intake.records.get("invoices")
    none = without_rows({"currency": "str"})
    if payments is None or invoices is None or matched.shares.empty:
        return none
    link = matched.links["invoices"]
    billed = pd.Series(days(invoices, "invoice_date")[link["row_id"].to_numpy()])
    keys = [link["supplier_order"].to_numpy(), invoices["currency"].iloc[link["row_id"]].to_numpy()]
    first = billed.groupby(keys).min().rename("billed_date").reset_index()
    first.columns = pd.Index(["supplier_order", "currency", "billed_date"])
    shares = matched.shares[(matched.shares["currency"] != home).to_numpy()]
    rows = shares.groupby(["row_id", "supplier_order", "currency"], as_index=False)["amount"].sum()
    rows = rows.merge(first, on=["supplier_order", "currency"])
    at = rows["row_id"].to_numpy()
    rows["date"] = days(payments, "paid_date")[at]
    rows["name"] = payments["payment_ref"].to_numpy()[at]
    rows["evidence"] = places(payments.iloc[at], files).to_numpy()
    mine = month.holds(rows["date"]) & (rows["billed_date"] <= rows["date"]).to_numpy()
    return pd.DataFrame(rows[mine])


def revalued(
    open_items: pd.DataFrame, month: Month, home: str, rates: pd.DataFrame | None
) -> list[Balance]:
    """One balance per foreign currency: open payables at the closing rate, and at their own day's.

    Left at the closing rate, right at the rate of the invoice with the unrealised difference of
    each. What was paid ahead is a prepayment and is not revalued.
    """
    owed = open_items[
        ((open_items["amount_minor"] > 0) & (open_items["currency"] != home)).to_numpy()
    ]
    out = []
    for currency in sorted(set(owed["currency"])):
        mine = owed[(owed["currency"] == currency).to_numpy()].reset_index(drop=True)
        amount, code = mine["amount_minor"].to_numpy(np.int64), mine["currency"]
        end = np.full(len(mine), np.datetime64(month.last, "s"))
        closing, known = at_rates(amount, code, end, home, rates)
        then, told = at_rates(amount, code, days(mine, "date"), home, rates)
        both = known & told
        gap = closing - then
        text = "From the rate of the invoice's day to that of the month's end."
        up, down = both & (gap > 0), both & (gap < 0)
        pieces = [
            items(mine[up], gap[up], "unrealised-loss", "right", "listed", text),
            items(mine[down], gap[down], "unrealised-gain", "right", "listed", text),
        ]
        lost = int((~both).sum())
        cause = f"There is no rate for {counted(lost, 'open payable')}." if lost else ""
        sides = int(closing[both].sum()), int(closing[both].sum())
        out.append(balanced(CHECK, f"payables {currency}", home, sides, pieces, cause))
    return out


def conversions(cash: Cash) -> list[Balance]:
    """One balance per account: converted rows as booked, and at the rate that the bank states.

    The rate is that of one unit of either currency; the one of the two that comes nearer is meant.
    """
    rows = cash.rows[own_rows(cash)]
    foreign = (rows["original_currency"] != "") & (rows["rate"] != "")
    foreign &= rows["original_currency"] != rows["currency"]
    rows = rows[(foreign & (rows["original_micro"] != 0)).to_numpy()]
    out = []
    for (account, currency), mine in rows.groupby(["account", "currency"], sort=True):
        booked = mine["amount_minor"].to_numpy(np.int64)
        meant = _at_bank_rate(mine)
        gap = booked - meant
        wrong = gap != 0
        text = "The amount is not the original amount at the rate that the bank states."
        found = items(mine[wrong], gap[wrong], "wrong-rate", "difference", "error", text)
        sides = int(booked.sum()), int(meant.sum())
        name = f"conversions {account}"
        out.append(balanced(CHECK, name, str(currency), sides, [found]))
    return out


def _at_bank_rate(rows: pd.DataFrame) -> Ints:
    original = original_minor(rows).tolist()
    cells = zip(
        original, rows["original_currency"], rows["currency"], rows["rate"],
        rows["amount_minor"].tolist(), strict=True,
    )  # fmt: skip
    return np.array([_nearer(*cell) for cell in cells], dtype=np.int64)


def _nearer(original: int, foreign: str, own: str, rate: str, booked: int) -> int:
    scale = Fraction(10) ** ((minor_digits(own) or 0) - (minor_digits(foreign) or 0))
    exact = (original * Fraction(rate) * scale, original / Fraction(rate) * scale)
    rounded = [_half_up(value) for value in exact]
    return min(rounded, key=lambda value: (abs(value - booked), value))


def _half_up(value: Fraction) -> int:
    sign = -1 if value < 0 else 1
    return sign * int((2 * abs(value) + 1) // 2)


def exchange(
    intake: Intake, matched: Matched, cash: Cash | None, open_items: pd.DataFrame, month: Month,
    home: str, files: Sequence[str],
) -> list[Balance]:  # fmt: skip
    """Every balance of exchange; where nothing is in a foreign currency it says so."""
    found = [
        *realised(intake, matched, month, home, files),
        *revalued(open_items, month, home, intake.records.get("rates")),
        *(conversions(cash) if cash is not None else []),
    ]
    if found:
        return found
    currencies = {
        str(code)
        for record in ("payments", "invoices")
        if record in intake.records
        for code in intake.records[record]["currency"].unique()
    }
    if currencies <= {home}:
        return [balanced(CHECK, "no foreign currency", home, (0, 0), [])]
    return [unknown(CHECK, "No payment of the month could be brought to an invoice.")]
