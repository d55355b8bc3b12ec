"""``python -m tests.bench.polars_four SHOP AS_OF OUT``: four exceptions, by polars alone.

The queries of tests.bench.duckdb_four once more, table by table, as lazy frames: they know the
same, look for the same and write the same. What several queries need is worked out once: without
that polars reads the files again for each.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from datetime import date
from pathlib import Path

import polars as pl

from tests.bench.polars_cells import CHARGE, LINE, cents, col, day, house, key, scan, times
from tests.bench.polars_payments import paid_of, payments_of, shares_of

_HOLIDAYS = {"kestrel": (3, [date(2026, 8, 3)]), "alder": (5, [date(2026, 9, 28)])}


def lines_of(shop: Path, as_of: date) -> pl.LazyFrame:
    """The order lines that were ordered by that day."""
    by_sku = pl.when(col("sku").str.starts_with("LAN")).then(pl.lit("kestrel"))
    return (
        scan(shop, "orders")
        .select(
            key("order_ref"),
            "order_ref",
            "sku",
            col("qty").cast(pl.Int64),
            country="ship_to_country",
            s=pl.coalesce(house("supplier"), by_sku.otherwise(pl.lit("alder"))),
            back=col("refunded_qty").cast(pl.Int64).fill_null(0),
            ordered=day("ordered_at"),
            paid_on=day("customer_paid_at"),
            paid=cents("customer_paid"),
            asked=cents("order_total"),
            refunded=pl.when(day("refunded_at") <= as_of).then(cents("refunded")),
            cancelled=day("cancelled_at") <= as_of,
        )
        .filter(col("ordered") <= as_of)
    )


def orders_of(lines: pl.LazyFrame, as_of: date) -> pl.LazyFrame:
    """Whether the customer paid each order, and whether it has ended."""
    back, paid, asked = (col(name).max() for name in ("refunded", "paid", "asked"))
    whole = (back > 0) & (back >= pl.min_horizontal(asked, paid))
    return lines.group_by("o").agg(
        col("paid_on").max(),
        funded=(col("paid_on").max() <= as_of) & (paid >= asked).fill_null(value=True),
        cancelled=col("cancelled").any(),
        ended=whole.fill_null(value=False) | col("cancelled").any(),
    )


def bills_of(shop: Path, as_of: date) -> pl.LazyFrame:
    """The invoice lines by that day; a credit is negative."""
    units = col("qty").cast(pl.Int64)
    built = times(units, "unit_cost") + cents("shipping").fill_null(0)
    return (
        scan(shop, "invoices")
        .select(
            key("order_ref"),
            s=house("supplier"),
            i="invoice_no",
            on_day=day("invoice_date"),
            due=day("due_date"),
            sku=col("sku").str.to_uppercase(),
            qty=units,
            credit=col("kind").eq_missing("credit"),
            amount=pl.coalesce(cents("line_total"), built)
            * pl.when(col("kind").eq_missing("credit")).then(-1).otherwise(1),
        )
        .filter(col("on_day") <= as_of)
    )


def parcels_of(shop: Path, as_of: date) -> pl.LazyFrame:
    """The parcels by that day."""
    return (
        scan(shop, "shipments")
        .select(
            key("order_ref"),
            "order_ref",
            "tracking_no",
            s=house("supplier"),
            sku=col("sku").str.to_uppercase(),
            qty=col("qty").cast(pl.Int64),
            on_day=day("shipped_at"),
            again=col("replacement").is_not_null() | col("order_ref").str.ends_with("-R"),
        )
        .filter(col("on_day") <= as_of)
    )


def live_of(lines: pl.LazyFrame, orders: pl.LazyFrame, parcels: pl.LazyFrame) -> pl.LazyFrame:
    """What is left to send of each line, and the quantity that has to be paid."""
    sent = parcels.filter(~col("again")).group_by(LINE).agg(went=col("qty").sum(), x=pl.lit(1))
    whole = sent.filter(col("sku").is_null()).select(*CHARGE, w=pl.lit(1))
    everything = col("w").is_not_null()
    went = pl.min_horizontal(col("went").fill_null(0), "qty")
    return (
        lines.join(orders.select("o", "ended"), on="o")
        .join(sent, on=LINE, how="left")
        .join(whole, on=CHARGE, how="left")
        .with_columns(
            live=pl.when("ended").then(0).otherwise(col("qty") - col("back")),
            sent=col("x").is_not_null() | everything,
        )
        .with_columns(
            due_qty=pl.max_horizontal("live", pl.when(everything).then("qty").otherwise(went))
        )
        .select(*LINE, "order_ref", "country", "ordered", "live", "sent", "due_qty")
    )


def agreed_of(live: pl.LazyFrame, shop: Path) -> pl.LazyFrame:
    """What was agreed for each supplier's part of an order; null where a price is missing."""
    asked = ["sku", "country", "due_qty", "ordered"]
    quotes = scan(shop, "quotes").select(
        "unit_cost",
        "valid_from",
        "valid_to",
        sku=col("sku").str.to_uppercase(),
        to="ship_to_country",
        first=cents("shipping"),
        further=cents("shipping_next"),
        least=col("min_qty").cast(pl.Int64).fill_null(0),
    )
    amount = times(col("due_qty"), "unit_cost") + col("first")
    amount += col("further") * (col("due_qty") - 1)
    prices = (
        live.select(asked)
        .unique()
        .join(quotes, on="sku")
        .filter(
            (col("to") == col("country")).fill_null(value=True),
            col("least") <= pl.max_horizontal("due_qty", 1),
            (day("valid_from") <= col("ordered")).fill_null(value=True),
            (day("valid_to") >= col("ordered")).fill_null(value=True),
        )
        .sort("to", "least", "valid_from", descending=[False, True, True], nulls_last=True)
        .unique(asked, keep="first")
        .select(*asked, amount=pl.when(col("due_qty") == 0).then(0).otherwise(amount))
    )
    priced = col("amount").is_not_null() | (col("due_qty") == 0)
    return (
        live.join(prices, on=asked, how="left")
        .group_by(CHARGE)
        .agg(
            col("live").sum(),
            col("order_ref").first(),
            col("sent").any(),
            agreed=pl.when(priced.all()).then(col("amount").sum()),
        )
    )


