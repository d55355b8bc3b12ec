"""Why a line of a proposed payment should be paid, should not, or cannot be told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from reconcile.money import major_text

PAY, DO_NOT, CANNOT = "pay", "do not pay", "cannot tell"


@dataclass(frozen=True)
class Judged:
    """The verdict on a line, why, and what should be paid in minor units; None: not known."""

    verdict: str
    reason: str
    due: int | None


@dataclass(frozen=True)
class Target:
    """A supplier order that a line would pay, with the facts that decide.

    ``settled``: what payments by its number paid of the invoice that the line names; ``most``:
    what they leave of it, None where the line names the order.
    ``safe``: in pay.csv. ``against``: what speaks against paying it; ``said``: what the rules on
    unpaid orders say. Money in minor units, None where it is not known.
    """

    at: int
    order_ref: str
    supplier: str
    currency: str
    funded: bool | None
    cancelled: bool
    nothing_live: bool
    shipped: int
    payable: int | None
    billed: int
    duplicate: int
    paid: int
    unpaid: int
    pending: bool
    unsure: str
    most: int | None
    settled: int
    safe: bool
    against: str
    said: str

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Target:
        """From a row of facts."""
        return cls(
            at=int(row["at"]),
            order_ref=str(row["order_ref"]),
            supplier=str(row["supplier"]),
            currency=str(row["currency"]),
            funded=None if pd.isna(row["funded"]) else bool(row["funded"]),
            cancelled=bool(row["cancelled"]),
            nothing_live=bool(row["nothing_live"]),
            shipped=int(row["shipped"]),
            payable=None if pd.isna(row["payable"]) else int(row["payable"]),
            billed=int(row["billed"]),
            duplicate=int(row["duplicate_billing"]),
            paid=int(row["paid"]),
            unpaid=int(row["unpaid_rest"]),
            pending=bool(row["pending"] > 0),
            unsure=_unsure(row),
            most=None if pd.isna(row["most"]) else int(row["most"]),
            settled=int(row["settled"]),
            safe=bool(row["safe"]),
            against=str(row["against"]),
            said=str(row["said"]),
        )

    def money(self, minor: int) -> str:
        """An amount of its currency, as people read it."""
        shown = major_text(pd.Series([minor], dtype="Int64"), pd.Series([self.currency]))
        return f"{shown.iloc[0]} {self.currency}"


def _unsure(row: Mapping[str, Any]) -> str:
    """What keeps anybody from telling what is owed; blank where nothing does."""
    if row["undecided"] > 0:
        return "a payment that may be for it could not be allocated"
    if row["unread_row"]:
        return "a row that was rejected names it"
    if row["paid_in_other_currency"]:
        return "it was paid in another currency"
    if row["perhaps_paid"] or row["not_ruled_out"]:
        return "it may be paid already"
    if row["invoice_awaited"]:
        return "it is on invoice terms and not billed yet"
    return ""


def judge_line(
    *,
    amount: int,
    currency: str,
    targets: list[Target],
    lost: str,
    rest: dict[int, int],
    before: Mapping[int, int],
) -> Judged:
    """Judge one line; ``rest``: what is left to pay on each target, lessened by what it pays.

    ``lost``: what of its references leads nowhere, blank where all do. ``before``: the row of
    the first line that paid each target.
    """
    mine = [one for one in targets if one.currency == currency]
    if lost or not mine:
        return _nothing_found(targets, currency, lost)
    for one in mine:
        rest.setdefault(one.at, one.unpaid)
    due = sum(_share(one, rest) for one in mine)
    found = _not_at_all(mine) or _not_known(mine) or _twice(mine, rest, before)
    if found is not None:
        return _without_it(found, mine, rest)
    return _by_amount(amount, due, mine, rest)


def _share(one: Target, rest: Mapping[int, int]) -> int:
    left = rest[one.at]
    return left if one.most is None else max(min(left, one.most), 0)


def _nothing_found(targets: list[Target], currency: str, lost: str) -> Judged:
    if lost:
        return Judged(CANNOT, lost, None)
    others = sorted({one.currency for one in targets} - {"", currency})
    if others:
        said = f"it is payable in {', '.join(others)}, and the line is in {currency}"
        return Judged(CANNOT, said, None)
    if targets:
        said = f"neither an invoice nor a quote says what order {targets[0].order_ref} costs"
        return Judged(CANNOT, said, None)
    return Judged(CANNOT, "no order or invoice of this supplier bears this reference", None)


def _not_at_all(mine: list[Target]) -> Judged | None:
    """What must not be paid, whatever the amount."""
    for one in mine:
        name = f"order {one.order_ref}"
        if one.pending:
            return Judged(DO_NOT, f"{name} is in another payment that is under way", 0)
        if one.nothing_live and not one.shipped:
            ended = "cancelled" if one.cancelled else "refunded in full"
            return Judged(DO_NOT, f"{name} is {ended}, and nothing was sent", 0)
        if one.funded is False:
            return Judged(DO_NOT, f"the customer has not paid for {name}", 0)
        if one.payable is not None and one.unpaid == 0 and not one.unsure:
            said = f"{name} is already paid: {one.money(one.paid)} of {one.money(one.payable)}"
            return Judged(DO_NOT, said, 0)
        if one.most == 0 and one.settled > 0:
            said = f"the invoice is already paid: {one.money(one.settled)} for {name}"
            return Judged(DO_NOT, said, 0)
        if one.against:
            return Judged(DO_NOT, f"{name}: {one.against}", 0)
    return None


def _not_known(mine: list[Target]) -> Judged | None:
    """What nobody can tell from these files."""
    for one in mine:
        name = f"order {one.order_ref}"
        if one.unsure:
            return Judged(CANNOT, f"{name}: {one.unsure}", None)
        if one.payable is None:
            return Judged(CANNOT, f"neither an invoice nor a quote says what {name} costs", None)
        if one.funded is None:
            return Judged(CANNOT, f"the orders do not say whether {name} is paid for", None)
        if not one.safe:
            verdict, _, cause = one.said.partition(": ")
            why = {
                "accepted": "a decision covers that it is not paid",
                "unknown": cause,
                "follows": "it follows from another exception, which comes first",
            }.get(verdict, "the rules do not show it as due, or show it more than once")
            return Judged(CANNOT, f"{name}: {why}", None)
    return None


def _twice(mine: list[Target], rest: Mapping[int, int], before: Mapping[int, int]) -> Judged | None:
    for one in mine:
        if rest[one.at] == 0 and one.at in before:
            said = f"order {one.order_ref} is already paid by row {before[one.at]} of this proposal"
            return Judged(DO_NOT, said, 0)
    return None


def _without_it(found: Judged, mine: list[Target], rest: Mapping[int, int]) -> Judged:
    """The same, with what is due for the others, where one of several must not be paid."""
    others = [one for one in mine if one.safe]
    due = sum(_share(one, rest) for one in others)
    if found.verdict != DO_NOT or len(mine) == 1 or not due:
        return found
    said = f"{found.reason}; for the others {mine[0].money(due)} is due: name their orders"
    return Judged(DO_NOT, said, due)


def _by_amount(amount: int, due: int, mine: list[Target], rest: dict[int, int]) -> Judged:
    """Everything may be paid: is it the right amount?"""
    first = mine[0]
    if amount == due:
        for one in mine:
            rest[one.at] -= _share(one, rest)
        names = ", ".join(one.order_ref for one in mine[:3]) + (", …" if len(mine) > 3 else "")  # noqa: PLR2004
        return Judged(PAY, f"due for {names}", due)
    if amount < due:
        if len(mine) == 1 and amount > 0:
            rest[first.at] -= amount
        said = f"a part only: {first.money(due - amount)} would stay unpaid"
        return Judged(CANNOT, said, due)
    for one in mine:
        rest[one.at] -= _share(one, rest)
    beyond = first.money(amount - due)
    duplicate = sum(one.duplicate for one in mine)
    if duplicate and amount <= due + duplicate:
        return Judged(DO_NOT, f"billed twice: {beyond} is for more units than were ordered", due)
    above = "what is billed" if any(one.billed for one in mine) else "the quote"
    return Judged(DO_NOT, f"above {above}, by {beyond}", due)
