"""Payments and the orders that they pay, in polars: a reference, several, an invoice, a part."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from tests.bench.polars_cells import CHARGE, cents, col, day, house, key, scan

_SHARE = ["p", "o", "s", "amount"]


def payments_of(shop: Path, as_of: date) -> pl.LazyFrame:
    """The payments by that day that were made or are under way."""
    status = col("status").fill_null("settled")
    return (
        scan(shop, "payments")
        .with_row_index("p")
        .select(
            "p",
            "kind",
            s=house("supplier"),
            on_day=day("paid_at"),
            amount=cents("amount"),
            status=status,
            settled=status == "settled",
            refs=col("order_ref").str.split(";"),
            invoices=col("invoice_no").str.split("; "),
        )
        .filter(col("on_day") <= as_of, col("status").is_in(["settled", "pending"]))
    )


def shares_of(payments: pl.LazyFrame, payable: pl.LazyFrame, bills: pl.LazyFrame) -> pl.LazyFrame:
    """What each payment pays of each order, in minor units."""
    named = (
        payments.filter(col("refs").is_not_null())
        .select("p", "s", "amount", "refs", n=col("refs").list.len())
        .explode("refs")
        .with_columns(key("refs"))
    )
    several = named.filter(col("n") > 1).join(payable.select(*CHARGE, "payable"), on=CHARGE)
    adds_up = (col("payable").sum().over("p") == col("amount")) & (
        col("payable").count().over("p") == col("n")
    )
    return pl.concat(
        [
            named.filter(col("n") == 1).select(_SHARE),
            several.filter(adds_up).select("p", "o", "s", amount="payable"),
            *_by_invoice(payments, bills),
        ]
    )


def _by_invoice(payments: pl.LazyFrame, bills: pl.LazyFrame) -> list[pl.LazyFrame]:
    parts = (
        bills.group_by("s", "i", "o")
        .agg(part=col("amount").sum())
        .with_columns(whole=col("part").sum().over("s", "i"), orders=pl.len().over("s", "i"))
    )
    invoiced = (
        payments.filter(col("refs").is_null(), col("invoices").is_not_null())
        .select("p", "s", "amount", i="invoices", n=col("invoices").list.len())
        .explode("i")
        .join(parts, on=["s", "i"])
    )
    adds_up = col("part").sum().over("p") == col("amount")
    one = invoiced.filter(col("n") == 1)
    less = one.filter(
        col("orders") > 1,
        col("amount") < col("whole"),
        (col("amount") == col("part")) | (col("whole") - col("amount") != col("part")),
    )
    alone = one.filter(col("orders") == 1, col("amount") != col("whole"))
    return [
        invoiced.filter(adds_up).select("p", "o", "s", amount="part"),
        alone.select(_SHARE),
        less.filter(adds_up).select("p", "o", "s", amount="part"),
    ]


def paid_of(shares: pl.LazyFrame, payments: pl.LazyFrame) -> pl.LazyFrame:
    """What was paid for each supplier's part of an order, and how often."""
    signed = pl.when(col("kind") == "refund").then(-col("amount")).otherwise("amount")
    payment = col("settled") & (col("kind") == "payment")
    amounts = col("amount").filter(payment)
    return (
        shares.join(payments.select("p", "kind", "on_day", "settled"), on="p")
        .group_by(CHARGE)
        .agg(
            paid=signed.filter("settled").sum(),
            smallest=amounts.min(),
            payments=amounts.count(),
            repeated=amounts.count() > amounts.drop_nulls().n_unique(),
            last_day=col("on_day").filter(payment).max(),
            pending=(~col("settled")).any(),
        )
    )
