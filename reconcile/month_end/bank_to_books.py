"""bank-to-books: the bank's closing balance and that of the merchant's own books, item by item.

Each item stands on one side. What the bank has not booked yet is on its side; what the books lack
is on theirs, where it is proposed as an entry. Nothing is proposed for the bank.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from reconcile.money import major_text
from reconcile.month_end.balance import Balance, Nature, balanced, items, unknown
from reconcile.month_end.cash import Cash, cut_short, own_rows
from reconcile.month_end.movements import folded_account
from reconcile.month_end.movements_to_bank import differing_groups, whole_groups
from reconcile.month_end.reach import told_missing
from reconcile.month_end.statement_runs import closing_balance, moving

CHECK = "bank-to-books"
# By the place of a row: what an item of it is called where money went out and where it came in.
_NOT_IN_BOOKS: tuple[tuple[str, Nature, tuple[str, str], str], ...] = (
    ("charge", "entry", ("charge-not-booked", "charge-given-back"), "A charge of the bank."),
    ("interest", "entry", ("interest-not-booked", "interest-not-booked"), "Interest."),
    ("returned", "error", ("return-not-booked", "return-not-booked"), "A payment that came back."),
    (
        "booked-twice", "error", ("booked-twice", "booked-twice"),
        "The bank booked again what is booked once already: ask it, or enter it.",
    ),
    (
        "not-recorded", "error", ("payment-not-booked", "receipt-not-booked"),
        "Booked by the bank, and in no record.",
    ),
)  # fmt: skip


def bank_to_books(cash: Cash, balances: pd.DataFrame | None, transit_days: int) -> list[Balance]:
    """One balance per account and currency of the bank."""
    if balances is None:
        return [unknown(CHECK, "There are no balances of the merchant's own books.")]
    return [
        _account(cash, balances, (str(account), str(currency)), transit_days)
        for account, currency in cash.accounts[["account", "currency"]].itertuples(index=False)
    ]


@dataclass(frozen=True)
class _Account:
    rows: pd.DataFrame  # of the month
    moves: pd.DataFrame


def _account(
    cash: Cash, balances: pd.DataFrame, whose: tuple[str, str], transit_days: int
) -> Balance:
    account, currency = whose
    books = _book_balance(cash, balances, account, currency)
    everything = moving(cash)
    everything = everything[
        ((everything["account"] == account) & (everything["currency"] == currency)).to_numpy()
    ]
    closing = closing_balance(everything)
    if books is None:
        cause = f"The books' balance of {cash.month.last} is not known."
        return unknown(CHECK, cause, account, currency)
    if closing is None:
        return unknown(CHECK, "The bank's rows state no balance.", account, currency)
    ours = cash.rows[own_rows(cash)]
    ours = ours[((ours["account"] == account) & (ours["currency"] == currency)).to_numpy()]
    moves = cash.moves
    mine = ((moves["account"] == account) & (moves["currency"] == currency)).to_numpy()
    both = _Account(ours, moves[mine])
    pieces = [*_bank_side(both, transit_days), *_book_side(cash, both), *_tied(both)]
    left = closing + _sum(pieces, "left")
    pieces = _without_entered(pieces, left - books, currency)
    right = books + _sum(pieces, "right")
    causes = [_cause(cash, both, currency)]
    if left != right:
        causes.append(cut_short(cash, account, transit_days))
        causes.append(_abroad(moves, account, currency))
        causes.append(told_missing(cash.gaps[(cash.gaps["account"] == account).to_numpy()]))
    cause = " ".join(filter(None, causes))
    return balanced(CHECK, account, currency, (left, right), pieces, cause)


def _abroad(moves: pd.DataFrame, account: str, currency: str) -> str:
    """Outstanding payments in another currency, whose cost nobody knows before the bank says it."""
    open_ = moves["place"].isin(["", "pending"]) & moves["expected"] & ~moves["before_bank"]
    open_ &= (moves["account"] == account) & (moves["currency"] != currency)
    names = sorted(set(moves.loc[open_.to_numpy(dtype=bool), "name"]))
    if not names:
        return ""
    listed = ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")  # noqa: PLR2004
    return f"What outstanding payments in another currency cost is not booked yet: {listed}."


def _sum(pieces: list[pd.DataFrame], side: str) -> int:
    return sum(int(piece.loc[piece["side"] == side, "amount_minor"].sum()) for piece in pieces)


def _book_balance(cash: Cash, balances: pd.DataFrame, account: str, currency: str) -> int | None:
    """The books' balance at the end of the month's last day; None where it is not given once."""
    wanted = folded_account(account)
    mine = balances[
        (balances["account"].map(folded_account) == wanted).to_numpy()
        & (balances["currency"] == currency).to_numpy()
        & (balances["date"] == str(cash.month.last)).to_numpy()
    ]
    told = mine["balance_minor"].unique()
    return int(told[0]) if len(told) == 1 else None


_SOON = "Recorded, and not booked by the bank at the end of the month."
_LATE = (
    " It has waited for more than {days} days, which {record}-to-bank of its month calls an error "
    "where the bank shows all days."
)


def _bank_side(both: _Account, transit_days: int) -> list[pd.DataFrame]:
    """Receipts in transit and payments outstanding, of whatever month.

    They bring both balances together, however long they wait: what has waited too long says so,
    since it is an error where payments and payouts are held against the bank.
    """
    moves = both.moves
    open_ = moves["place"].isin(["", "pending"]) & moves["expected"] & ~moves["before_bank"]
    waiting = moves[open_.to_numpy(dtype=bool)]
    amount = waiting["amount_minor"].to_numpy(np.int64)
    late = (waiting["waited"] > transit_days) & (waiting["place"] != "pending")
    text = [_SOON + _LATE.format(days=transit_days, record=name) for name in waiting["record"]]
    told = pd.Series(text, index=waiting.index, dtype="str").where(late, _SOON)
    return [
        items(waiting[kind], amount[kind], what, "left", "timing", told[kind])
        for kind, what in ((amount > 0, "receipt-in-transit"), (amount < 0, "outstanding"))
    ]


def _book_side(cash: Cash, both: _Account) -> list[pd.DataFrame]:
    """What the bank booked in the month and the books do not have, or have at another amount."""
    rows = both.rows
    amount = rows["amount_minor"].to_numpy(np.int64)
    out: list[pd.DataFrame] = []
    for place, nature, (paid, received), text in _NOT_IN_BOOKS:
        mine = (rows["place"] == place).to_numpy()
        ways = ((mine & (amount > 0), received), (mine & (amount < 0), paid))
        out += [items(rows[way], amount[way], what, "right", nature, text) for way, what in ways]
    whole = whole_groups(cash, rows)
    same = whole[(whole["value_currency"] == whole["currency"]).to_numpy()]
    differing = differing_groups(both.moves, same)
    gap = -differing["gap_minor"].to_numpy(np.int64)
    text = "Entered with another amount than the bank booked."
    return [*out, items(differing, gap, "amount-differs", "right", "error", text)]


def _without_entered(pieces: list[pd.DataFrame], lacking: int, currency: str) -> list[pd.DataFrame]:
    """The pieces, without the amounts of those that the books have already.

    Rent that is in no record of the shop, or a charge, may well be entered. Where both sides are
    not equal unless some kinds of rows are, and one choice of kinds makes them so, these are.
    """
    sums = {at: _sum([piece], "right") for at, piece in enumerate(pieces)}
    sums = {at: amount for at, amount in sums.items() if amount}
    if lacking == sum(sums.values()):
        return pieces
    fits = [
        chosen
        for size in range(len(sums))
        for chosen in combinations(sums, size)
        if sum(sums[at] for at in chosen) == lacking
    ]
    if not fits or (len(fits) > 1 and fits[0]):
        return pieces
    entered = set(sums) - set(fits[0])
    return [
        _entered(piece, currency) if at in entered else piece for at, piece in enumerate(pieces)
    ]


def _entered(piece: pd.DataFrame, currency: str) -> pd.DataFrame:
    shown = major_text(piece["amount_minor"].astype("Int64"), pd.Series([currency] * len(piece)))
    text = piece["text"] + " The books have it, or they would not agree: " + shown + "."
    return piece.assign(amount_minor=0, what="in-the-books", nature="listed", text=text)


def _tied(both: _Account) -> list[pd.DataFrame]:
    """Records and rows of which nobody can say which belong together; rows cancel records."""
    moves, rows = both.moves, both.rows
    tied_moves = moves[(moves["place"] == "tied").to_numpy()]
    tied_rows = rows[(rows["place"] == "tied").to_numpy()]
    text = "More than one way: which row is of which record cannot be told."
    return [
        items(tied_moves, tied_moves["amount_minor"], "tied-record", "left", "unknown", text),
        items(tied_rows, -tied_rows["amount_minor"], "tied-row", "left", "unknown", text),
    ]


def _cause(cash: Cash, both: _Account, currency: str) -> str:
    causes = []
    if (both.rows["place"] == "tied").any() or (both.moves["place"] == "tied").any():
        causes.append("Some rows of the bank are tied.")
    if (both.rows["place"] == "suggested").any():
        causes.append("A sum is suggested and not confirmed.")
    moves = cash.moves
    nowhere = moves["expected"] & (moves["account"] == "") & (moves["currency"] == currency)
    if nowhere.any():
        names = ", ".join(sorted(set(moves.loc[nowhere, "name"]))[:5])
        causes.append(f"The account of some payments is not told: {names}.")
    return " ".join(causes)
