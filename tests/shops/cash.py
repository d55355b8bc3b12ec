"""The money of a shop seen from outside: its bank, the payment processor, suppliers, and its books.

Everything is derived from what the shop's own exports say, and nothing is wrong in it: the
processor shows what customers paid and got back a day later and pays out every Monday; the bank
books a payment on the next business day and a payout two later; suppliers state every document,
payments on the day on which the bank booked them. Amounts are int64 cents, days datetime64[s].
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tests.shops.catalogue import MICRO_IN_CENT, SUPPLIERS, Ints
from tests.shops.columns import round_half_up

EUROS, DOLLARS = "Current account", "Dollar account"
ACCOUNT_OF = {"EUR": EUROS, "USD": DOLLARS}
BANK_RATE = "1.0942"  # what the bank gives for one EUR, in USD
OPENING = {EUROS: 2_500_000, DOLLARS: 50_000}
_SETTLED = ("settled", "")
_FEE_FIXED, _FEE_PER_MILLE = 25, 14
_RATE_DIGITS = 10_000
_NAMES = {spelling: each.name for each in SUPPLIERS for spelling in each.spellings}
_FIRM = {each.name: each.spellings[0].upper() for each in SUPPLIERS}


@dataclass(frozen=True)
class Money:
    """What happened to the money.

    ``customers``: one row per order and ``kind`` (sale, refund): ``order_ref, day, shown`` (when
    the processor shows it), ``amount``. ``paid``: one row per movement with a supplier that the
    bank saw: ``supplier, payment_ref, day, booked, currency, settled`` and ``amount`` as the bank
    sees it. ``payouts``, ``bank`` and ``statements`` hold the columns of these records, ``books``
    what the merchant's books hold: ``account, date, amount``.
    """

    customers: pd.DataFrame
    paid: pd.DataFrame
    payouts: pd.DataFrame
    bank: pd.DataFrame
    statements: pd.DataFrame
    books: pd.DataFrame

    def with_more(self, record: str, rows: list[dict[str, object]]) -> Money:
        """The same with more rows of one record; columns that they lack are blank."""
        old: pd.DataFrame = getattr(self, record)
        new = pd.DataFrame(rows).reindex(columns=old.columns, fill_value="").astype(old.dtypes)
        both = pd.concat([old, new], ignore_index=True)
        return replace(self, **{record: both})


def money_of(tables: Mapping[str, pd.DataFrame], kept_back: Collection[str] = ()) -> Money:
    """The money of a shop whose exports are given as tables of text.

    The processor does not pass on the refunds of the orders ``kept_back``.
    """
    customers = _customers(tables["orders"])
    back = (customers["kind"] == "refund") & customers["order_ref"].isin(kept_back)
    customers = customers[~back].reset_index(drop=True)
    paid = _paid(tables["payments"])
    payouts = _payouts(customers)
    first = min(frame["day"].min() for frame in (customers, paid)) - pd.Timedelta(days=1)
    funds = _funds(paid)
    sent = payouts[payouts["kind"] == "payout"]
    return Money(
        customers=customers,
        paid=paid,
        payouts=payouts,
        bank=_bank(paid, sent, funds, first),
        statements=_documents(tables["invoices"], paid),
        books=_books(paid, sent, funds, first),
    )


def cents(texts: pd.Series) -> Ints:
    """Amounts with two decimals as cents; blank is 0.

    >>> cents(pd.Series(["12.05", "", "-0.50"])).tolist()
    [1205, 0, -50]
    """
    return texts.where(texts != "", "0.00").str.replace(".", "").to_numpy().astype(np.int64)


def _day(texts: pd.Series) -> pd.Series:
    """The local day of dates and moments; NaT where there is none."""
    known = texts.str.slice(0, 10).where(texts != "")
    return pd.to_datetime(known, format="%Y-%m-%d").astype("datetime64[s]")


def bank_day(days: pd.Series, later: int) -> pd.Series:
    """So many business days later; a day off counts as the one before it."""
    shifted = np.busday_offset(days.to_numpy().astype("datetime64[D]"), later, roll="backward")
    return pd.Series(shifted.astype("datetime64[s]"), index=days.index)


def _customers(orders: pd.DataFrame) -> pd.DataFrame:
    whole = orders.drop_duplicates("order_ref")
    pieces = []
    for kind, day, amount in (
        ("sale", "customer_paid_at", "customer_paid"),
        ("refund", "refunded_at", "refunded"),
    ):
        rows = pd.DataFrame({"order_ref": whole["order_ref"], "kind": kind})
        rows["day"], rows["amount"] = _day(whole[day]), cents(whole[amount])
        pieces.append(rows[rows["day"].notna() & (rows["amount"] != 0)])
    out = pd.concat(pieces, ignore_index=True)
    out["shown"] = out["day"] + pd.Timedelta(days=1)
    return out.sort_values(["shown", "kind", "order_ref"], ignore_index=True)


def _payouts(customers: pd.DataFrame) -> pd.DataFrame:
    """Each sale, its fee and each refund, and on Mondays what they came to in the week before."""
    sales = customers[customers["kind"] == "sale"]
    fee = round_half_up(sales["amount"].to_numpy() * _FEE_PER_MILLE, 1000) + _FEE_FIXED
    fees = sales.assign(kind="fee", amount=-fee)
    parts = pd.concat([customers, fees], ignore_index=True)
    parts.loc[parts["kind"] == "refund", "amount"] *= -1
    weekday = parts["shown"].dt.day_of_week
    parts["monday"] = parts["shown"] + pd.to_timedelta(7 - weekday, unit="D")
    parts["monday"] = parts["monday"].map(_paying(parts)).astype("datetime64[s]")
    parts["payout_ref"] = payout_ref(parts["monday"])
    sums = parts.groupby(["payout_ref", "monday"], as_index=False)["amount"].sum()
    sent = sums.assign(kind="payout", amount=-sums["amount"], order_ref="", shown=sums["monday"])
    out = pd.concat([parts, sent], ignore_index=True).rename(columns={"shown": "paid_on"})
    out["currency"] = "EUR"
    out = out.sort_values(["paid_on", "payout_ref", "kind", "order_ref"], ignore_index=True)
    return pd.DataFrame(out[["payout_ref", "paid_on", "kind", "amount", "currency", "order_ref"]])


def payout_ref(mondays: pd.Series) -> pd.Series:
    """What the processor calls the payout of a day."""
    return pd.Series("LP-" + mondays.dt.strftime("%Y%m%d"), dtype="str")


def _paying(parts: pd.DataFrame) -> dict[pd.Timestamp, pd.Timestamp]:
    """The Monday on which each week is paid out: a week without a gain waits for the next."""
    weeks = parts.groupby("monday", as_index=False)["amount"].sum()
    found: dict[pd.Timestamp, pd.Timestamp] = {}
    waiting: list[pd.Timestamp] = []
    carried = 0
    for monday, amount in zip(weeks["monday"], weeks["amount"].tolist(), strict=True):
        waiting.append(monday)
        carried += amount
        if carried > 0:
            found |= dict.fromkeys(waiting, monday)
            waiting, carried = [], 0
    return found | dict.fromkeys(waiting, weeks["monday"].max())


def _paid(payments: pd.DataFrame) -> pd.DataFrame:
    """Settled movements, and of those that came back both ways."""
    seen = payments[payments["status"].isin([*_SETTLED, "reversed"])]
    sign = np.where(seen["kind"] == "refund", 1, -1)
    rows = pd.DataFrame(
        {
            "supplier": seen["supplier"].map(_NAMES),
            "payment_ref": seen["payment_ref"],
            "order_ref": seen["order_ref"],
            "day": _day(seen["paid_at"]),
            "currency": seen["currency"],
            "amount": sign * cents(seen["amount"]),
            "settled": seen["status"].isin(_SETTLED),
        }
    ).reset_index(drop=True)
    rows["booked"] = bank_day(rows["day"], 1)
    return rows


def _funds(paid: pd.DataFrame) -> pd.DataFrame:
    """What is changed into dollars on the first day of each month that needs some."""
    mine = paid[paid["currency"] == "USD"]
    months = mine["booked"].to_numpy().astype("datetime64[M]").astype("datetime64[s]")
    needed = mine.assign(month=months).groupby("month", as_index=False)["amount"].sum()
    needed = needed[needed["amount"] < 0]
    dollars = (-needed["amount"].to_numpy(np.int64) // 10_000 + 1) * 10_000
    rate = int(BANK_RATE.replace(".", ""))
    day = bank_day(needed["month"], 0)
    return pd.DataFrame(
        {"day": day, "dollars": dollars, "euros": round_half_up(dollars * _RATE_DIGITS, rate)}
    )


def _bank(
    paid: pd.DataFrame, sent: pd.DataFrame, funds: pd.DataFrame, first: pd.Timestamp
) -> pd.DataFrame:
    """The rows of both accounts by day; the first of each states a balance and moves nothing."""
    firm = paid["supplier"].map(_FIRM)
    rows = pd.DataFrame(
        {"account": paid["currency"].map(ACCOUNT_OF), "booked_on": paid["booked"]}
        | {"amount": paid["amount"], "reference": _bank_text(paid), "counterparty": firm}
    )
    back = rows[~paid["settled"]]
    back = back.assign(
        amount=-back["amount"], booked_on=bank_day(back["booked_on"], 2),
        reference="RETURNED " + back["reference"],
    )  # fmt: skip
    credits_ = pd.DataFrame(
        {"account": EUROS, "booked_on": bank_day(sent["paid_on"], 2), "amount": -sent["amount"]}
        | {"reference": "SALES " + sent["payout_ref"], "counterparty": "LAMPPAY"}
    )
    dollars = (funds["dollars"] // 100).astype("str") + ".00"
    name = "FX-" + funds["day"].dt.strftime("%m%d")
    out = pd.DataFrame(
        {"account": EUROS, "booked_on": funds["day"], "amount": -funds["euros"]}
        | {"reference": name, "original_amount": "-" + dollars, "original_currency": "USD"}
        | {"rate": BANK_RATE}
    )
    into = pd.DataFrame(
        {"account": DOLLARS, "booked_on": funds["day"], "amount": funds["dollars"]}
        | {"reference": name}
    )
    begin = pd.DataFrame(
        {"account": list(OPENING), "booked_on": first, "amount": 0, "status": "balance"}
    )
    both = pd.concat([begin, out, into, rows, back, credits_], ignore_index=True)
    both["status"] = both["status"].fillna("booked")
    both["currency"] = both["account"].map({name: code for code, name in ACCOUNT_OF.items()})
    return both.fillna("").sort_values(["account", "booked_on"], kind="stable", ignore_index=True)


def _bank_text(paid: pd.DataFrame) -> pd.Series:
    """What the bank's text says: our reference; of some, the only order that is paid for."""
    order = paid["order_ref"]
    once = (order != "") & ~order.str.contains(";") & ~order.duplicated(keep=False)
    once &= (np.arange(len(paid)) % 9 == 0) & paid["settled"]
    return "SEPA " + paid["payment_ref"].where(~once, "ORDER " + order)


