"""The record types: what a file may bring, column by column.

A column has one name, one kind and one unit everywhere. Kinds say how a text becomes a value
and how the typed column is called:

==========  ==========================================  =============================
kind        value                                       typed column
==========  ==========================================  =============================
text        trimmed text, blank = ""                    name
reference   trimmed text, and its key for comparing     name, name_key
references  one or several references in one cell       name (whole cell); parts apart
sku         trimmed text, and its key for comparing     name, name_key
supplier    the supplier's name in shop.toml            name
currency    ISO 4217 code                               name
country     upper-case country code as given            name
count       whole number, not negative                  name
money       int64 minor units of the row's currency     name_minor
price       int64 millionths of a major unit            name_micro
date        calendar date in the shop's zone            name_date
word        one of a closed list                        name
flag        yes or no                                   name
rate        exact decimal text                          name
==========  ==========================================  =============================
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Kind = Literal[
    "text",
    "reference",
    "references",
    "sku",
    "supplier",
    "currency",
    "country",
    "count",
    "money",
    "price",
    "date",
    "word",
    "flag",
    "rate",
]


@dataclass(frozen=True)
class Column:
    """One canonical column of a record type.

    ``goes_with`` names the date column without which this cell is not known yet: where that
    date is later than the run's date, this cell reads as blank too. ``ahead`` marks dates that
    speak of the future (promises, due and validity dates) and are never blanked.
    ``below_zero`` allows negative amounts.
    """

    name: str
    kind: Kind
    required: bool = False
    whole_order: bool = False
    words: tuple[str, ...] = ()
    goes_with: str = ""
    ahead: bool = False
    below_zero: bool = False

    @property
    def closed(self) -> bool:
        """Whether its cells are of a closed list of words."""
        return self.kind in ("word", "flag")

    @property
    def typed(self) -> str:
        """The column's name once it is parsed, with its unit."""
        stem = self.name.removesuffix("_at").removesuffix("_on").removesuffix("_by")
        stem = stem.removesuffix("_date") or self.name
        return {
            "money": f"{self.name}_minor",
            "price": f"{self.name}_micro",
            "date": f"{stem}_date" if stem != "date" else "date",
        }.get(self.kind, self.name)


@dataclass(frozen=True)
class Record:
    """One record type: its columns, its natural key, and the date of a row.

    ``key`` lists what makes two rows of different files the same row; of alternatives joined
    with ``|`` the first that is filled counts. ``date`` is the column that dates a row, or ""
    where rows have no date of their own. ``exported`` tells whether another program writes it:
    only such files are proposed.
    """

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    date: str = ""
    exported: bool = True

    def column(self, name: str) -> Column:
        """The column with this canonical name; KeyError where there is none."""
        return {column.name: column for column in self.columns}[name]

    @property
    def names(self) -> tuple[str, ...]:
        """The canonical names, in the order of the definition."""
        return tuple(column.name for column in self.columns)


def _must(name: str, kind: Kind, *, below_zero: bool = False) -> Column:
    return Column(name, kind, required=True, below_zero=below_zero)


ORDERS = Record(
    "orders",
    (
        _must("order_ref", "reference"),
        _must("ordered_at", "date"),
        _must("sku", "sku"),
        _must("qty", "count"),
        _must("unit_price", "price"),
        _must("currency", "currency"),
        Column("store", "text"),
        Column("line_no", "text"),
        Column("discount", "money", below_zero=True),
        Column("ship_to_country", "country"),
        Column("recipient_key", "text"),
        Column("supplier", "supplier"),
        Column("promised_by", "date", ahead=True),
        Column("tracking_no", "text", goes_with="tracking_posted_at"),
        Column("tracking_posted_at", "date"),
        Column("sent_at", "date"),
        Column("refunded_qty", "count", goes_with="refunded_at"),
        Column("order_discount", "money", whole_order=True, below_zero=True),
        Column("shipping_charged", "money", whole_order=True),
        Column("tax", "money", whole_order=True),
        Column("order_total", "money", whole_order=True),
        Column("customer_paid_at", "date", whole_order=True),
        Column("customer_paid", "money", whole_order=True, goes_with="customer_paid_at"),
        Column("refunded_at", "date", whole_order=True),
        Column("refunded", "money", whole_order=True, goes_with="refunded_at"),
        Column("cancelled_at", "date", whole_order=True),
    ),
    key=("store", "order_ref", "line_no|sku"),
    date="ordered_at",
)