def twice_of(bills: pl.LazyFrame, lines: pl.LazyFrame) -> pl.LazyFrame:
    """Billed beyond what was ordered, taken from the latest invoices."""
    signed = pl.when("credit").then(-col("qty")).otherwise("qty")
    extra = (
        bills.join(lines.select(*LINE, ordered="qty"), on=LINE)
        .group_by(LINE)
        .agg(units=signed.sum() - col("ordered").first())
        .filter(col("units") > 0)
    )
    units = pl.min_horizontal(col("units") - col("after"), "qty")
    share = (2 * col("amount") * units + col("qty")) // (2 * col("qty"))
    return (
        bills.join(extra, on=LINE)
        .filter(~col("credit"))
        .sort("on_day", "i", descending=True)
        .with_columns(after=col("qty").cum_sum().over(LINE) - col("qty"))
        .filter(col("units") > col("after"))
        .group_by(CHARGE)
        .agg(twice=share.sum())
    )


def payable_of(agreed: pl.LazyFrame, bills: pl.LazyFrame, twice: pl.LazyFrame) -> pl.LazyFrame:
    """What is to be paid: what was billed, once; what was agreed where nothing was billed."""
    billed = bills.group_by(CHARGE).agg(billed=col("amount").sum(), due=col("due").min())
    return (
        agreed.join(billed, on=CHARGE, how="left")
        .join(twice, on=CHARGE, how="left")
        .with_columns(col("twice").fill_null(0))
        .with_columns(payable=pl.coalesce(col("billed") - col("twice"), "agreed"))
    )


