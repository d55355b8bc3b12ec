"""The cash check of a month: every balance, the proofs, and the tables beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.intake.load import Intake
from reconcile.matching.match import Matched
from reconcile.month_end.ageing import aged
from reconcile.month_end.balance import Balance, unknown
from reconcile.month_end.bank_to_books import bank_to_books
from reconcile.month_end.cash import Cash, cash_of, own_rows
from reconcile.month_end.customers import Window, customers_to_payouts, orders_of
from reconcile.month_end.cut_off import cut_off
from reconcile.month_end.exchange import exchange
from reconcile.month_end.margin import margin
from reconcile.month_end.movements_to_bank import payments_to_bank, payouts_to_bank
from reconcile.month_end.open_items import open_items
from reconcile.month_end.open_payables import open_payables
from reconcile.month_end.payouts import payouts_add_up
from reconcile.month_end.period import Month
from reconcile.month_end.reach import missing_days, reach_of, record_reach
from reconcile.month_end.scorecard import scorecard
from reconcile.month_end.statement_runs import (
    closing_balance,
    moving,
    opening_balance,
    statement_runs,
    supplier_statements_run,
)
from reconcile.month_end.supplier_account import (
    against_statements,
    ledger_of,
    supplier_accounts,
)
from reconcile.month_end.unread import BY_ORDER, Unread, unread_of
from reconcile.shop import Shop

CHECKS = (
    "statement-runs", "bank-to-books", "payments-to-bank", "payout-adds-up", "payouts-to-bank",
    "customers-to-payouts", "supplier-account", "open-items", "cut-off", "exchange", "margin",
)  # fmt: skip


@dataclass(frozen=True)
class Said:
    """What a shop's files say as of the month's last day: read, and matched."""

    shop: Shop
    intake: Intake
    matched: Matched


@dataclass(frozen=True)
class CashCheck:
    """A month that was checked; every amount in minor units.

    ``balances`` in the order of CHECKS. ``bridge``: per account and currency ``opening``, what was
    ``received`` and ``paid``, what no row explains of the way to the stated ``closing``; and the
    booked rows by where they ended (``places``: ``account, currency, place, rows,
    amount_minor``). ``proofs``: ``proof, unit, left, right, holds``. ``margins``:
    tables by supplier, country and SKU.
    """

    month: Month
    balances: tuple[Balance, ...]
    bridge: pd.DataFrame
    places: pd.DataFrame
    proofs: pd.DataFrame
    ageing: pd.DataFrame
    margins: dict[str, pd.DataFrame]
    scorecard: pd.DataFrame


def check_month(said: Said, month: Month, nights: pd.DataFrame | None) -> CashCheck:
    """Run every check over what the shop's files say as of the month's last day.

    ``nights`` are the exceptions by night of a history, None without one (see ``open_items``).
    """
    intake, matched, shop = said.intake, said.matched, said.shop
    files, records = _files(said), intake.records
    setting, home = shop.month_end, shop.home_currency
    untold = _untold(intake, month)
    cash = None if untold else _cash(intake, month, files)
    ledger = ledger_of(matched, records.get("invoices"), records.get("payments"), files)
    payables = open_payables(intake, matched, files)
    margins = margin(intake, matched, month, home, files)
    orders = orders_of(intake, matched, files)
    payouts = records.get("payouts")
    unread = unread_of(shop, intake, month)
    added_up = payouts_add_up(payouts, month, setting.payout_days, files)
    window = Window(
        month, setting.payout_days,
        record_reach(intake, "orders", month), record_reach(intake, "payouts", month),
    )  # fmt: skip
    customers = customers_to_payouts(orders, payouts, window, files)
    balances = [
        *_of_the_bank(said, cash, untold, month, unread),
        *unread.doubted(added_up, {"payouts": ""}),
        *unread.doubted(customers, {"orders": BY_ORDER, "payouts": BY_ORDER}),
        *_of_suppliers(said, ledger, payables, month, unread),
        *open_items(nights, month),
        *cut_off(intake, matched, files),
        *exchange(intake, matched, cash, payables, month, home, files),
        *margins.balances,
    ]
    rank = {name: place for place, name in enumerate(CHECKS)}
    balances.sort(key=lambda balance: rank[balance.check])
    bridge, places = _bridge(cash)
    return CashCheck(
        month=month,
        balances=tuple(balances),
        bridge=bridge,
        places=places,
        proofs=_proofs(cash, bridge, places, balances),
        ageing=aged(payables, month, setting.ageing, setting.ageing_from),
        margins=margins.by,
        scorecard=scorecard(intake, matched, month),
    )


def _untold(intake: Intake, month: Month) -> str:
    """Why the bank tells nothing of the month; blank where it does."""
    if "bank" not in intake.records or intake.records["bank"].empty:
        return "There are no rows of the bank."
    ends = reach_of(intake, month).max()
    if ends < pd.Timestamp(month.first):
        return f"The bank's rows end on {ends.date()}, before the month begins."
    return ""


def _cash(intake: Intake, month: Month, files: Sequence[str]) -> Cash:
    reach, gaps = reach_of(intake, month), missing_days(intake, month)
    return cash_of(intake.records, intake.parts, month, files, reach, gaps)


def _of_the_bank(
    said: Said, cash: Cash | None, untold: str, month: Month, unread: Unread
) -> list[Balance]:
    """The checks of the bank's rows; ``untold``: why there is no cash, blank where there is."""
    records, days = said.intake.records, said.shop.month_end.transit_days
    statements = records.get("statements")
    files = _files(said)
    of_suppliers = [] if statements is None else supplier_statements_run(statements, month, files)
    of_suppliers = unread.doubted(of_suppliers, {"statements": "supplier"})
    if cash is None:
        names = ("statement-runs", "bank-to-books", "payments-to-bank", "payouts-to-bank")
        return [*(unknown(name, untold) for name in names), *of_suppliers]
    books = bank_to_books(cash, records.get("balances"), days)
    return [
        *unread.doubted(statement_runs(cash), {"bank": "account"}),
        *of_suppliers,
        *unread.doubted(books, {"bank": "account", "payments": "", "payouts": ""}),
        *unread.doubted(payments_to_bank(cash, days), {"bank": "", "payments": ""}),
        *unread.doubted(payouts_to_bank(cash, days), {"bank": "", "payouts": ""}),
    ]


