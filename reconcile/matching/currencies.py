"""In which currencies a supplier order is billed, quoted and paid."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.joined import joined_texts
from reconcile.matching.columns import (
    Ints,
    combined,
    count,
    days,
    distinct,
    has,
    latest,
    numbered,
    pairs_of,
    sums,
    text,
    texts_at,
)
from reconcile.matching.suppliers import BLANK
from reconcile.matching.tie import Tied


def add_currencies(orders: pd.DataFrame, tied: Tied, billed: pd.DataFrame) -> None:
    """Add to the supplier orders whether their bills are in another currency than the rest.

    ``billed`` are the facts of invoice lines. On the row that speaks for the supplier order.
    """
    names, size = tied.names.currency, len(tied.supplier_orders)
    counted = (billed["supplier_order"] >= 0) & (billed["counted_qty"] > 0)
    mine = np.flatnonzero(counted.to_numpy())
    owner = billed["supplier_order"].to_numpy(np.int64)[mine]
    currency = tied.invoices["currency_code"].to_numpy()[mine]
    _, quoted_in = _codes(names, billed["quoted_in"].iloc[mine])
    elsewhere = quoted_in != BLANK
    quoted = billed["quote_row"].to_numpy()[mine] >= 0
    quotes = (
        np.append(owner[elsewhere], owner[quoted]),
        np.append(quoted_in[elsewhere], currency[quoted]),
    )
    named = _paid_by_number(tied)
    _, order_currency = _codes(names, orders["currency"])
    of_orders = orders["supplier_order"].to_numpy()
    settled = (orders["paid"] != 0).to_numpy()  # money given back counts too
    paid = (np.append(of_orders[settled], named[0]), np.append(order_currency[settled], named[1]))
    both = combined(np.append(owner, paid[0]), np.append(currency, paid[1]))
    other = has(paid[0][~np.isin(both[len(owner) :], both[: len(owner)])], size)
    differs = has(owner, size) & (has(owner[elsewhere], size) | other)
    orders["currency_differs"] = orders["main"].to_numpy(dtype=bool) & differs[of_orders]
    for name, pairs, none in (
        ("billed_in", (owner, currency), ""),
        ("quoted_in", quotes, "none that is known"),
        ("paid_in", paid, "none so far"),
    ):
        shown, place = _joined(pairs, names, size, none)
        orders[name] = texts_at(shown, place[of_orders])
    dates = days(billed, "dated")[mine]
    orders["last_billed_date"] = latest(owner, dates, size)[of_orders]


def _codes(names: pd.Series, currency: pd.Series) -> list[Ints]:
    """The codes of the currencies' names, which are as they stand, and those of a column."""
    return numbered(names, currency)[0]


def _paid_by_number(tied: Tied) -> tuple[Ints, Ints]:
    """Settled payments that name an invoice of the supplier, which is in another currency.

    Supplier orders of the invoice, and the currencies of the payments.
    """
    payments, numbers, invoices = tied.payments, tied.paid_invoices, tied.invoices
    status = text(payments, "status").isin(["settled", ""])
    chosen = (status & text(payments, "kind").isin(["payment", ""])).to_numpy()
    row = numbers["row_id"].to_numpy(np.int64)
    use = chosen[row]
    row, number = row[use], numbers["number_code"].to_numpy()[use]
    supplier, currency = (
        np.append(invoices[name].to_numpy(), payments[name].to_numpy()[row])
        for name in ("supplier_code", "currency_code")
    )
    size = len(invoices)
    document, _ = distinct(
        combined(supplier, np.append(invoices["number_code"].to_numpy(), number))
    )
    same, _ = distinct(combined(document, currency))
    pairs = int(same.max(initial=-1)) + 1
    lost = np.flatnonzero(~has(same[:size], pairs)[same[size:]])  # not billed in its currency
    documents = int(document.max(initial=-1)) + 1
    at, bill = pairs_of(document[size:][lost], document[:size], documents)
    owner = invoices["supplier_order"].to_numpy()[bill]
    known = owner >= 0
    return owner[known], currency[size:][lost][at][known]


def _joined(
    pairs: tuple[Ints, Ints], names: pd.Series, size: int, none: str
) -> tuple[pd.Series, Ints]:
    """The currencies of each owner as one text: texts, and which of them each owner has."""
    owner, currency = pairs
    rows, _ = sums(np.ones(len(owner), dtype=np.int64), owner, currency)
    owner, currency = owner[rows], currency[rows]
    several = count(owner, size)[owner] > 1
    place = np.full(size, len(names), dtype=np.int64)
    place[owner[~several]] = currency[~several]  # most have one
    joined = joined_texts(pd.Series(owner[several]), texts_at(names, currency[several]), " and ")
    place[joined.index.to_numpy()] = len(names) + 1 + np.arange(len(joined))
    shown = pd.concat([names, pd.Series([none], dtype="str"), joined], ignore_index=True)
    return shown, place
