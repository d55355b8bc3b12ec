"""Money, per supplier order and currency: agreed, billed, payable, paid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.matching.accepted import with_accepted
from reconcile.matching.billing import (
    duplicate_lines,
    invoice_amounts,
    is_bill,
)
from reconcile.matching.columns import (
    Bools,
    Ints,
    combined,
    distinct,
    has,
    in_order,
    placed,
    places,
    rows_once,
    sums,
    text,
    texts_at,
    total,
)
from reconcile.matching.doubts import doubtful
from reconcile.matching.goods import agreed_by_currency
from reconcile.matching.paid import add_paid
from reconcile.matching.payments import Allocation, Invoiced, allocate
from reconcile.matching.suggestions import Suggestions
from reconcile.matching.suppliers import BLANK
from reconcile.matching.tie import Tied


@dataclass(frozen=True)
class Moneys:
    """``rows``: one per supplier order and currency, with its money.

    ``shares``: settled payments and refunds on those rows (``payment, money, amount``, refunds
    negative). ``touched``: supplier orders that an undecided payment could belong to
    (``payment, owner``); ``pending``: those that a payment under way names. ``bills``: billing
    per item and currency. ``undecided``: payments that could not be allocated in full.
    ``on_invoice``: those that name a known invoice. ``searched``: those for a part of one.
    ``suggestions``: what payments without any reference may be for. ``of_invoices``: the row that
    each invoice line is billed on, or -1. ``invoice``: the number of its invoice (supplier,
    invoice number and currency), of which ``invoice_total`` is the amount; ``named_invoice``: the
    one that each of ``paid_invoices`` names, or -1.
    """

    rows: pd.DataFrame
    shares: pd.DataFrame
    touched: pd.DataFrame
    pending: pd.DataFrame
    bills: pd.DataFrame
    line_amount: Ints
    undecided: Bools
    on_invoice: Bools
    searched: Bools
    suggestions: Suggestions
    of_invoices: Ints
    invoice: Ints
    invoice_total: Ints
    named_invoice: Ints


class _Rows:
    """Numbers the pairs of a supplier order and a currency, by both."""

    def __init__(self, owners: list[Ints], currencies: list[Ints], tied: Tied) -> None:
        owner, code = np.concatenate(owners), np.concatenate(currencies)
        # A supplier order without any has a row without a currency.
        bare = np.flatnonzero(~has(owner[owner >= 0], len(tied.supplier_orders)))
        owner = np.append(owner, bare)
        code = np.append(code, np.full(len(bare), BLANK))
        use = owner >= 0
        numbers, first = distinct(combined(owner[use], code[use]))
        owners_of, codes_of = owner[use][first], code[use][first]
        order = in_order(owners_of, codes_of)
        self.frame = pd.DataFrame({"supplier_order": owners_of[order]})
        self.frame["currency"] = texts_at(tied.names.currency, codes_of[order])
        self.frame["currency_code"] = codes_of[order]
        found = np.full(len(owner), -1, dtype=np.int64)
        found[use] = places(order, len(order))[numbers]
        self.numbers = np.split(found, np.cumsum([len(part) for part in owners]))[:-1]


def money_table(tied: Tied, *, searching: bool = True) -> Moneys:
    """Bring agreed, billed and paid money to the supplier orders.

    Where it is not ``searching``, nothing is said of what payments without a reference may be for.
    """
    invoices, payments = tied.invoices, tied.payments
    groups = len(tied.supplier_orders)
    amount = invoice_amounts(invoices)
    # A credit or a replacement alone is no bill: it changes what was agreed.
    bill = is_bill(invoices)
    real = (invoices["order"] >= 0).to_numpy() & bill
    billed_order = has(invoices["supplier_order"].to_numpy()[real], groups)
    owner, currency, agreed = agreed_by_currency(tied)
    open_offer = ~billed_order[owner]
    owner, currency, agreed = owner[open_offer], currency[open_offer], agreed[open_offer]
    paid_currency = payments["currency_code"].to_numpy()[tied.paid_orders["row_id"]]
    rows = _Rows(
        [
            owner,
            invoices["supplier_order"].to_numpy(),
            tied.paid_orders["supplier_order"].to_numpy(),
        ],
        [currency, invoices["currency_code"].to_numpy(), paid_currency],
        tied,
    )
    at_offer, at_invoice, at_paid = rows.numbers
    frame = rows.frame
    size = len(frame)
    frame["agreed_known"] = has(at_offer, size)
    frame["agreed"] = total(at_offer, agreed, size)
    on_row = at_invoice >= 0
    frame["is_billed"] = has(at_invoice[on_row & bill], size)
    frame["billed"] = total(at_invoice[on_row], amount[on_row], size)
    bills = _bills(tied, amount, at_invoice)
    frame["duplicate"] = total(bills["money"].to_numpy(), bills["duplicate"].to_numpy(), size)
    frame["payable"] = np.where(
        frame["is_billed"],
        frame["billed"] - frame["duplicate"],
        frame["agreed"] + frame["billed"],
    )
    frame["payable_known"] = frame["is_billed"] | frame["agreed_known"]
    return _with_payments(tied, frame, bills, amount, (at_invoice, at_paid), searching=searching)


def _bills(tied: Tied, amount: Ints, at_invoice: Ints) -> pd.DataFrame:
    """Billing per item and currency: ``item, money, ordered, billed, excess, duplicate, last``."""
    invoices, components = tied.invoices, tied.components
    part = components["line"].to_numpy()
    needs = tied.lines["ordered"].to_numpy()[part] * components["units"].to_numpy()
    ordered = total(components["item"].to_numpy(), needs, len(tied.items))
    item = invoices["item"].to_numpy()
    on_item = item >= 0
    bill = np.full(len(invoices), -1, dtype=np.int64)
    place, first = distinct(combined(item[on_item], at_invoice[on_item]))
    frame = pd.DataFrame({"item": item[on_item][first], "money": at_invoice[on_item][first]})
    order = in_order(frame["item"].to_numpy(), frame["money"].to_numpy())
    frame = frame.take(order).reset_index(drop=True)
    bill[on_item] = places(order, len(order))[place]
    frame["ordered"] = ordered[frame["item"]]
    billed, excess, duplicate, last = duplicate_lines(
        invoices, bill, amount, frame["ordered"].to_numpy()
    )
    frame["billed_qty"], frame["excess"], frame["duplicate"] = billed, excess, duplicate
    frame["last_billed_date"] = last
    frame["amount"] = total(bill[on_item], amount[on_item], len(frame))
    return frame


def _invoiced(tied: Tied, amount: Ints, at_invoice: Ints) -> tuple[Invoiced, Ints, Ints]:
    """Invoices by supplier, number and currency: each line's, and which each payment names."""
    invoices, payments, numbers = tied.invoices, tied.payments, tied.paid_invoices
    row = numbers["row_id"].to_numpy()
    names = ("supplier_code", "number_code", "currency_code")
    billed = [invoices[name].to_numpy() for name in names]
    asked = [payments["supplier_code"].to_numpy()[row], numbers["number_code"].to_numpy()]
    asked.append(payments["currency_code"].to_numpy()[row])
    pair = combined(*(np.concatenate(two) for two in zip(billed, asked, strict=True)))
    size, place = placed(pair, len(invoices))
    invoice, named = place[: len(invoices)], place[len(invoices) :]
    known = np.flatnonzero(at_invoice >= 0)
    rows, amounts = sums(amount[known], invoice[known], at_invoice[known])
    rows = known[rows]
    found = {"invoice": invoice[rows], "money": at_invoice[rows], "amount": amounts}
    return Invoiced(pd.DataFrame(found), total(invoice, amount, size)), invoice, named


