"""Order-fulfilment reconciliation: orders against supplier invoices, payments and shipments."""

__version__ = "0.1.0"
