"""How cells are read by the queries in polars: references, names, days and amounts."""

from __future__ import annotations

from pathlib import Path

import polars as pl

col = pl.col
CHARGE = ["o", "s"]  # an order, one supplier's part of it
LINE = ["o", "s", "sku"]


def scan(shop: Path, record: str) -> pl.LazyFrame:
    """A file of the shop, every cell as text."""
    return pl.scan_csv(shop / f"{record}.csv", infer_schema=False)


def key(ref: str | pl.Expr) -> pl.Expr:
    """The number of an order, as column ``o``."""
    text = col(ref) if isinstance(ref, str) else ref
    return text.str.extract(r"(\d+)").cast(pl.Int32).alias("o")


def house(name: str) -> pl.Expr:
    """The supplier that a name means."""
    text = col(name).str.to_lowercase()
    kestrel = pl.when(text.str.starts_with("kestrel")).then(pl.lit("kestrel"))
    return kestrel.when(text.str.starts_with("alder")).then(pl.lit("alder"))


def day(stamp: str) -> pl.Expr:
    """The day of a timestamp, which bears the shop's offset already."""
    return col(stamp).str.slice(0, 10).str.to_date("%Y-%m-%d")


def cents(amount: str) -> pl.Expr:
    """An amount in minor units."""
    return (col(amount).cast(pl.Decimal(12, 2)) * 100).cast(pl.Int64)


def times(units: pl.Expr, price: str) -> pl.Expr:
    """Units times a unit price of up to six decimals, in minor units, half up."""
    micro = (col(price).cast(pl.Decimal(14, 6)) * 1_000_000).cast(pl.Int64)
    return (units * micro + 5000) // 10_000