def _with_payments(
    tied: Tied,
    frame: pd.DataFrame,
    bills: pd.DataFrame,
    amount: Ints,
    places: tuple[Ints, Ints],
    *,
    searching: bool,
) -> Moneys:
    payments = tied.payments
    at_invoice, at_paid = places
    invoiced, invoice, named_invoice = _invoiced(tied, amount, at_invoice)
    by_order = pd.DataFrame({"payment": tied.paid_orders["row_id"], "money": at_paid})
    by_invoice = pd.DataFrame({"payment": tied.paid_invoices["row_id"], "invoice": named_invoice})
    all_by_invoice = by_invoice
    with_order = has(by_order["payment"].to_numpy(), len(payments))
    by_invoice = by_invoice[~with_order[by_invoice["payment"].to_numpy()]]
    status, kind = text(payments, "status"), text(payments, "kind")
    settled = ((status == "settled") | (status == "")).to_numpy()
    refund = (kind == "refund").to_numpy()
    counts = settled & (kind != "top-up").to_numpy()
    paid = payments["amount_minor"].to_numpy(dtype=np.int64)
    due = (frame["payable"].to_numpy(), frame["payable_known"].to_numpy())

    def of(chosen: Bools, *, back: bool) -> Allocation:
        mine = [part[chosen[part["payment"]]] for part in (by_order, by_invoice)]
        return allocate(paid, mine[0], mine[1], due, invoiced, back=back)

    out, back = of(counts & ~refund, back=False), of(counts & refund, back=True)
    taken = back.shares[(back.shares["amount"] != 0).to_numpy()]
    shares = pd.concat([out.shares, taken.assign(amount=-taken["amount"])], ignore_index=True)
    under_way = (status == "pending").to_numpy() & ~refund
    waiting = of(under_way, back=False)
    owner = frame["supplier_order"].to_numpy()

    def owned(pairs: pd.DataFrame) -> pd.DataFrame:
        payment = pairs["payment"].to_numpy(np.int64)
        at = owner[pairs["money"].to_numpy(np.int64)]
        return pd.DataFrame({"payment": payment, "owner": at})

    # Of an invoice's orders, those that the amount under way is for: the others stay unpaid.
    named = pd.concat([owned(waiting.shares), owned(waiting.touched)])
    pending = pd.concat(
        [named, doubtful(tied, named, all_by_invoice, under_way, waiting.undecided)]
    )
    undecided = out.undecided | back.undecided
    touched = pd.concat(
        [
            owned(out.touched),
            owned(back.touched),
            doubtful(tied, owned(shares), all_by_invoice, counts, undecided),
        ]
    )
    add_paid(frame, shares, payments)
    on_invoice, bare = _unnamed(by_order, all_by_invoice, len(payments))
    bare &= searching & settled & kind.isin(["payment", ""]).to_numpy() & (paid > 0)
    shares, suggestions = with_accepted(tied, frame, shares, bare)
    return Moneys(
        rows=frame,
        shares=shares,
        touched=rows_once(touched),
        pending=rows_once(pending),
        bills=bills,
        line_amount=amount,
        undecided=undecided,
        searched=out.searched | back.searched | waiting.searched,
        on_invoice=on_invoice,
        suggestions=suggestions,
        of_invoices=at_invoice,
        invoice=invoice,
        invoice_total=invoiced.totals,
        named_invoice=named_invoice,
    )


def _unnamed(
    by_order: pd.DataFrame, by_invoice: pd.DataFrame, payments: int
) -> tuple[Bools, Bools]:
    """Which payments name a known invoice and no order; and which name nothing at all."""
    order = has(by_order["payment"].to_numpy(np.int64), payments)
    number = by_invoice["payment"].to_numpy(np.int64)
    known = has(number[(by_invoice["invoice"] >= 0).to_numpy()], payments)
    return known & ~order, ~order & ~has(number, payments)
