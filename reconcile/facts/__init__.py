"""The fact tables: what matching computes and rules compare, name by name.

A fact is one quantity of one row of a table. Kinds: ``money`` (Int64 minor units of the row's
currency), ``count`` (Int64), ``flag`` (bool, or nullable boolean), ``date`` (datetime64[s], a
calendar date in the shop's zone), ``text``. A fact that is missing (NA) is not known; where a
rule needs it, ``missing`` names the input that would tell.
"""

from __future__ import annotations

from types import MappingProxyType

from reconcile.facts.documents import (
    DOCUMENTS,
    INPUTS,
    INVOICE_LINES,
    PAYMENTS,
    POSSIBLE_DOUBLES,
    SHIPMENTS,
    SMALL_DIFFERENCES,
)
from reconcile.facts.fact import Fact, FactKind, Table
from reconcile.facts.orders import ORDER_LINES, ORDERS, SALES, SUPPLIER_ORDER_LINES, SUPPLIER_ORDERS

__all__ = ["TABLES", "Fact", "FactKind", "Table"]

TABLES = MappingProxyType(
    {
        table.name: table
        for table in (
            SUPPLIER_ORDERS,
            SUPPLIER_ORDER_LINES,
            ORDER_LINES,
            INVOICE_LINES,
            SMALL_DIFFERENCES,
            DOCUMENTS,
            PAYMENTS,
            POSSIBLE_DOUBLES,
            SHIPMENTS,
            ORDERS,
            SALES,
            INPUTS,
        )
    }
)
