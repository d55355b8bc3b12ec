-- Order lines: their quotes, their suppliers, and what was sent of them.

CREATE OR REPLACE TEMP TABLE quotes AS
SELECT a.supplier, coalesce(e.sku_key, folded(q.sku)) AS sku_key, coalesce(e.pack, 1) AS pack,
    unit_price(q.unit_cost) AS unit_cost, q.currency AS cur, upper(q.ship_to_country) AS country,
    coalesce(money(q.shipping, q.currency), 0) AS shipping,
    coalesce(money(q.shipping_next, q.currency), 0) AS shipping_next,
    coalesce(units(q.min_qty), 0) AS min_qty, local_date(q.valid_from, s.zone) AS valid_from,
    local_date(q.valid_to, s.zone) AS valid_to, units(q.dispatch_days) AS dispatch_days,
    units(q.delivery_days) AS delivery_days, money(q.shipping, q.currency) IS NOT NULL AS ships
FROM raw_quotes q JOIN source s USING (src) JOIN supplier_alias a ON a.txt = q.supplier
LEFT JOIN sku_entry e ON e.supplier = a.supplier AND e.from_key = folded(q.sku)
WHERE unit_price(q.unit_cost) IS NOT NULL;

-- The supplier of a line: as written, else the only one of the catalogue, else the only one that
-- billed, was paid or shipped it, else blank.
CREATE OR REPLACE TEMP TABLE catalogue_supplier AS
SELECT sku_key, any_value(supplier) AS supplier FROM (
    SELECT sku_key, supplier FROM quotes UNION ALL SELECT sku_key, supplier FROM sku_entry)
GROUP BY sku_key HAVING count(DISTINCT supplier) = 1;
CREATE OR REPLACE TEMP TABLE acting_supplier AS
SELECT order_id, sku_key, any_value(supplier) AS supplier FROM (
    SELECT k.order_id, k.sku_key, i.supplier FROM invoices i
        JOIN (SELECT DISTINCT o.order_id, k.sku_key FROM keyed_orders k JOIN orders o
              ON o.ref_key = k.ref_key AND o.raw_key = k.raw_key) k USING (order_id, sku_key)
    UNION ALL SELECT o.order_id, k.sku_key, h.supplier FROM shipments h JOIN orders o USING (order_id)
        JOIN keyed_orders k ON o.ref_key = k.ref_key AND o.raw_key = k.raw_key
        AND (h.sku_key IS NULL OR h.sku_key = k.sku_key)
    UNION ALL SELECT o.order_id, k.sku_key, p.supplier FROM payment_orders JOIN payment_rows p USING (pid)
        JOIN orders o USING (order_id)
        JOIN keyed_orders k ON o.ref_key = k.ref_key AND o.raw_key = k.raw_key)
GROUP BY ALL HAVING count(DISTINCT supplier) = 1;

CREATE OR REPLACE TEMP TABLE lines AS
SELECT row_number() OVER (ORDER BY o.order_id, k.line_no NULLS LAST, k.sku_key, k.qty,
        k.file, k.row_no, k.copy_no) AS line_id,
    o.order_id, k.raw_sku, k.sku_key, k.qty, k.country, k.tracking_no, k.tracking_posted_on,
    k.promised_on, k.sent_on, k.worth_minor, k.refunded_qty >= k.qty AS all_back,
    coalesce(a.supplier, c.supplier, w.supplier, '') AS supplier,
    CASE WHEN o.ended THEN 0 WHEN o.refund_is_later THEN k.qty
         ELSE greatest(k.qty - k.refunded_qty, 0) END AS live
FROM keyed_orders k JOIN orders o ON o.store = coalesce(k.store, '') AND o.ref_key = k.ref_key
    AND o.raw_key = k.raw_key
LEFT JOIN supplier_alias a ON a.txt = k.supplier
LEFT JOIN catalogue_supplier c ON c.sku_key = k.sku_key
LEFT JOIN acting_supplier w ON w.order_id = o.order_id AND w.sku_key = k.sku_key;

-- Shipped units, replacements apart. A row without SKU stands for every line, one without
-- quantity for the whole line; lines of one SKU are filled in line order.
CREATE OR REPLACE TEMP TABLE shipped_lines AS
WITH by_sku AS (
    SELECT order_id, supplier, sku_key, sum(qty) AS qty, bool_or(qty IS NULL) AS whole,
        min(shipped_on) AS first_on, max(shipped_on) AS last_on,
        -- What a spreadsheet has left of a number cannot be posted.
        min(shipped_on) FILTER (NOT damaged(tracking_no)) AS number_on
    FROM shipments WHERE NOT replacement AND order_id IS NOT NULL GROUP BY ALL
),
before AS (
    SELECT l.*, coalesce(sum(greatest(live, 0)) OVER (PARTITION BY order_id, supplier, sku_key
        ORDER BY line_id ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0) AS live_before,
        line_id = max(line_id) OVER (PARTITION BY order_id, supplier, sku_key) AS is_last
    FROM lines l
)
SELECT b.line_id,
    CASE WHEN e.order_id IS NOT NULL OR s.whole THEN b.qty
         WHEN b.is_last THEN greatest(coalesce(s.qty, 0) - b.live_before, 0)
         ELSE least(b.live, greatest(coalesce(s.qty, 0) - b.live_before, 0)) END AS shipped,
    s.order_id IS NOT NULL OR e.order_id IS NOT NULL AS any_shipment,
    least(s.first_on, e.first_on) AS first_shipped_on,
    least(s.number_on, e.number_on) AS first_number_on
FROM before b
LEFT JOIN by_sku s ON s.order_id = b.order_id AND s.supplier = b.supplier AND s.sku_key = b.sku_key
LEFT JOIN by_sku e ON e.order_id = b.order_id AND e.supplier = b.supplier AND e.sku_key IS NULL;
