"""margin: what each order of the month brought in and cost, and the month's totals.

Per order: what the customer paid, less refunds, less what is payable to suppliers, less the
processor's fees. In the home currency, each amount at the last rate up to its day, rounded once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.counted import counted
from reconcile.empty import without_rows
from reconcile.intake.load import Intake
from reconcile.matching.columns import Ints, days, number, text, total
from reconcile.matching.match import Matched
from reconcile.money import split_in_proportion
from reconcile.month_end.balance import Balance, balanced, items, unknown
from reconcile.month_end.customers import order_numbers, orders_of
from reconcile.month_end.evidence import places
from reconcile.month_end.exchange import at_rates
from reconcile.month_end.period import Month

CHECK = "margin"
PARTS = ("customer_paid", "refunds", "supplier_cost", "processor_fees")


@dataclass(frozen=True)
class Margin:
    """The balance, and tables by supplier, country and SKU.

    Each table: ``name``, then PARTS and ``margin``, in minor units of the home currency; the parts
    that lower the margin are negative. A table of one shop adds up to the same margin as another.
    """

    balances: list[Balance]
    by: dict[str, pd.DataFrame]


def margin(
    intake: Intake, matched: Matched, month: Month, home: str, files: Sequence[str]
) -> Margin:
    """Orders that customers paid in the month, one by one and in all."""
    orders = orders_of(intake, matched, files)
    if orders["customer_paid_minor"].isna().all():
        cause = "The orders do not say what customers paid."
        return Margin([unknown(CHECK, cause, "", home)], {})
    rates = intake.records.get("rates")
    mine = month.holds(orders["customer_paid_date"])
    parts, lost = _parts(intake, matched, orders, (home, rates))
    rows = parts[mine & ~lost].reset_index(drop=True)
    named = orders[mine & ~lost].reset_index(drop=True)
    each = rows[list(PARTS)].sum(axis=1).to_numpy(np.int64)
    named = named.assign(name=named["order_ref"], date=named["customer_paid_date"])
    pieces = [items(named, each, "order", "left", "listed", "What the order leaves.")]
    bare = pd.DataFrame({"name": [""], "date": [np.datetime64("NaT", "s")], "evidence": [""]})
    for part in PARTS:
        said = part.replace("_", " ") + " of the month's orders"
        pieces.append(items(bare, np.array([int(rows[part].sum())]), part, "right", "listed", said))
    left = int(each.sum())
    right = sum(int(rows[part].sum()) for part in PARTS)
    loose, loose_known = _fees_of_no_order(intake, orders, month, (home, rates), files)
    amount = loose["home"].to_numpy(np.int64)
    told = "A fee that names no known order; it is in no order's margin."
    pieces.append(items(loose, amount, "fee-of-no-order", "right", "listed", told))
    pieces.append(items(loose, amount, "fee-of-no-order", "left", "listed", told))
    left, right = left + int(amount.sum()), right + int(amount.sum())
    count = int((mine & lost).sum())
    cause = f"Of {counted(count, 'order')} the cost or a rate is not known." if count else ""
    cause += "" if loose_known else " A fee has no rate."
    balance = balanced(CHECK, "", home, (left, right), pieces, cause.strip())
    return Margin([balance], _tables(intake, matched, parts, mine & ~lost, loose))


def _parts(
    intake: Intake, matched: Matched, orders: pd.DataFrame, money: tuple[str, pd.DataFrame | None]
) -> tuple[pd.DataFrame, np.ndarray]:
    """PARTS of every order in the home currency, and the orders of which one is not known."""
    home, rates = money
    day = days(orders, "customer_paid_date")
    code = orders["currency"]
    paid, known = at_rates(number(orders, "customer_paid_minor"), code, day, home, rates)
    back, known_back = at_rates(number(orders, "refunded_minor"), code, day, home, rates)
    lost = ~known | ~known_back
    cost, unpriced = _costs(matched, orders, money)
    fees, unknown_fees = _fees(intake, orders, money)
    out = pd.DataFrame(dict(zip(PARTS, (paid, -back, -cost, fees), strict=True)))
    return out, np.asarray(lost | unpriced | unknown_fees)


def _costs(
    matched: Matched, orders: pd.DataFrame, money: tuple[str, pd.DataFrame | None]
) -> tuple[Ints, np.ndarray]:
    rows = matched.tables["supplier_orders"]
    at = rows["order"].to_numpy(np.int64)
    owed = rows["payable"].fillna(0).to_numpy(np.int64)
    day = days(orders, "customer_paid_date")[at]
    cost, known = at_rates(owed, rows["currency"].replace("", money[0]), day, *money)
    unpriced = rows["payable"].isna().to_numpy() & (rows["live"] > 0).to_numpy()
    lost = np.zeros(len(orders), dtype=bool)
    lost[at[~known | unpriced]] = True
    return total(at, cost, len(orders)), lost


def _fees(
    intake: Intake, orders: pd.DataFrame, money: tuple[str, pd.DataFrame | None]
) -> tuple[Ints, np.ndarray]:
    lost = np.zeros(len(orders), dtype=bool)
    payouts = intake.records.get("payouts")
    if payouts is None:
        return np.zeros(len(orders), dtype=np.int64), lost
    fees = payouts[(payouts["kind"] == "fee").to_numpy()]
    at = order_numbers(orders, fees)
    fees, at = fees[at >= 0].reset_index(drop=True), at[at >= 0]
    amount = fees["amount_minor"].to_numpy(np.int64)
    value, known = at_rates(amount, fees["currency"], days(fees, "paid_date"), *money)
    lost[at[~known]] = True
    return total(at, value, len(orders)), lost


def _fees_of_no_order(
    intake: Intake, orders: pd.DataFrame, month: Month, money: tuple[str, pd.DataFrame | None],
    files: Sequence[str],
) -> tuple[pd.DataFrame, bool]:  # fmt: skip
    payouts = intake.records.get("payouts")
    if payouts is None:
        kinds = {"name": "str", "evidence": "str", "date": "datetime64[s]", "home": "int64"}
        return without_rows(kinds), True
    mine = (payouts["kind"] == "fee").to_numpy() & month.holds(payouts["paid_date"])
    mine &= order_numbers(orders, payouts) < 0
    fees = payouts[mine].reset_index(drop=True)
    amount = fees["amount_minor"].to_numpy(np.int64)
    value, known = at_rates(amount, fees["currency"], days(fees, "paid_date"), *money)
    named = fees.assign(name=fees["payout_ref"], date=fees["paid_date"], home=value)
    return named.assign(evidence=places(fees, files)), bool(known.all())


def _tables(
    intake: Intake, matched: Matched, parts: pd.DataFrame, mine: np.ndarray, loose: pd.DataFrame
) -> dict[str, pd.DataFrame]:  # fmt: skip
    """The parts of the orders split over their lines by what the lines cost the customer."""
    lines = matched.tables["order_lines"]
    at = lines["order"].to_numpy(np.int64)
    here = mine[at]
    lines, at = lines[here].reset_index(drop=True), at[here]
    records = intake.records["orders"].iloc[matched.line_rows[here]]
    weight = records["qty"].to_numpy(np.int64) * number(records, "unit_price_micro") // 10_000
    frame = pd.DataFrame({"supplier": lines["supplier"], "SKU": lines["sku"]})
    frame["country"] = text(records, "ship_to_country").to_numpy()
    for part in PARTS:
        amount = parts[part].to_numpy(np.int64)
        sign = np.sign(amount)
        split = split_in_proportion(np.abs(amount), at, weight)
        frame[part] = split * sign[at] if len(at) else split
    rest = pd.DataFrame(dict.fromkeys(("supplier", "SKU", "country"), "(fees of no order)")
                        | {"processor_fees": [int(loose["home"].sum())]})  # fmt: skip
    if rest["processor_fees"].iloc[0]:
        frame = pd.concat([frame, rest], ignore_index=True)
        frame[list(PARTS)] = frame[list(PARTS)].fillna(0).astype("int64")
    out = {}
    for name in ("supplier", "country", "SKU"):
        table = frame.groupby(name, as_index=False)[list(PARTS)].sum()
        table["margin"] = table[list(PARTS)].sum(axis=1)
        table[name] = table[name].replace("", "(not told)")
        table = table.sort_values(["margin", name], ascending=[False, True], ignore_index=True)
        out[name] = table.rename(columns={name: "name"})
    return out
