"""The facts of orders: of customer orders, their lines, and what of them is at one supplier."""

from __future__ import annotations

from reconcile.facts.fact import Fact, table

_FUNDED = Fact(
    "funded",
    "flag",
    "the customer has paid, and not less than the order's total where both are known",
    "customer_paid_at in the orders",
)
_LIVE = Fact("live", "count", "units ordered, neither cancelled nor refunded")
_SHIPPED = Fact("shipped", "count", "units sent, replacements apart, in the shop's units")
_PAID = Fact("paid", "money", "settled payments less refunds received", told_by="payments")
_PAYMENTS = Fact("payments", "count", "settled payments that reached the supplier order")
_PAID_IN_FULL = Fact(
    "paid_in_full", "flag", "paid covers payable; where payable is not known, anything is paid"
)
_LAST_PAID = Fact("last_paid_date", "date", "the last settled payment")
_DISPATCH = Fact("dispatch_days", "count", "business days to dispatch: the quote's, the supplier's")
_UNREAD_ROW = Fact("unread_row", "flag", "a row of money that was rejected names the order")
_UNREAD_BILL = Fact(
    "unread_bill", "flag", "a row of an order or an invoice that was rejected names the order"
)
_UNREAD_SHIPMENT = Fact(
    "unread_shipment", "flag", "a shipment row that was rejected names the order"
)
SUPPLIER_ORDERS = table(
    "supplier_orders",
    "one customer order at one supplier, in one currency",
    _FUNDED,
    Fact("cancelled", "flag", "the order is cancelled"),
    Fact("nothing_live", "flag", "cancelled, refunded in full, or every line refunded"),
    Fact("ordered", "count", "units ordered"),
    _LIVE,
    _SHIPPED,
    Fact(
        "sent_untold",
        "flag",
        "nothing of it is live, and no file tells whether it was sent: there is none, or a row "
        "that was rejected names the order",
    ),
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
    Fact(
        "backed",
        "flag",
        "the supplier supplies a line of the order, or bills goods of its own for it",
    ),
    Fact("pending", "count", "payments that are under way"),
    Fact("undecided", "count", "payments that name the order and could not be allocated"),
    Fact("refund_undecided", "flag", "one of those is a refund"),
    Fact(
        "perhaps_paid",
        "flag",
        "a payment without a reference may be for it: it is one of the sets of open orders that "
        "add up to the payment, the first two at most, or alone is what was paid",
    ),
    Fact("not_ruled_out", "flag", "of a payment without a reference other sets may add up to it"),
    Fact("perhaps", "text", "which payments without a reference may be for it, as words"),
    _UNREAD_ROW,
    Fact("unbilled", "text", "live units that no invoice bills, where too much is paid, as words"),
    Fact("paid_in_other_currency", "flag", "settled payments in another currency"),
    Fact("customer_paid_date", "date", "the customer's payment"),
    Fact("prepay_date", "date", "the customer's payment, at a supplier that is paid in advance"),
    Fact("invoice_due_date", "date", "the invoice's due date, at a supplier on invoice terms"),
    Fact("invoice_awaited", "flag", "on invoice terms and nothing billed yet"),
    _LAST_PAID,
    Fact("paid_or_shipped_date", "date", "the last payment, else the last shipment"),
    Fact("stopped_date", "date", "the cancellation or the refund, else the last payment"),
    Fact(
        "sent_after_end",
        "flag",
        "something was sent on a later day than it was cancelled or refunded in full",
        "refunded_at in the orders",
    ),
    Fact("ended_date", "date", "the day on which it was cancelled or refunded in full"),
    Fact("sent_after_date", "date", "the first day after it on which something was sent"),
    Fact(
        "number_reused",
        "flag",
        "one of its tracking numbers was used before, for an order of another recipient",
        "recipient_key in the orders",
    ),
    Fact("reused_number", "text", "that tracking number"),
    Fact("reused_days", "count", "days between the two uses"),
    Fact("reused_date", "date", "the later use"),
    Fact("used_before_date", "date", "the use before"),
    Fact("used_before_order", "text", "the order of the use before"),
    Fact("currency_differs", "flag", "billed in another currency than it is quoted or paid in"),
    Fact("billed_in", "text", "the currencies of its bills"),
    Fact("quoted_in", "text", "the currencies of the quotes for what is billed"),
    Fact("paid_in", "text", "the currencies of its payments"),
    Fact("last_billed_date", "date", "the last invoice"),
)
SUPPLIER_ORDER_LINES = table(
    "supplier_order_lines",
    "one SKU of one customer order at one supplier, in one currency",
    Fact("ordered", "count", "units ordered"),
    Fact("billed_qty", "count", "units billed less units credited, replacements apart"),
    Fact("duplicate_qty", "count", "units billed beyond the ordered ones"),
    Fact("duplicate_billing", "money", "what is billed for them"),
    Fact("duplicate_billing_paid", "flag", "it is paid too"),
    _UNREAD_BILL,
    Fact("unread_payment", "text", "where a payment that was rejected names the order, as words"),
    Fact("last_billed_date", "date", "the last invoice"),
)
ORDER_LINES = table(
    "order_lines",
    "one line of a customer order",
    _FUNDED,
    Fact("ordered", "count", "units ordered"),
    _LIVE,
    _SHIPPED,
    Fact("missing", "count", "live units that are not sent"),
    _PAID_IN_FULL,
    Fact("share_of_paid", "money", "the line's share of what is paid", told_by="payments"),
    Fact("share_of_missing", "money", "its part for the units not sent"),
    _LAST_PAID,
    _DISPATCH,
    _UNREAD_SHIPMENT,
    Fact("sent_beside", "text", "what was sent for the order under other SKUs, as words"),
    Fact("has_number", "flag", "the supplier gave a tracking number"),
    Fact("posted", "flag", "the storefront shows a tracking number", "tracking_no in the orders"),
    Fact("first_number_date", "date", "first shipment with a number"),
    Fact("first_number", "text", "the tracking number of that shipment"),
    Fact("extra", "count", "units sent beyond the ordered ones, replacements apart"),
    Fact("last_shipped_date", "date", "the last dispatch, replacements apart"),
    Fact(
        "arrived",
        "flag",
        "all that was sent of the line has arrived, or all of its replacement",
        "delivered_at in the shipments",
    ),
    Fact(
        "promised_date",
        "date",
        "promised to the customer; else the last dispatch and the days that delivery takes: the "
        "quote's, the supplier's, 15; after a replacement not before its own days are over",
    ),
    Fact("delivery", "text", "what is known of its delivery, replacements apart, as words"),
    Fact("delivered_date", "date", "the day on which the last of it arrived, replacements apart"),
    Fact("late_days", "count", "days from the promise to the arrival, 0 where neither is late"),
    Fact("parcels", "count", "parcel lines of the line, replacements too"),
    Fact("shown_sent", "flag", "the storefront shows the line as sent, or a number for it"),
    Fact("shown_sent_date", "date", "when it was sent, or its number posted, by the storefront"),
    Fact("posted_number", "text", "the number that the storefront shows"),
    Fact("supplier_number", "text", "the first number that the supplier gave, as it gave it"),
    Fact(
        "posted_other",
        "flag",
        "the storefront shows a number, and none that the supplier gave for the order",
        "tracking_no in the orders, as it was before a spreadsheet changed it",
    ),
    Fact("posted_date", "date", "when the number was posted, else the first one came"),
)
ORDERS = table(
    "orders",
    "one customer order",
    Fact("customer_paid", "flag", "the customer has paid", "customer_paid_at in the orders"),
    Fact("cancelled", "flag", "the order is cancelled"),
    Fact("refunded", "money", "what the customer got back; 0 where nothing is told"),
    Fact("refund_told", "flag", "something was given back: an amount, units or a date"),
    Fact("order_total", "money", "what the order costs the customer", "order_total in the orders"),
    Fact(
        "paid_amount",
        "money",
        "what the customer paid; 0 where no payment is told",
        "customer_paid in the orders",
    ),
    Fact(
        "customer_excess",
        "money",
        "paid less refunded, beyond the order's total",
        "customer_paid and order_total in the orders",
    ),
    Fact(
        "customer_gap",
        "money",
        "the order's total beyond what the customer paid",
        "customer_paid and order_total in the orders",
    ),
    Fact("customer_paid_date", "date", "the customer's payment"),
)
SALES = table(
    "sales",
    "one customer order at one supplier, in the home currency",
    Fact("sold", "count", "units that count as sold: live, or sent"),
    _UNREAD_BILL,
    Fact("cost_known", "flag", "what is payable to the supplier is known"),
    Fact(
        "may_lose",
        "flag",
        "a rate tells, or is needed to tell: not where one currency covers its cost without one",
    ),
    Fact(
        "revenue",
        "money",
        "their prices less discounts, with their shares of the order's discount and shipping",
        "a rate of the order's day, or of a day before it",
    ),
    Fact(
        "cost",
        "money",
        "what is payable to the supplier",
        "a rate of the order's day, or of a day before it, and one currency of what is billed",
    ),
    Fact(
        "margin",
        "money",
        "revenue less cost",
        "a rate of the order's day, or of a day before it, and one currency of what is billed",
    ),
    Fact("loss", "money", "cost beyond revenue, 0 where there is none"),
    Fact("ordered_date", "date", "the day of the order"),
)