def _documents(invoices: pd.DataFrame, paid: pd.DataFrame) -> pd.DataFrame:
    """What suppliers state: bills, credits, and what they were paid when it reached them."""
    amount = line_cents(invoices)
    bills = pd.DataFrame(
        {"supplier": invoices["supplier"].map(_NAMES), "date": _day(invoices["invoice_date"])}
        | {"document": invoices["invoice_no"], "kind": invoices["kind"].replace("", "invoice")}
        | {"amount": np.where(invoices["kind"] == "credit", -amount, amount)}
        | {"currency": invoices["currency"]}
    )
    keys = ["supplier", "date", "document", "kind", "currency"]
    bills = bills.groupby(keys, as_index=False, sort=False).agg(amount=("amount", "sum"))
    settled = paid[paid["settled"]]
    moved = pd.DataFrame(
        {"supplier": settled["supplier"], "date": settled["booked"]}
        | {"document": settled["payment_ref"], "kind": "payment", "amount": settled["amount"]}
        | {"currency": settled["currency"]}
    )
    out = pd.concat([bills, moved], ignore_index=True)
    names = ["supplier", "date", "document", "kind", "amount", "currency"]
    return out.sort_values(["supplier", "date", "document"], kind="stable")[names]


def line_cents(invoices: pd.DataFrame) -> Ints:
    """What each invoice line adds up to: its total, else its parts, half up to the cent."""
    parts = invoices["unit_cost"].str.split(".", expand=True)
    micro = (parts[0] + parts[1].str.pad(6, "right", "0")).to_numpy().astype(np.int64)
    goods = round_half_up(invoices["qty"].to_numpy().astype(np.int64) * micro, MICRO_IN_CENT)
    whole = goods + cents(invoices["shipping"])
    return np.where(invoices["line_total"] != "", cents(invoices["line_total"]), whole)


def _books(
    paid: pd.DataFrame, sent: pd.DataFrame, funds: pd.DataFrame, first: pd.Timestamp
) -> pd.DataFrame:
    """What the merchant writes down on the day on which it is done."""
    settled = paid[paid["settled"]]
    pieces = [
        pd.DataFrame({"account": list(OPENING), "date": first, "amount": list(OPENING.values())}),
        pd.DataFrame(
            {"account": settled["currency"].map(ACCOUNT_OF), "date": settled["day"]}
            | {"amount": settled["amount"]}
        ),
        pd.DataFrame({"account": EUROS, "date": sent["paid_on"], "amount": -sent["amount"]}),
        pd.DataFrame({"account": EUROS, "date": funds["day"], "amount": -funds["euros"]}),
        pd.DataFrame({"account": DOLLARS, "date": funds["day"], "amount": funds["dollars"]}),
    ]
    return pd.concat(pieces, ignore_index=True)
