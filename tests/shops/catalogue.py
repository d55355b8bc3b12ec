"""What the invented shop sells, who supplies it, and what both sides agreed that it costs.

Everything here is constant: the same goods, suppliers and quotes in every shop that is built.
Costs are int64 millionths of a major unit of the supplier's currency, shipping is in its cents.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

KESTREL, ALDER = 0, 1
COUNTRIES = ("IE", "DE", "FR", "US")
BREAK_QTY = 4  # from so many units on, goods of the class "break" cost less each
MICRO_IN_CENT = 10_000
# 1 EUR = 1.10 USD on every day, and the other way round as a rate of its own
USD_FOR_EUR = "1.10"
EUR_FOR_USD = "0.909091"

# plain: whole cents, one price for every quantity. bulky: plain, and each unit is shipped at the
# price of the first. fraction: unit costs finer than a cent. break: cheaper from BREAK_QTY on.
# anywhere: one quote for all countries. unpriced: no quote at all.
Goods = Literal["plain", "bulky", "fraction", "break", "anywhere", "unpriced"]


@dataclass(frozen=True)
class Supplier:
    """A supplier: how files spell it, its terms, and the numbers its documents begin with."""

    name: str
    spellings: tuple[str, ...]
    currency: str
    terms: str
    dispatch_days: int
    delivery_days: int
    due_days: int  # from invoice date to due date, on invoice terms
    invoice_prefix: str
    shipping: tuple[int, ...]  # cents by country, first unit
    shipping_next: tuple[int, ...]


SUPPLIERS = (
    Supplier(
        name="kestrel",
        spellings=("Kestrel Goods Co", "Kestrel Goods", "kestrel"),
        currency="EUR",
        terms="prepay",
        dispatch_days=3,
        delivery_days=12,
        due_days=0,
        invoice_prefix="KG-",
        shipping=(420, 680, 710, 1460),
        shipping_next=(140, 220, 230, 480),
    ),
    Supplier(
        name="alder",
        spellings=("Alder Supply", "alder"),
        currency="USD",
        terms="invoice",
        dispatch_days=5,
        delivery_days=18,
        due_days=14,
        invoice_prefix="AS",
        shipping=(1590, 1430, 1470, 560),
        shipping_next=(510, 470, 480, 190),
    ),
)


@dataclass(frozen=True)
class Item:
    """One thing that the shop sells."""

    sku: str
    name: str
    supplier: int
    goods: Goods
    cost: str  # major units
    rises: bool = False  # costs more from the day on which new quotes begin


ITEMS = (
    Item("LAN-101", "Tin hand lantern", KESTREL, "plain", "8.40"),
    Item("LAN-102", "Brass hand lantern", KESTREL, "plain", "21.60"),
    Item("LAN-103", "Storm lantern", KESTREL, "plain", "34.20"),
    Item("LAN-104", "Porch lantern", KESTREL, "plain", "27.85", rises=True),
    Item("LAN-105", "Garden lantern", KESTREL, "plain", "16.30"),
    Item("LAN-111", "Standing lantern", KESTREL, "bulky", "46.50"),
    Item("LAN-112", "Lantern post", KESTREL, "bulky", "58.10"),
    Item("LAN-121", "Paper lantern, crème", KESTREL, "fraction", "3.125"),
    Item("LAN-122", "Wick, by the metre", KESTREL, "fraction", "0.875", rises=True),
    Item("LAN-131", "Tea light holder", KESTREL, "break", "4.20"),
    Item("LAN-132", "Glass chimney", KESTREL, "break", "6.90"),
    Item("LAN-141", "Gift card holder", KESTREL, "anywhere", "2.10"),
    Item("LAN-190", "Lantern made to order", KESTREL, "unpriced", "74.00"),
    Item("CMP-201", "Tent lamp", ALDER, "plain", "8.15"),
    Item("CMP-202", "Head lamp", ALDER, "plain", "17.65"),
    Item("CMP-203", "Camp lamp", ALDER, "plain", "29.95"),
    Item("CMP-204", "Solar camp lamp", ALDER, "plain", "38.40", rises=True),
    Item("CMP-205", "Clip lamp", ALDER, "plain", "11.30"),
    Item("CMP-211", "Tripod lamp", ALDER, "bulky", "52.70"),
    Item("CMP-212", "Awning lamp", ALDER, "bulky", "44.90"),
    Item("CMP-221", "Reflector sheet", ALDER, "fraction", "2.375"),
    Item("CMP-222", "Lamp cord, by the metre", ALDER, "fraction", "1.125"),
    Item("CMP-231", "Spare bulb", ALDER, "break", "3.60"),
    Item("CMP-232", "Battery pack", ALDER, "break", "9.80"),
    Item("CMP-241", "Lamp hook", ALDER, "anywhere", "1.90"),
)
SKUS = tuple(item.sku for item in ITEMS)
# What a destination adds to the unit cost, in cents
COUNTRY_EXTRA = (0, 30, 45, 110)
RISE, BREAK_OFF = 40, 55  # cents: dearer by new quotes, cheaper from BREAK_QTY on


def _exact_micro(text: str) -> int:
    whole, _, part = text.partition(".")
    return int(whole) * 1_000_000 + int(part.ljust(6, "0"))


def pool(supplier: int, goods: str) -> Ints:
    """Which items of a supplier belong to a class of goods; "any" is every one with a quote."""
    fits = [
        index
        for index, item in enumerate(ITEMS)
        if item.supplier == supplier
        and (item.goods == goods or (goods == "any" and item.goods != "unpriced"))
    ]
    return np.array(fits, dtype=np.int64)


@dataclass(frozen=True)
class Prices:
    """Agreed prices by item, country, period (before and after new quotes) and quantity class."""

    cost_micro: Ints  # item, country, period, below or from BREAK_QTY
    shipping: Ints  # item, country
    shipping_next: Ints
    has_break: Bools
    sales_cents: Ints  # item, what customers pay, in EUR cents


def prices() -> Prices:
    """The price table: a customer pays about twice the dearest cost, so no sale is at a loss."""
    count = len(ITEMS)
    cost = np.zeros((count, len(COUNTRIES), 2, 2), dtype=np.int64)
    first = np.zeros((count, len(COUNTRIES)), dtype=np.int64)
    further = np.zeros_like(first)
    for index, item in enumerate(ITEMS):
        supplier = SUPPLIERS[item.supplier]
        for country in range(len(COUNTRIES)):
            place = 0 if item.goods == "anywhere" else country
            base = _exact_micro(item.cost) + COUNTRY_EXTRA[place] * MICRO_IN_CENT
            cost[index, country] = base
            cost[index, country, 1] += RISE * MICRO_IN_CENT * item.rises
            cost[index, country, :, 1] -= BREAK_OFF * MICRO_IN_CENT * (item.goods == "break")
            first[index, country] = supplier.shipping[place]
            further[index, country] = supplier.shipping_next[place]
            if item.goods == "bulky":
                further[index, country] = first[index, country]
    dearest = cost.max(axis=(1, 2, 3)) // MICRO_IN_CENT + first.max(axis=1)
    return Prices(
        cost_micro=cost,
        shipping=first,
        shipping_next=further,
        has_break=np.array([item.goods == "break" for item in ITEMS]),
        sales_cents=(dearest * 2 // 100 + 1) * 100 + 90,
    )


QUOTE_COLUMNS = (
    "supplier",
    "sku",
    "unit_cost",
    "currency",
    "ship_to_country",
    "shipping",
    "shipping_next",
    "min_qty",
    "valid_from",
    "valid_to",
    "delivery_days",
)


def quote_rows(first_day: str, last_old_day: str, new_day: str) -> list[tuple[str, ...]]:
    """The quotes as text, in the order of QUOTE_COLUMNS; dates as YYYY-MM-DD."""
    table = prices()
    rows: list[tuple[str, ...]] = []
    for index, item in enumerate(ITEMS):
        if item.goods == "unpriced":
            continue
        places = range(1 if item.goods == "anywhere" else len(COUNTRIES))
        spans = [(first_day, last_old_day), (new_day, "")] if item.rises else [(first_day, "")]
        steps = range(2 if item.goods == "break" else 1)
        rows.extend(
            _quote_row(table, index, (place, period, step), span)
            for place in places
            for period, span in enumerate(spans)
            for step in steps
        )
    return rows


def _quote_row(
    table: Prices, index: int, at: tuple[int, int, int], span: tuple[str, str]
) -> tuple[str, ...]:
    """One quote; ``at`` is its country, period and quantity class."""
    place, period, step = at
    item, supplier = ITEMS[index], SUPPLIERS[ITEMS[index].supplier]
    anywhere = item.goods == "anywhere"
    country = "" if anywhere else COUNTRIES[place]
    return (
        supplier.spellings[0],
        item.sku,
        decimal_text(int(table.cost_micro[index, place, period, step]), 6),
        supplier.currency,
        country,
        decimal_text(int(table.shipping[index, place]), 2),
        decimal_text(int(table.shipping_next[index, place]), 2),
        str(BREAK_QTY) if step else "",
        "" if anywhere else span[0],
        span[1],
        str(supplier.delivery_days + 3) if country == "US" else "",
    )


def decimal_text(value: int, digits: int) -> str:
    """A whole number of smallest units as decimal text with at least two decimals.

    >>> decimal_text(3_125_000, 6), decimal_text(420, 2), decimal_text(-5, 2)
    ('3.125', '4.20', '-0.05')
    """
    sign = "-" if value < 0 else ""
    whole, part = divmod(abs(value), 10**digits)
    decimals = f"{part:0{digits}d}".rstrip("0").ljust(2, "0")
    return f"{sign}{whole}.{decimals}"