def deadline() -> pl.Expr:
    """The last day to dispatch what was paid on ``last_day``, in the supplier's business days."""
    (kestrel_days, kestrel), (alder_days, alder) = _HOLIDAYS["kestrel"], _HOLIDAYS["alder"]
    paid = col("last_day").dt
    return (
        pl.when(col("s") == "kestrel")
        .then(paid.add_business_days(kestrel_days, holidays=kestrel, roll="backward"))
        .otherwise(paid.add_business_days(alder_days, holidays=alder, roll="backward"))
    )


def charges_found(facts: pl.LazyFrame, as_of: date) -> list[pl.LazyFrame]:
    """Unpaid and double-paid."""
    due = pl.when(col("s") == "alder").then("due").otherwise(col("paid_on").dt.offset_by("1d"))
    unpaid = facts.filter(
        col("funded"),
        col("live") > 0,
        col("paid") <= 0,
        (col("payable") > 0).fill_null(value=True),
        ~col("pending"),
        due < as_of,
    )
    again = (col("payments") > 1) & (col("paid") - col("smallest") >= col("payable"))
    more = (col("paid") > col("payable")) & (again | (col("twice") > 0))
    double = facts.filter(
        pl.when(col("payable").is_null()).then("repeated").otherwise(more),
        ~(col("ended") & ~col("sent") & (col("paid") > 0)),
    )
    return [
        unpaid.select(rule=pl.lit("unpaid"), order_ref="order_ref", sku=pl.lit("")),
        double.select(rule=pl.lit("double-paid"), order_ref="order_ref", sku=pl.lit("")),
    ]


def goods_found(
    live: pl.LazyFrame, facts: pl.LazyFrame, parcels: pl.LazyFrame, as_of: date
) -> list[pl.LazyFrame]:
    """Unfulfilled and missing-tracking."""
    paid = facts.filter(
        col("paid") > 0,
        (col("paid") >= col("payable")).fill_null(value=True),
        col("funded").fill_null(value=False) | col("cancelled"),
        deadline() < as_of,
    )
    unsent = live.filter(col("live") > 0, ~col("sent")).join(paid.select(CHARGE), on=CHARGE)
    names = live.group_by("o").agg(named=col("order_ref").first())
    untracked = parcels.filter(
        col("tracking_no").is_null(), col("on_day").dt.offset_by("2d") < as_of
    ).join(names, on="o", how="left")
    return [
        unsent.select("order_ref", "sku", rule=pl.lit("unfulfilled")),
        untracked.select(
            rule=pl.lit("missing-tracking"),
            order_ref=pl.coalesce("named", "order_ref"),
            sku=col("sku").fill_null(""),
        ),
    ]


def once(plans: Iterable[pl.LazyFrame]) -> list[pl.LazyFrame]:
    """Plans worked out together, as frames to go on from."""
    return [frame.lazy() for frame in pl.collect_all(plans)]


def main(shop: Path, as_of: date, out: Path) -> None:
    """Write what is open in the shop's exports on a day."""
    lines, bills, parcels, payments = once(
        each(shop, as_of) for each in (lines_of, bills_of, parcels_of, payments_of)
    )
    (orders,) = once([orders_of(lines, as_of)])
    (live,) = once([live_of(lines, orders, parcels)])
    (payable,) = once([payable_of(agreed_of(live, shop), bills, twice_of(bills, lines))])
    paid = paid_of(shares_of(payments, payable, bills), payments)
    (facts,) = once(
        [
            payable.join(orders, on="o")
            .join(paid, on=CHARGE, how="left")
            .with_columns(col("paid").fill_null(0), col("pending").fill_null(value=False))
        ]
    )
    found = [*charges_found(facts, as_of), *goods_found(live, facts, parcels, as_of)]
    columns = ["rule", "order_ref", "sku"]
    every = pl.concat([each.select(columns) for each in found])
    every.sort(columns).collect().write_csv(out)


if __name__ == "__main__":
    main(Path(sys.argv[1]), date.fromisoformat(sys.argv[2]), Path(sys.argv[3]))
