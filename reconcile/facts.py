"""The fact tables: what matching computes and rules compare, name by name.

A fact is one quantity of one row of a table. Kinds: ``money`` (Int64 minor units of the row's
currency), ``count`` (Int64), ``flag`` (bool, or nullable boolean), ``date`` (datetime64[s], a
calendar date in the shop's zone), ``text``. A fact that is missing (NA) is not known; where a
rule needs it, ``missing`` names the input that would tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

FactKind = Literal["money", "count", "flag", "date", "text"]


@dataclass(frozen=True)
class Fact:
    """One fact of a table: its name, kind and meaning, and the input without which it is NA."""

    name: str
    kind: FactKind
    meaning: str
    missing: str = ""


@dataclass(frozen=True)
class Table:
    """One fact table: what a row of it is, and its facts."""

    name: str
    grain: str
    facts: MappingProxyType[str, Fact]


def _table(name: str, grain: str, *facts: Fact) -> Table:
    return Table(name, grain, MappingProxyType({fact.name: fact for fact in facts}))


_FUNDED = Fact(
    "funded",
    "flag",
    "the customer has paid, and not less than the order's total where both are known",
    "customer_paid_at in the orders",
)
_LIVE = Fact("live", "count", "units ordered, neither cancelled nor refunded")
_SHIPPED = Fact("shipped", "count", "units sent, replacements apart, in the shop's units")
_PAID = Fact("paid", "money", "settled payments less refunds received")
_PAYMENTS = Fact("payments", "count", "settled payments that reached the supplier order")
_PAID_IN_FULL = Fact(
    "paid_in_full", "flag", "paid covers payable; where payable is not known, anything is paid"
)
_LAST_PAID = Fact("last_paid_date", "date", "the last settled payment")
_DISPATCH = Fact("dispatch_days", "count", "business days to dispatch: the quote's, the supplier's")
_UNREAD_SHIPMENT = Fact(
    "unread_shipment", "flag", "a shipment row that was rejected names the order"
)

SUPPLIER_ORDERS = _table(
    "supplier_orders",
    "one customer order at one supplier, in one currency",
    _FUNDED,
    Fact("cancelled", "flag", "the order is cancelled"),
    Fact("nothing_live", "flag", "cancelled, refunded in full, or every line refunded"),
    Fact("ordered", "count", "units ordered"),
    _LIVE,
    _SHIPPED,
    Fact(
        "agreed", "money", "live or sent quantity at the quotes valid on the order date", "quotes"
    ),
    Fact("billed", "money", "invoices less credits; 0 where nothing is billed"),
    Fact("duplicate_billing", "money", "billed beyond the ordered quantity, at its billed cost"),
    Fact("payable", "money", "billed less duplicate billing, else agreed", "invoices or quotes"),
    Fact("to_pay", "flag", "something is left to pay, how much is not known, or nothing was sent"),
    _PAID,
    Fact("unpaid_rest", "money", "payable less paid, 0 where payable is not known"),
    Fact("excess_paid", "money", "paid beyond payable; payable not known: repeated amounts"),
    _PAYMENTS,
    Fact("covered_without_one_payment", "flag", "without one of several payments still in full"),
    Fact("duplicate_billing_paid", "flag", "payable and the duplicate billing are both paid"),
    Fact("repeated_payment", "flag", "payable not known, and two payments of one amount"),
    Fact("paid_or_shipped", "flag", "something is paid or sent"),
    Fact("paid_or_payable", "money", "paid, else payable", "invoices or quotes"),
    Fact("backed", "flag", "the supplier supplies a line of the order, or bills something of it"),
    Fact("pending", "count", "payments that are under way"),
    Fact("undecided", "count", "payments that name the order and could not be allocated"),
    Fact("unread_row", "flag", "a row of money that was rejected names the order"),
    Fact("paid_in_other_currency", "flag", "settled payments in another currency"),
    Fact("customer_paid_date", "date", "the customer's payment"),
    Fact("prepay_date", "date", "the customer's payment, at a supplier that is paid in advance"),
    Fact("invoice_due_date", "date", "the invoice's due date, at a supplier on invoice terms"),
    Fact("invoice_awaited", "flag", "on invoice terms and nothing billed yet"),
    _LAST_PAID,
    Fact("paid_or_shipped_date", "date", "the last payment, else the last shipment"),
    Fact("stopped_date", "date", "the cancellation or the refund, else the last payment"),
)
SUPPLIER_ORDER_LINES = _table(
    "supplier_order_lines",
    "one SKU of one customer order at one supplier, in one currency",
    Fact("ordered", "count", "units ordered"),
    Fact("billed_qty", "count", "units billed less units credited, replacements apart"),
    Fact("duplicate_qty", "count", "units billed beyond the ordered ones"),
    Fact("duplicate_billing", "money", "what is billed for them"),
    Fact("duplicate_billing_paid", "flag", "it is paid too"),
    Fact("last_billed_date", "date", "the last invoice"),
)
ORDER_LINES = _table(
    "order_lines",
    "one line of a customer order",
    _FUNDED,
    Fact("ordered", "count", "units ordered"),
    _LIVE,
    _SHIPPED,
    Fact("missing", "count", "live units that are not sent"),
    _PAID_IN_FULL,
    Fact("share_of_paid", "money", "the line's share of what is paid"),
    Fact("share_of_missing", "money", "its part for the units not sent"),
    _LAST_PAID,
    _DISPATCH,
    _UNREAD_SHIPMENT,
    Fact("has_number", "flag", "the supplier gave a tracking number"),
    Fact("posted", "flag", "the storefront shows a tracking number", "tracking_no in the orders"),
    Fact("first_number_date", "date", "first shipment with a number"),
    Fact("first_number", "text", "the tracking number of that shipment"),
)
DOCUMENTS = _table(
    "documents",
    "an invoice line, payment or parcel line whose order is not in the orders",
    Fact("what", "text", "what kind of document it is"),
    Fact("counts", "flag", "it moves money or goods: settled or pending, billed or sent"),
    Fact("order_undecided", "flag", "several orders could be meant by its reference"),
    Fact("order_unread", "flag", "an order row that was rejected bears its reference"),
    Fact("amount", "money", "its amount; a parcel has none"),
    Fact("dated", "date", "the date of the document"),
)
PAYMENTS = _table(
    "payments",
    "one movement to or from a supplier",
    Fact("amount", "money", "the payment's amount"),
    Fact("unallocated", "money", "what reached no order"),
    Fact("settled", "flag", "the money has moved"),
    Fact("for_orders", "flag", "it is not a top-up of a balance"),
    Fact(
        "names_unknown_order",
        "flag",
        "one of its references is in no order export, or could be several orders",
    ),
    Fact("undecided", "flag", "there is more than one way to allocate it, or none that adds up"),
    Fact("dated", "date", "the payment date"),
    Fact("references", "text", "the references it bears"),
)
SHIPMENTS = _table(
    "shipments",
    "one parcel line",
    Fact("has_number", "flag", "it bears a tracking number", "tracking_no in the shipments"),
    Fact("dated", "date", "the day of dispatch"),
)
INPUTS = _table(
    "inputs",
    "one thing about the files",
    Fact("about", "text", "which check of the input found it"),
    Fact("found", "count", "how many rows"),
    Fact("detail", "text", "what was found"),
    Fact("dated", "date", "the newest row that is meant"),
)

TABLES = MappingProxyType(
    {
        table.name: table
        for table in (
            SUPPLIER_ORDERS,
            SUPPLIER_ORDER_LINES,
            ORDER_LINES,
            DOCUMENTS,
            PAYMENTS,
            SHIPMENTS,
            INPUTS,
        )
    }
)