INVOICES = Record(
    "invoices",
    (
        _must("supplier", "supplier"),
        _must("invoice_no", "reference"),
        _must("invoice_date", "date"),
        _must("order_ref", "reference"),
        _must("sku", "sku"),
        _must("qty", "count"),
        _must("unit_cost", "price", below_zero=True),
        _must("currency", "currency"),
        Column("shipping", "money", below_zero=True),
        Column("tax", "money", below_zero=True),
        Column("other_charges", "money", below_zero=True),
        Column("line_total", "money", below_zero=True),
        Column("due_date", "date", ahead=True),
        Column("kind", "word", words=("invoice", "credit")),
        Column("replacement", "flag"),
    ),
    key=("supplier", "kind", "invoice_no", "order_ref", "sku", "replacement"),
    date="invoice_date",
)

PAYMENTS = Record(
    "payments",
    (
        _must("supplier", "supplier"),
        _must("payment_ref", "reference"),
        _must("paid_at", "date"),
        _must("amount", "money"),
        _must("currency", "currency"),
        Column("order_ref", "references"),
        Column("invoice_no", "references"),
        Column("status", "word", words=("settled", "pending", "failed", "reversed")),
        Column("kind", "word", words=("payment", "refund", "top-up")),
        Column("channel", "text"),
    ),
    key=("supplier", "payment_ref", "order_ref", "invoice_no", "kind"),
    date="paid_at",
)

SHIPMENTS = Record(
    "shipments",
    (
        _must("supplier", "supplier"),
        _must("order_ref", "reference"),
        _must("shipped_at", "date"),
        Column("sku", "sku"),
        Column("qty", "count"),
        Column("carrier", "text"),
        Column("tracking_no", "text"),
        Column("delivered_at", "date"),
        Column("replacement", "flag"),
    ),
    key=("supplier", "order_ref", "sku", "shipped_at", "replacement"),
    date="shipped_at",
)

QUOTES = Record(
    "quotes",
    (
        _must("supplier", "supplier"),
        _must("sku", "sku"),
        _must("unit_cost", "price"),
        _must("currency", "currency"),
        Column("ship_to_country", "country"),
        Column("shipping", "money"),
        Column("shipping_next", "money"),
        Column("min_qty", "count"),
        Column("valid_from", "date", ahead=True),
        Column("valid_to", "date", ahead=True),
        Column("dispatch_days", "count"),
        Column("delivery_days", "count"),
    ),
    key=("supplier", "sku", "currency", "ship_to_country", "min_qty", "valid_from"),
)

SKU_MAP = Record(
    "sku_map",
    (
        _must("sku", "sku"),
        _must("supplier", "supplier"),
        _must("supplier_sku", "sku"),
        Column("units", "count"),
    ),
    key=("sku", "supplier", "supplier_sku"),
)

RATES = Record(
    "rates",
    (
        _must("date", "date"),
        _must("base", "currency"),
        _must("quote", "currency"),
        _must("rate", "rate"),
    ),
    key=("date", "base", "quote"),
    date="date",
)

# One decision a row: on the exception of an id, or on that of a rule and an order.
DECISIONS = Record(
    "decisions",
    (
        Column("id", "text"),
        Column("rule", "text"),
        Column("order_ref", "reference"),
        _must("decided_on", "date"),
        _must("decided_by", "text"),
        _must("reason", "text"),
        Column("until", "date", ahead=True),
        Column("amount", "price"),  # in the currency of the exception, so without one of its own
    ),
    key=("id", "rule", "order_ref", "decided_on"),
    date="decided_on",
    exported=False,
)

RECORDS = MappingProxyType(
    {
        record.name: record
        for record in (ORDERS, INVOICES, PAYMENTS, SHIPMENTS, QUOTES, SKU_MAP, RATES, DECISIONS)
    }
)
