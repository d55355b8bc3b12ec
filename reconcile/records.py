"""The record types: what a file may bring, column by column (record_kinds.py)."""

from __future__ import annotations

from types import MappingProxyType

from reconcile.record_kinds import Column, Kind, Record, must

__all__ = ["RECORDS", "Column", "Kind", "Record"]

ORDERS = Record(
    "orders",
    (
        must("order_ref", "reference"),
        must("ordered_at", "date"),
        must("sku", "sku"),
        must("qty", "count"),
        must("unit_price", "price"),
        must("currency", "currency"),
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
    unsaid=("store", "line_no"),
)

INVOICES = Record(
    "invoices",
    (
        must("supplier", "supplier"),
        must("invoice_no", "reference"),
        must("invoice_date", "date"),
        must("order_ref", "reference"),
        must("sku", "sku"),
        must("qty", "count", hint="; a credit has its minus in the amount, or is one by its kind"),
        must("unit_cost", "price", below_zero=True),
        must("currency", "currency"),
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
    unsaid=("kind", "replacement"),
)

PAYMENTS = Record(
    "payments",
    (
        must("supplier", "supplier"),
        must("payment_ref", "reference"),
        must("paid_at", "date"),
        must("amount", "money"),
        must("currency", "currency"),
        Column("order_ref", "references"),
        Column("invoice_no", "references"),
        Column("status", "word", words=("settled", "pending", "failed", "reversed")),
        Column("kind", "word", words=("payment", "refund", "top-up")),
        Column("channel", "text"),
    ),
    key=("supplier", "payment_ref", "order_ref", "invoice_no", "kind"),
    date="paid_at",
    unsaid=("order_ref", "invoice_no", "kind"),
)

SHIPMENTS = Record(
    "shipments",
    (
        must("supplier", "supplier"),
        must("order_ref", "reference"),
        must("shipped_at", "date"),
        Column("sku", "sku"),
        Column("qty", "count"),
        Column("carrier", "text"),
        Column("tracking_no", "text"),
        Column("delivered_at", "date"),
        Column("replacement", "flag"),
    ),
    key=("supplier", "order_ref", "sku", "shipped_at", "replacement"),
    date="shipped_at",
    unsaid=("sku", "replacement"),
)

QUOTES = Record(
    "quotes",
    (
        must("supplier", "supplier"),
        must("sku", "sku"),
        must("unit_cost", "price"),
        must("currency", "currency"),
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
        must("sku", "sku"),
        must("supplier", "supplier"),
        must("supplier_sku", "sku"),
        Column("units", "count"),
    ),
    key=("sku", "supplier", "supplier_sku"),
)

RATES = Record(
    "rates",
    (
        must("date", "date"),
        must("base", "currency"),
        must("quote", "currency"),
        must("rate", "rate"),
    ),
    key=("date", "base", "quote"),
    date="date",
)

BANK = Record(
    "bank",
    (
        must("account", "text"),
        must("booked_on", "date"),
        must("amount", "money", below_zero=True),
        must("currency", "currency"),
        # Free text, of which nothing is kept but references and words of the trade
        Column("reference", "narrative"),
        # Read only as far as it names a supplier of the shop: anybody else may be a person
        Column("counterparty", "payee"),
        Column("balance", "money", below_zero=True),
        # "balance": the row states a balance, and moves nothing
        Column("status", "word", words=("booked", "pending", "balance")),
        Column("original_amount", "price", below_zero=True),
        Column("original_currency", "currency"),
        Column("rate", "rate"),
    ),
    key=("account", "booked_on", "amount", "currency", "reference", "balance", "status"),
    date="booked_on",
)

PAYOUTS = Record(
    "payouts",
    (
        must("payout_ref", "reference"),
        must("paid_on", "date"),
        Column("kind", "word", required=True, words=(
            "sale", "refund", "fee", "chargeback", "reserve", "release", "adjustment", "payout",
        )),
        must("amount", "money", below_zero=True),
        must("currency", "currency"),
        Column("order_ref", "reference"),
    ),
    key=("payout_ref", "kind", "order_ref", "paid_on", "currency"),
    date="paid_on",
)  # fmt: skip

STATEMENTS = Record(
    "statements",
    (
        must("supplier", "supplier"),
        must("date", "date"),
        must("document", "reference"),
        must("amount", "money", below_zero=True),
        must("currency", "currency"),
        # Blank where the statement does not say: the sign tells bills from what lowers the debt
        Column("kind", "word", words=("", "opening", "invoice", "credit", "payment", "closing")),
    ),
    key=("supplier", "date", "document", "kind", "currency"),
    date="date",
)

BALANCES = Record(
    "balances",
    (
        must("account", "text"),
        must("date", "date"),
        must("balance", "money", below_zero=True),
        must("currency", "currency"),
    ),
    key=("account", "date", "currency"),
    date="date",
)

# One decision a row: on the exception of an id, or on that of a rule and an order.
DECISIONS = Record(
    "decisions",
    (
        Column("id", "text"),
        Column("rule", "text"),
        Column("order_ref", "reference"),
        must("decided_on", "date"),
        must("decided_by", "text"),
        must("reason", "text"),
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
        for record in (
            ORDERS, INVOICES, PAYMENTS, SHIPMENTS, QUOTES, SKU_MAP, RATES, BANK, PAYOUTS,
            STATEMENTS, BALANCES, DECISIONS,
        )
    }
)  # fmt: skip
