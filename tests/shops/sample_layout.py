"""How the exports of the sample shop are laid out: each as another program would write it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

ISO_MINUTES = "%Y-%m-%d %H:%M"


@dataclass(frozen=True)
class Layout:
    """One source of the sample shop: its files, headers and format."""

    name: str
    record: str
    path: str  # with {month} where there is a file for each month
    headers: Mapping[str, str]  # canonical column: header in the file
    supplier: str = ""  # only this supplier's rows, without the column
    supplier_text: str = ""
    date: str = ""  # the column by whose month rows go to files
    overlap_days: int = 0  # a month's file begins so many days before the month
    values: Mapping[str, str] = field(default_factory=dict)
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    dates: str = "year-first"
    day_pattern: str = "%Y-%m-%d"
    moment_pattern: str = ISO_MINUTES
    time_zone: str = ""
    line_end: str = "\n"
    comment: str = ""

    @property
    def files(self) -> str:
        """The glob for shop.toml."""
        return self.path.replace("{month}", "*")


STORE = Layout(
    name="store-orders",
    record="orders",
    path="store/orders-{month}.csv",
    date="ordered_at",
    overlap_days=7,
    values={"currency": "EUR"},
    comment="Each month's export begins in the last week of the month before.",
    headers={
        "order_ref": "Order",
        "ordered_at": "Placed",
        "line_no": "Line",
        "sku": "Item",
        "qty": "Units",
        "unit_price": "Unit price",
        "discount": "Line discount",
        "ship_to_country": "Ships to",
        "recipient_key": "Customer code",
        "supplier": "Vendor",
        "promised_by": "Promised by",
        "tracking_no": "Tracking number",
        "tracking_posted_at": "Tracking posted",
        "sent_at": "Marked as sent",
        "refunded_qty": "Units refunded",
        "order_discount": "Order discount",
        "shipping_charged": "Shipping charged",
        "tax": "Tax",
        "order_total": "Order total",
        "customer_paid_at": "Customer paid on",
        "customer_paid": "Customer paid",
        "refunded_at": "Refunded on",
        "refunded": "Refunded",
        "cancelled_at": "Cancelled on",
        "customer_name": "Customer",
        "email": "E-mail",
        "phone": "Phone",
        "address": "Street",
    },
)
WHOLE_ORDER = (
    "order_discount",
    "shipping_charged",
    "tax",
    "order_total",
    "customer_paid_at",
    "customer_paid",
    "refunded_at",
    "refunded",
    "cancelled_at",
)

LAYOUTS = (
    STORE,
    Layout(
        name="kestrel-invoices",
        record="invoices",
        path="invoices/kestrel-{month}.csv",
        supplier="kestrel",
        supplier_text="Kestrel Goods Co",
        date="invoice_date",
        values={"currency": "EUR"},
        delimiter=";",
        decimal=",",
        encoding="cp1252",
        dates="day-first",
        day_pattern="%d/%m/%Y",
        line_end="\r\n",
        headers={
            "invoice_no": "Invoice no.",
            "invoice_date": "Invoice date",
            "order_ref": "Your order",
            "sku": "Article",
            "description": "Description",
            "qty": "Pieces",
            "unit_cost": "Each",
            "shipping": "Carriage",
            "line_total": "Line total",
            "kind": "Type",
        },
    ),
    Layout(
        name="alder-invoices",
        record="invoices",
        path="invoices/alder.csv",
        supplier="alder",
        supplier_text="Alder Supply",
        date="invoice_date",
        values={"currency": "USD"},
        dates="month-first",
        day_pattern="%m/%d/%Y",
        headers={
            "invoice_no": "Invoice",
            "invoice_date": "Date",
            "due_date": "Due",
            "order_ref": "PO number",
            "sku": "Item number",
            "qty": "Qty",
            "unit_cost": "Unit cost",
            "shipping": "Freight",
            "kind": "Document",
        },
    ),
    Layout(
        name="payments",
        record="payments",
        path="payments/payments-{month}.csv",
        date="paid_at",
        overlap_days=3,
        comment="One file for both suppliers; several references in one cell are a bulk payment.",
        headers={
            "supplier": "Paid to",
            "payment_ref": "Payment",
            "paid_at": "Paid at",
            "amount": "Amount",
            "currency": "Currency",
            "order_ref": "Orders",
            "invoice_no": "Invoices",
            "status": "Status",
            "kind": "Kind",
            "channel": "Channel",
        },
    ),
    Layout(
        name="kestrel-parcels",
        record="shipments",
        path="shipments/kestrel-{month}.csv",
        supplier="kestrel",
        supplier_text="Kestrel Goods Co",
        date="shipped_at",
        overlap_days=5,
        delimiter=";",
        decimal=",",
        dates="day-first",
        day_pattern="%d.%m.%Y",
        line_end="\r\n",
        headers={
            "order_ref": "Your order",
            "sku": "Article",
            "qty": "Pieces",
            "shipped_at": "Dispatched",
            "carrier": "Carrier",
            "tracking_no": "Consignment",
            "delivered_at": "Delivered",
        },
    ),
    Layout(
        name="alder-parcels",
        record="shipments",
        path="shipments/alder.csv",
        supplier="alder",
        supplier_text="Alder Supply",
        date="shipped_at",
        dates="%m/%d/%Y %H:%M",
        day_pattern="%m/%d/%Y %H:%M",
        time_zone="America/New_York",
        comment="Its clock is New York's: 23:30 on one day is the next day in Dublin.",
        headers={
            "order_ref": "PO number",
            "sku": "Item number",
            "qty": "Qty",
            "shipped_at": "Shipped",
            "carrier": "Ship via",
            "tracking_no": "Tracking",
            "delivered_at": "Delivered",
            "replacement": "Replacement",
        },
    ),
    Layout(
        name="kestrel-quotes",
        record="quotes",
        path="quotes/kestrel.csv",
        supplier="kestrel",
        supplier_text="Kestrel Goods Co",
        values={"currency": "EUR"},
        delimiter=";",
        decimal=",",
        encoding="cp1252",
        dates="day-first",
        day_pattern="%d/%m/%Y",
        line_end="\r\n",
        headers={
            "sku": "Article",
            "description": "Description",
            "ship_to_country": "To",
            "min_qty": "From pieces",
            "unit_cost": "Each",
            "shipping": "Carriage, first piece",
            "shipping_next": "Carriage, each further piece",
            "delivery_days": "Days to deliver",
            "valid_from": "Valid from",
            "valid_to": "Valid to",
        },
    ),
    Layout(
        name="alder-quotes",
        record="quotes",
        path="quotes/alder.csv",
        supplier="alder",
        supplier_text="Alder Supply",
        values={"currency": "USD"},
        headers={
            "sku": "sku",
            "ship_to_country": "ship_to_country",
            "min_qty": "min_qty",
            "unit_cost": "unit_cost",
            "shipping": "shipping",
            "shipping_next": "shipping_next",
            "delivery_days": "delivery_days",
            "valid_from": "valid_from",
            "valid_to": "valid_to",
        },
    ),
    Layout(
        name="rates",
        record="rates",
        path="rates.csv",
        headers={"date": "date", "base": "base", "quote": "quote", "rate": "rate"},
    ),
)
# Columns that no record type knows: they are never read, and need no mapping
UNKNOWN_COLUMNS = {"customer_name", "email", "phone", "address", "description"}
DAY_COLUMNS = {
    "promised_by",
    "tracking_posted_at",
    "sent_at",
    "refunded_at",
    "cancelled_at",
    "invoice_date",
    "due_date",
    "shipped_at",
    "delivered_at",
    "valid_from",
    "valid_to",
}
MOMENT_COLUMNS = {"ordered_at", "customer_paid_at", "paid_at"}
MONEY_COLUMNS = {
    "unit_price",
    "discount",
    "order_discount",
    "shipping_charged",
    "tax",
    "order_total",
    "customer_paid",
    "refunded",
    "unit_cost",
    "shipping",
    "shipping_next",
    "line_total",
    "amount",
}
