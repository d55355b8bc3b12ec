"""``python -m tests.bench.duckdb_four SHOP AS_OF OUT``: four exceptions, by DuckDB alone.

The yardstick of the benchmark: unpaid, double-paid, unfulfilled and missing-tracking, found by
SQL written for the shops of tests.shops and for nothing else. It knows their suppliers, takes
every cell for readable and every amount for one with two decimals, proves nothing, explains
nothing, and writes rule, order reference and SKU of what is open as OUT.
"""

from __future__ import annotations

import sys
from pathlib import Path

import duckdb

# Said beforehand, so that nothing is looked for in the files
CSV = """header = true, delim = ',', quote = '"', escape = '"', sample_size = 1"""
# Dates are the shop's own: every timestamp in the files bears the shop's offset already.
QUERY = r"""
CREATE MACRO key(ref) AS regexp_extract(ref, '\d+')::INT;
CREATE MACRO house(name) AS
    CASE WHEN name ILIKE 'kestrel%' THEN 'kestrel' WHEN name ILIKE 'alder%' THEN 'alder' END;
CREATE MACRO day(stamp) AS stamp[:10]::DATE;
CREATE MACRO cents(amount) AS (amount::DECIMAL(12, 2) * 100)::BIGINT;
CREATE MACRO micro(price) AS (price::DECIMAL(14, 6) * 1000000)::BIGINT;
CREATE MACRO times(qty, price) AS (qty * micro(price) + 5000) // 10000;

CREATE TABLE lines AS
SELECT key(order_ref) AS o, order_ref, sku, qty::INT AS qty, ship_to_country AS country,
    coalesce(house(supplier), CASE sku[:3] WHEN 'LAN' THEN 'kestrel' ELSE 'alder' END) AS s,
    coalesce(refunded_qty::INT, 0) AS back, day(ordered_at) AS ordered,
    day(customer_paid_at) AS paid_on, cents(customer_paid) AS paid, cents(order_total) AS asked,
    CASE WHEN day(refunded_at) <= $as_of THEN cents(refunded) END AS refunded,
    day(cancelled_at) <= $as_of AS cancelled
FROM read_csv($orders, all_varchar = true, $csv) WHERE day(ordered_at) <= $as_of;

CREATE TABLE orders AS
SELECT o, max(paid_on) AS paid_on,
    max(paid_on) <= $as_of AND coalesce(max(paid) >= max(asked), true) AS funded,
    coalesce(bool_or(cancelled), false) AS cancelled,
    coalesce(max(refunded) > 0 AND max(refunded) >= least(max(asked), max(paid)), false)
        OR bool_or(cancelled) IS TRUE AS ended
FROM lines GROUP BY o;

CREATE TABLE bills AS
SELECT house(supplier) AS s, invoice_no AS i, day(invoice_date) AS on_day, day(due_date) AS due,
    key(order_ref) AS o, upper(sku) AS sku, qty::INT AS qty,
    kind IS NOT DISTINCT FROM 'credit' AS credit,
    CASE WHEN credit THEN -1 ELSE 1 END * coalesce(cents(line_total),
        times(qty::INT, unit_cost) + coalesce(cents(shipping), 0)) AS amount
FROM read_csv($invoices, all_varchar = true, $csv) WHERE day(invoice_date) <= $as_of;

CREATE TABLE payments AS
SELECT row_number() OVER () AS p, house(supplier) AS s, day(paid_at) AS on_day,
    cents(amount) AS amount, status, kind, string_split(order_ref, ';') AS refs,
    string_split(invoice_no, '; ') AS invoices
FROM read_csv($payments, all_varchar = true, $csv)
WHERE day(paid_at) <= $as_of AND coalesce(status, 'settled') IN ('settled', 'pending');

CREATE TABLE parcels AS
SELECT house(supplier) AS s, key(order_ref) AS o, order_ref, upper(sku) AS sku, qty::INT AS qty,
    day(shipped_at) AS on_day, tracking_no,
    replacement IS NOT NULL OR order_ref LIKE '%-R' AS again
FROM read_csv($shipments, all_varchar = true, $csv) WHERE day(shipped_at) <= $as_of;

CREATE TABLE quotes AS
SELECT upper(sku) AS sku, ship_to_country AS country, unit_cost, cents(shipping) AS first,
    cents(shipping_next) AS further, coalesce(min_qty::INT, 0) AS least, valid_from, valid_to
FROM read_csv($quotes, all_varchar = true, $csv);

CREATE TABLE sent AS
SELECT o, s, sku, sum(qty) AS qty FROM parcels WHERE NOT again GROUP BY ALL;

-- What is left to send of each line, and what was agreed for it
CREATE TABLE live AS
SELECT l.*, CASE WHEN ended THEN 0 ELSE l.qty - back END AS live,
    x.o IS NOT NULL OR w.o IS NOT NULL AS sent,
    greatest(live, CASE WHEN w.o IS NOT NULL THEN l.qty ELSE least(coalesce(x.qty, 0), l.qty) END)
        AS due_qty
FROM lines l JOIN orders USING (o)
LEFT JOIN sent x ON x.o = l.o AND x.s = l.s AND x.sku = l.sku
LEFT JOIN sent w ON w.o = l.o AND w.s = l.s AND w.sku IS NULL;

CREATE TABLE agreed AS
WITH asked AS (SELECT DISTINCT sku, country, due_qty, ordered FROM live),
prices AS (
    SELECT a.*, CASE WHEN due_qty = 0 THEN 0
        ELSE times(due_qty, unit_cost) + first + further * (due_qty - 1) END AS amount
    FROM asked a JOIN quotes q USING (sku)
    WHERE coalesce(q.country = a.country, true) AND least <= greatest(due_qty, 1)
        AND coalesce(valid_from::DATE <= ordered, true)
        AND coalesce(valid_to::DATE >= ordered, true)
    QUALIFY row_number() OVER (PARTITION BY sku, a.country, due_qty, ordered
        ORDER BY q.country NULLS LAST, least DESC, valid_from DESC) = 1
)
SELECT o, s, sum(l.live) AS live, any_value(order_ref) AS order_ref, bool_or(sent) AS sent,
    CASE WHEN bool_and(amount IS NOT NULL OR l.due_qty = 0) THEN coalesce(sum(amount), 0) END
        AS agreed
FROM live l LEFT JOIN prices p USING (sku, country, due_qty, ordered)
GROUP BY o, s;

CREATE TABLE billed AS SELECT o, s, sum(amount) AS billed, min(due) AS due FROM bills GROUP BY o, s;

-- Billed beyond what was ordered, taken from the latest invoices
CREATE TABLE twice AS
WITH extra AS (
    SELECT o, s, sku, any_value(l.qty) AS ordered,
        sum(CASE WHEN credit THEN -b.qty ELSE b.qty END) - any_value(l.qty) AS units
    FROM bills b JOIN lines l USING (o, s, sku) GROUP BY o, s, sku HAVING units > 0
),
latest AS (
    SELECT b.*, units, coalesce(sum(qty) OVER (PARTITION BY o, s, sku ORDER BY on_day DESC, i DESC
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0) AS after
    FROM bills b JOIN extra USING (o, s, sku) WHERE NOT credit
)
SELECT o, s, sum((2 * amount * least(units - after, qty) + qty) // (2 * qty)) AS twice
FROM latest WHERE units > after GROUP BY o, s;

CREATE TABLE payable AS
SELECT a.*, b.o IS NOT NULL AS is_billed, b.due, coalesce(twice, 0) AS twice,
    CASE WHEN b.o IS NULL THEN agreed ELSE billed - coalesce(twice, 0) END AS payable
FROM agreed a LEFT JOIN billed b USING (o, s) LEFT JOIN twice USING (o, s);

-- Payments to orders: one reference, several that add up, an invoice, the part of it that fits
CREATE TABLE named AS
SELECT p, s, amount, len(refs) AS n, key(unnest(refs)) AS o FROM payments WHERE refs IS NOT NULL;
CREATE TABLE parts AS
SELECT s, i, o, sum(amount) AS part, sum(part) OVER (PARTITION BY s, i) AS whole,
    count(*) OVER (PARTITION BY s, i) AS orders
FROM bills GROUP BY s, i, o;
CREATE TABLE invoiced AS
SELECT p, m.s, amount, n, o, part, whole, orders
FROM (SELECT p, s, amount, len(invoices) AS n, unnest(invoices) AS i FROM payments
      WHERE refs IS NULL AND invoices IS NOT NULL) m JOIN parts USING (s, i);
CREATE TABLE shares AS
SELECT p, o, s, amount FROM named WHERE n = 1
UNION ALL SELECT p, o, s, payable FROM named JOIN payable USING (o, s) WHERE n > 1
    QUALIFY sum(payable) OVER (PARTITION BY p) = amount AND count(payable) OVER (PARTITION BY p) = n
UNION ALL SELECT p, o, s, part FROM invoiced
    QUALIFY sum(part) OVER (PARTITION BY p) = amount
UNION ALL SELECT p, o, s, amount FROM invoiced
    WHERE n = 1 AND orders = 1 AND amount <> whole
UNION ALL SELECT p, o, s, part FROM invoiced
    WHERE n = 1 AND orders > 1 AND amount < whole AND (amount = part OR whole - amount <> part)
    QUALIFY sum(part) OVER (PARTITION BY p) = amount;

CREATE TABLE paid AS
SELECT o, s, sum(CASE kind WHEN 'refund' THEN -h.amount ELSE h.amount END) FILTER (settled) AS paid,
    min(h.amount) FILTER (settled AND kind = 'payment') AS smallest,
    count(*) FILTER (settled AND kind = 'payment') AS payments,
    count(*) FILTER (settled AND kind = 'payment') > count(DISTINCT h.amount)
        FILTER (settled AND kind = 'payment') AS repeated,
    max(on_day) FILTER (settled AND kind = 'payment') AS last_day,
    bool_or(NOT settled) AS pending
FROM shares h JOIN (SELECT p, kind, on_day, coalesce(status, 'settled') = 'settled' AS settled
                    FROM payments) USING (p)
GROUP BY o, s;

CREATE TABLE facts AS
SELECT y.*, coalesce(paid, 0) AS paid, smallest, payments, repeated, last_day,
    coalesce(pending, false) AS pending, paid_on, funded, ended, cancelled
FROM payable y JOIN orders USING (o) LEFT JOIN paid USING (o, s);

-- Business days of each supplier, numbered
CREATE TABLE calendar AS
SELECT s, d, works, count(*) FILTER (works) OVER (PARTITION BY s ORDER BY d) AS n
FROM (SELECT s, d::DATE AS d, isodow(d) < 6 AND d::DATE <> closed AS works
      FROM (VALUES ('kestrel', DATE '2026-08-03'), ('alder', DATE '2026-09-28')) h(s, closed),
      generate_series(DATE '2025-01-01', DATE '2027-12-31', INTERVAL 1 DAY) g(d));
CREATE TABLE deadlines AS
SELECT c.s, c.d AS paid_day, e.d AS due FROM calendar c JOIN calendar e
    ON e.s = c.s AND e.works AND e.n = c.n + CASE c.s WHEN 'kestrel' THEN 3 ELSE 5 END;

COPY (
    SELECT 'unpaid' AS rule, order_ref, '' AS sku FROM facts
    WHERE funded AND live > 0 AND paid <= 0 AND coalesce(payable > 0, true) AND NOT pending
        AND CASE s WHEN 'alder' THEN due ELSE paid_on + 1 END < $as_of
    UNION ALL
    SELECT 'double-paid', order_ref, '' FROM facts
    WHERE CASE WHEN payable IS NULL THEN repeated
        ELSE paid > payable AND (payments > 1 AND paid - smallest >= payable OR twice > 0) END
        AND NOT (ended AND NOT sent AND paid > 0)
    UNION ALL
    SELECT 'unfulfilled', l.order_ref, sku
    FROM live l JOIN facts f USING (o, s) JOIN deadlines d ON d.s = l.s AND d.paid_day = last_day
    WHERE l.live > 0 AND NOT l.sent AND f.paid > 0 AND coalesce(f.paid >= payable, true)
        AND d.due < $as_of AND (funded OR f.cancelled)
    UNION ALL
    SELECT 'missing-tracking', coalesce(n.order_ref, h.order_ref), coalesce(sku, '')
    FROM parcels h LEFT JOIN (SELECT o, any_value(order_ref) AS order_ref FROM lines GROUP BY o) n
        USING (o)
    WHERE tracking_no IS NULL AND on_day + 2 < $as_of
    ORDER BY ALL
) TO $out (HEADER);
"""


def main(shop: Path, as_of: str, out: Path) -> None:
    """Write what is open in the shop's exports on a day."""
    names = ("orders", "invoices", "payments", "shipments", "quotes")
    texts = {name: f"'{shop / name}.csv'" for name in names}
    query = QUERY.replace("$csv", CSV)
    query = query.replace("$as_of", f"DATE '{as_of}'").replace("$out", f"'{out}'")
    for name, text in texts.items():
        query = query.replace(f"${name}", text)
    with duckdb.connect() as database:
        database.execute(query)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3]))