def _of_suppliers(
    said: Said, ledger: pd.DataFrame, payables: pd.DataFrame, month: Month, unread: Unread
) -> list[Balance]:
    if ledger.empty:
        return [unknown("supplier-account", "There are neither invoices nor payments.")]
    statements = said.intake.records.get("statements")
    accounts = supplier_accounts(ledger, payables, month)
    if statements is None or statements.empty:
        return [*accounts, unknown("supplier-account", "There are no suppliers' statements.",
                                   "statements")]  # fmt: skip
    stated = against_statements(ledger, statements, month, _files(said))
    owners = dict.fromkeys(("statements", "invoices", "payments"), "supplier")
    return [*accounts, *unread.doubted(stated, owners)]


def _files(said: Said) -> list[str]:
    return [str(name) for name in said.intake.files["file"]]


def _bridge(cash: Cash | None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Per account from opening to closing, and where each unit of its rows of the month ended."""
    names = ["account", "currency", "opening", "received", "paid", "not_explained", "closing"]
    none = pd.DataFrame({name: [] for name in names})
    if cash is None:
        return none, pd.DataFrame({name: [] for name in _PLACES})
    rows = cash.rows[own_rows(cash)].assign(place=_shown_places)
    places = rows.groupby(["account", "currency", "place"], as_index=False, sort=True).agg(
        rows=("amount_minor", "size"), amount_minor=("amount_minor", "sum")
    )
    out = []
    for (account, currency), mine in moving(cash).groupby(["account", "currency"], sort=True):
        here = mine[mine["in_month"].to_numpy(dtype=bool)]
        amount = here["amount_minor"].to_numpy(np.int64)
        closing = closing_balance(mine)
        received, paid = int(amount[amount > 0].sum()), int(amount[amount < 0].sum())
        opening = gap = None
        if closing is not None:
            opening = opening_balance(mine, cash.month)
            gap = closing - opening - received - paid
        row = (account, currency, opening, received, paid, gap, closing)
        out.append(dict(zip(names, row, strict=True)))
    bridge = pd.DataFrame(out, columns=names)
    money = {name: "Int64" for name in names[2:]}  # noqa: C420
    return bridge.astype(money), places


_PLACES = ("account", "currency", "place", "rows", "amount_minor")


def _shown_places(rows: pd.DataFrame) -> pd.Series:
    """Paired rows by what they pay: payments to and from suppliers, or payouts."""
    paired = rows["place"] == "matched"
    refund = paired & (rows["record"] == "payments") & (rows["amount_minor"] > 0)
    named = rows["place"].where(~paired, rows["record"])
    return named.where(~refund, "from suppliers")


def _proofs(
    cash: Cash | None, bridge: pd.DataFrame, places: pd.DataFrame, balances: list[Balance]
) -> pd.DataFrame:
    """Sums that have to be equal: every unit of every row is in one place; items and figures."""
    rows: list[tuple[str, str, int, int]] = []
    if cash is not None:
        mine = cash.rows[own_rows(cash)]
        for (account, currency), of in mine.groupby(["account", "currency"], sort=True):
            here = (places["account"] == account) & (places["currency"] == currency)
            told = f"{account}: rows of the month = their places"
            total = int(of["amount_minor"].sum())
            rows.append((told, str(currency), total, int(places.loc[here, "amount_minor"].sum())))
            told = f"{account}: how many rows = in how many places"
            rows.append((told, "rows", len(of), int(places.loc[here, "rows"].sum())))
            box = bridge[((bridge["account"] == account) & (bridge["currency"] == currency))]
            moved = int(box["received"].iloc[0]) + int(box["paid"].iloc[0])
            rows.append((f"{account}: received less paid = rows", str(currency), moved, total))
    for balance in balances:
        if balance.difference is None:
            continue
        found = balance.items
        said = found.loc[found["side"] == "difference", "amount_minor"].sum()
        told = f"{balance.check} {balance.account}: difference = its items".replace("  ", " ")
        rows.append((told, balance.currency or "count", balance.difference, int(said)))
    out = pd.DataFrame(rows, columns=["proof", "unit", "left", "right"])
    return out.assign(holds=(out["left"] == out["right"]).to_numpy(dtype=bool))
