"""The facts of documents: invoice lines, payments, parcel lines, and of the input."""

from __future__ import annotations

from reconcile.facts.fact import Fact, table

INVOICE_LINES = table(
    "invoice_lines",
    "one line of a supplier's invoice",
    Fact("order_known", "flag", "its order is in the orders"),
    Fact("on_order", "flag", "its SKU is on the order, as the shop's or as a supplier's for it"),
    Fact("of_another", "flag", "its SKU is on the order, on lines of another supplier alone"),
    Fact("elsewhere", "text", "whose line it is on, as words"),
    Fact("order_unread", "flag", "an order row that was rejected bears its reference"),
    Fact("map_unread", "flag", "an entry of the SKU map that was rejected bears its SKU, or none"),
    Fact("qty", "count", "units billed"),
    Fact("counted_qty", "count", "units that are neither credited nor billed twice; no credits"),
    Fact("amount", "money", "what is billed for them"),
    Fact("paid_too", "flag", "what is billed for its supplier order is paid in full"),
    Fact("document", "text", "the invoice number"),
    Fact("billed_sku", "text", "the SKU as the supplier writes it"),
    Fact("line_total", "money", "the total that the line states, of a credit without its sign"),
    Fact("parts_total", "money", "quantity at unit cost, shipping, tax and other charges"),
    Fact("total_gap", "money", "between the two, 0 where no total is stated"),
    Fact("total_excess", "money", "what the total is too much, not known where it is none"),
    Fact("no_quote", "flag", "there are quotes of the supplier, and none is valid for the line"),
    Fact("quote_unread", "flag", "a quote that was rejected bears its SKU, or none"),
    Fact("price_unread", "flag", "a quote that was rejected bears its SKU"),
    Fact(
        "overcharge",
        "money",
        "unit cost and shipping beyond the quote, less what was credited",
        "one quote that is valid for the line, and ship_to_country in the orders",
    ),
    Fact("quoted_amount", "money", "what the quote asks for the units and their shipping"),
    Fact("rate_difference", "money", "the same, where another country's quote is billed; else 0"),
    Fact("other_country", "text", "the countries whose quote is exactly what is billed"),
    Fact("for_country", "text", "the country that the goods go to"),
    Fact("billed_at", "text", "unit cost and shipping as billed, of a line that is told"),
    Fact("quoted_at", "text", "unit cost and shipping as quoted, of a line that is told"),
    Fact("ordered_date", "date", "the day of the order, which decides the quote"),
    Fact("dated", "date", "the date of the invoice"),
)
SMALL_DIFFERENCES = table(
    "small_differences",
    "what one supplier billed too much within the tolerance, in one month and currency",
    Fact("total", "money", "the sum of those differences"),
    Fact("lines", "count", "invoice lines with such a difference"),
    Fact("dearest", "money", "the largest of them"),
    Fact("month", "text", "the month of the invoices"),
    Fact("dated", "date", "the last of those invoices"),
)
DOCUMENTS = table(
    "documents",
    "an invoice line, payment or parcel line whose order is not in the orders",
    Fact("what", "text", "what kind of document it is"),
    Fact("found", "text", "whether its reference is no order's or could be several's, as words"),
    Fact("counts", "flag", "it moves money or goods: settled or pending, billed or sent"),
    Fact("order_undecided", "flag", "several orders could be meant by its reference"),
    Fact("order_unread", "flag", "an order row that was rejected bears its reference"),
    Fact("amount", "money", "its amount; a parcel has none"),
    Fact("dated", "date", "the date of the document"),
)
PAYMENTS = table(
    "payments",
    "one movement to or from a supplier",
    Fact("what", "text", "a payment to the supplier, or a refund from it, as words"),
    Fact("amount", "money", "the payment's amount"),
    Fact("unallocated", "money", "what reached no order by any reference"),
    Fact("settled", "flag", "the money has moved"),
    Fact("for_orders", "flag", "it is not a top-up of a balance"),
    Fact(
        "names_unknown_order",
        "flag",
        "one of its references is in no order export, or could be several orders",
    ),
    Fact("undecided", "flag", "there is more than one way to allocate it, or none that adds up"),
    Fact(
        "suggested",
        "money",
        "what is left to pay for the only open orders that add up to it, of a payment without a "
        "reference",
    ),
    Fact("several_ways", "flag", "it has no reference, and several sets of open orders add up"),
    Fact("contested", "flag", "the same, and another payment adds up to one of its only orders"),
    Fact("gave_up", "flag", "the same, and there are too many sets of open orders to try all"),
    Fact(
        "by_decision",
        "flag",
        "it has no reference, and a decision says which orders it pays",
    ),
    Fact("suggestion", "text", "which open orders add up to it, or were accepted, as words"),
    Fact("dated", "date", "the payment date"),
    Fact("references", "text", "the references it bears"),
)
POSSIBLE_DOUBLES = table(
    "possible_doubles",
    "payments of one amount to one supplier that look alike, some of them not decided",
    Fact("payments", "count", "how many there are"),
    Fact("open", "count", "those that reached no order"),
    Fact("payables", "count", "payments of the amount that orders and invoices account for"),
    Fact("amount", "money", "the amount of each"),
    Fact("excess", "money", "payments beyond what is accounted for, less what was given back"),
    Fact("alike", "text", "in which way they are alike"),
    Fact("document", "text", "the payment references"),
    Fact("first_date", "date", "the first of the payments"),
    Fact("dated", "date", "the last of the payments"),
)
SHIPMENTS = table(
    "shipments",
    "one parcel line",
    Fact("has_number", "flag", "it bears a tracking number", "tracking_no in the shipments"),
    Fact("dated", "date", "the day of dispatch"),
    Fact(
        "number_wrong",
        "flag",
        "one of its tracking numbers was changed by a spreadsheet, fails the check digit of its "
        "shape, or has none of the shapes that the shop allows",
    ),
    Fact("number_fault", "text", "which number that is, and what is wrong with it"),
)
INPUTS = table(
    "inputs",
    "one thing about the files",
    Fact("about", "text", "which check of the input found it"),
    Fact("found", "count", "how many rows"),
    Fact("detail", "text", "what was found"),
    Fact("dated", "date", "the newest row that is meant"),
)
