-- Facts: one row for each supplier order, and one for each order line.

CREATE OR REPLACE TEMP TABLE supplier_orders AS
WITH paid AS (
    SELECT order_id, supplier, count(DISTINCT cur) AS curs, any_value(cur) AS cur,
        sum(CASE kind WHEN 'payment' THEN minor ELSE -minor END) FILTER (same_cur) AS paid,
        sum(CASE kind WHEN 'payment' THEN minor ELSE -minor END) FILTER (NOT same_cur)
            AS paid_otherwise,
        any_value(cur) FILTER (NOT same_cur) AS other_cur,
        count(DISTINCT cur) FILTER (NOT same_cur) AS other_curs,
        min(minor) FILTER (same_cur AND kind = 'payment') AS smallest,
        count(*) FILTER (same_cur AND kind = 'payment') AS times,
        max(paid_on) FILTER (kind = 'payment') AS last_on
    FROM (SELECT a.order_id, a.supplier, a.cur, a.kind, a.pid, any_value(a.paid_on) AS paid_on,
              sum(a.minor) AS minor, any_value(coalesce(a.cur = y.cur, true)) AS same_cur
          FROM allocations a JOIN payables y USING (order_id, supplier)
          WHERE a.status = 'settled' GROUP BY ALL)
    GROUP BY ALL
),
repeated AS (
    SELECT order_id, supplier, sum(extra) AS repeated FROM (
        SELECT order_id, supplier, minor * (count(*) - 1) AS extra
        FROM allocations WHERE status = 'settled' AND kind = 'payment' AND order_id IS NOT NULL
        GROUP BY order_id, supplier, cur, minor)
    GROUP BY ALL
),
pending AS (
    SELECT DISTINCT order_id, supplier FROM allocations
    WHERE status = 'pending' AND kind = 'payment'
    UNION SELECT order_id, supplier FROM hanging WHERE status = 'pending'
),
live AS (
    SELECT l.order_id, l.supplier, sum(l.live) AS live, bool_or(s.any_shipment) AS line_shipped,
        bool_and(l.all_back) AS all_back
    FROM lines l JOIN shipped_lines s USING (line_id) GROUP BY ALL
)
SELECT y.order_id, y.supplier, o.raw_key AS order_ref, o.customer_paid_on, o.funded, o.ended,
    o.cancelled_on, o.refunded_in_full, coalesce(v.live, 0) AS live, y.billed, y.duplicate,
    y.payable, y.due_on, coalesce(y.cur, p.cur) AS cur,
    y.mixed OR coalesce(p.curs > 1 OR p.cur <> y.cur, false) AS mixed, y.is_billed,
    coalesce(p.paid, 0) AS paid,
    -- Paid in one currency alone, and not in the one that it is payable in: what is payable in the
    -- currency of the payment is not known.
    coalesce(coalesce(p.paid, 0) <= 0 AND p.paid_otherwise > 0 AND p.other_curs = 1, false)
        AND NOT y.mixed AS only_otherwise, p.paid_otherwise, p.other_cur,
    coalesce(p.smallest, 0) AS smallest, coalesce(p.times, 0) AS times,
    p.last_on AS last_paid_on, coalesce(r.repeated, 0) AS repeated,
    w.order_id IS NOT NULL AS is_pending, coalesce(v.line_shipped, false) AS shipped,
    coalesce(v.all_back, false) AS all_back,
    EXISTS (SELECT 1 FROM hanging h WHERE h.order_id = y.order_id AND h.supplier = y.supplier
            AND h.status = 'settled') AS hangs,
    coalesce(c.terms, 'prepay') AS terms, c.dispatch_days
FROM payables y JOIN orders o USING (order_id)
LEFT JOIN paid p USING (order_id, supplier) LEFT JOIN repeated r USING (order_id, supplier)
LEFT JOIN pending w USING (order_id, supplier) LEFT JOIN live v USING (order_id, supplier)
LEFT JOIN supplier_setting c USING (supplier);

-- What is payable for each line: what was billed for it and is no duplicate, else what was agreed.
-- Lines of one SKU share what was billed for it by ordered quantity, in line order.
CREATE OR REPLACE TEMP TABLE order_lines AS
WITH billed AS (
    SELECT order_id, supplier, sku_key, sum(minor) AS minor FROM (
        SELECT order_id, supplier, sku_key, minor FROM invoices
        UNION ALL SELECT order_id, supplier, sku_key, -minor FROM duplicate_lines) GROUP BY ALL
),
placed AS (
    SELECT l.*, sum(qty) OVER (PARTITION BY order_id, supplier, sku_key ORDER BY line_id
            ROWS UNBOUNDED PRECEDING) AS qty_upto,
        greatest(sum(qty) OVER (PARTITION BY order_id, supplier, sku_key), 1) AS qty_all,
        count(*) OVER (PARTITION BY order_id, supplier) AS lines_of_order
    FROM lines l
),
weighed AS (
    SELECT l.*, s.shipped, s.any_shipment, s.first_number_on, o.order_ref, o.funded, o.ended,
        CASE WHEN o.only_otherwise THEN o.other_cur ELSE o.cur END AS cur,
        CASE WHEN o.only_otherwise THEN o.paid_otherwise ELSE o.paid END AS paid,
        CASE WHEN NOT o.only_otherwise THEN o.payable END AS payable,
        o.mixed AND NOT o.only_otherwise AS mixed, o.last_paid_on,
        coalesce(q.dispatch_days, o.dispatch_days) AS dispatch_days,
        greatest(CASE WHEN o.only_otherwise THEN coalesce(q.agreed, 0)
             WHEN o.is_billed THEN coalesce(b.minor, 0) * l.qty_upto // l.qty_all
                - coalesce(b.minor, 0) * (l.qty_upto - l.qty) // l.qty_all
             WHEN o.payable IS NOT NULL THEN coalesce(q.agreed, 0) END, 0) AS weight
    FROM placed l JOIN shipped_lines s USING (line_id)
    JOIN supplier_orders o USING (order_id, supplier)
    LEFT JOIN quoted_lines q USING (line_id)
    LEFT JOIN billed b ON b.order_id = l.order_id AND b.supplier = l.supplier
        AND b.sku_key = l.sku_key
),
split AS (
    SELECT *, sum(weight) OVER (PARTITION BY order_id, supplier) AS weights,
        paid * weight // nullif(weights, 0) AS whole, paid * weight % nullif(weights, 0) AS rest
    FROM weighed
)
SELECT *, CASE
    WHEN lines_of_order = 1 THEN paid
    WHEN weights > 0 THEN whole + CASE WHEN paid - sum(whole) OVER (PARTITION BY order_id, supplier)
        >= row_number() OVER (PARTITION BY order_id, supplier ORDER BY rest DESC, line_id)
        THEN 1 ELSE 0 END END AS share
FROM split;
