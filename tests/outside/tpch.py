"""TPC-H at scale 0.01 as a shop: 15,000 orders and 60,175 lines of 100 suppliers.

Source: Transaction Processing Performance Council, TPC Benchmark H, made on the spot by PyPI
``duckdb`` and ``duckdb-extension-tpch``, which carries the generator, needs no network and works
with the DuckDB of its own version only.

orders and lineitem are the store's orders; the price list is what makes up l_extendedprice
(quantity x retail price of the part); each supplier is paid for its part of an order, by order
reference, on the order's date; l_shipdate, l_commitdate and l_receiptdate are the day that a line
was sent, the day promised for it and the day it arrived.
"""

from __future__ import annotations

from importlib.util import find_spec
from typing import TYPE_CHECKING

import duckdb

from tests.outside.shop_folder import write_settings

if TYPE_CHECKING:
    from pathlib import Path

SCALE = "0.01"

# Shipments name order and SKU and no line, so a part that one supplier has on two lines of one
# order gets a SKU of its own on the second: "P1" and "P1-2".
LINES = """
CREATE TABLE lines AS
SELECT *, printf('S%04d', l_suppkey) AS supplier,
    printf('T%d-%d', o_orderkey, l_linenumber) AS parcel,
    'P' || l_partkey || CASE WHEN nth > 1 THEN '-' || nth ELSE '' END AS sku,
    l_quantity::INTEGER AS quantity
FROM (
    SELECT *, row_number() OVER (PARTITION BY l_orderkey, l_partkey ORDER BY l_linenumber) AS nth
    FROM lineitem JOIN orders ON o_orderkey = l_orderkey JOIN part ON p_partkey = l_partkey
)
"""
RECORDS = {
    "orders": """
        SELECT o_orderkey AS order_ref, o_orderdate AS ordered_at, l_linenumber AS line_no, sku,
            quantity AS qty, p_retailprice AS unit_price, 'USD' AS currency, supplier,
            l_commitdate AS promised_by, parcel AS tracking_no, l_shipdate AS tracking_posted_at,
            o_orderdate AS customer_paid_at
        FROM lines ORDER BY o_orderkey, l_linenumber""",
    "quotes": """
        SELECT DISTINCT supplier, sku, p_retailprice AS unit_cost, 'USD' AS currency
        FROM lines ORDER BY supplier, sku""",
    "payments": """
        SELECT supplier, printf('PAY-%d-%s', o_orderkey, supplier) AS payment_ref,
            any_value(o_orderdate) AS paid_at, sum(l_extendedprice) AS amount, 'USD' AS currency,
            o_orderkey AS order_ref
        FROM lines GROUP BY supplier, o_orderkey ORDER BY o_orderkey, supplier""",
    "shipments": """
        SELECT supplier, o_orderkey AS order_ref, l_shipdate AS shipped_at, sku, quantity AS qty,
            l_shipmode AS carrier, parcel AS tracking_no, l_receiptdate AS delivered_at
        FROM lines ORDER BY l_shipdate, o_orderkey, l_linenumber""",
}


def generate() -> duckdb.DuckDBPyConnection:
    """A database in memory with the eight tables, and ``lines``: lineitem with its order."""
    package = find_spec("duckdb_extension_tpch")
    assert package is not None
    (folder,) = package.submodule_search_locations or []
    database = duckdb.connect()
    database.execute(f"LOAD '{folder}/extensions/v{duckdb.__version__}/tpch.duckdb_extension'")
    database.execute(f"CALL dbgen(sf = {SCALE})")
    database.execute(LINES)
    return database


def write_tpch_shop(shop: Path, database: duckdb.DuckDBPyConnection, extra: str) -> Path:
    """Writes the whole of the data, far beyond any one night, as a shop folder."""
    names = database.execute("SELECT DISTINCT supplier FROM lines ORDER BY supplier").fetchall()
    write_settings(shop, list(RECORDS), [name for (name,) in names], extra)
    for record, query in RECORDS.items():
        database.execute(f"COPY ({query}) TO '{shop / f'{record}.csv'}' (HEADER)")
    return shop


def delivered_late(
    database: duckdb.DuckDBPyConnection, until: str = "9999-12-31"
) -> set[tuple[str, str, str, str]]:
    """Order, SKU, supplier and day of every line that arrived after the day promised for it.

    ``until`` leaves out what arrived later than that day.
    """
    rows = database.execute(
        "SELECT o_orderkey::VARCHAR, sku, supplier, l_receiptdate::VARCHAR FROM lines"
        " WHERE l_receiptdate > l_commitdate AND l_receiptdate <= ?::DATE",
        [until],
    ).fetchall()
    return {(order, sku, supplier, day) for order, sku, supplier, day in rows}


def quarter_by_priority(database: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Order reference to priority, for the orders of the quarter that query 4 asks about."""
    rows = database.execute(
        "SELECT o_orderkey::VARCHAR, o_orderpriority FROM orders"
        " WHERE o_orderdate >= DATE '1993-07-01' AND o_orderdate < DATE '1993-10-01'"
    ).fetchall()
    return dict(rows)


def published_answer_of_query_4(database: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Orders of that quarter with a late line, by priority, as the extension carries them."""
    found = database.execute(
        "SELECT answer FROM tpch_answers() WHERE query_nr = 4 AND scale_factor = ?::DOUBLE", [SCALE]
    ).fetchone()
    assert found is not None
    rows = [line.split("|") for line in found[0].splitlines()[1:]]
    return {priority: int(count) for priority, count in rows}


def query_4(database: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """The same, by the benchmark's own query run on its own tables."""
    found = database.execute("SELECT query FROM tpch_queries() WHERE query_nr = 4").fetchone()
    assert found is not None
    return dict(database.execute(found[0]).fetchall())
