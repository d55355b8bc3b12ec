-- Money of a supplier order: agreed, billed, payable.

-- What has to be paid for: what is live, and what was sent although it is not live any more.
CREATE OR REPLACE TEMP TABLE due_lines AS
SELECT l.*, greatest(l.live, least(s.shipped, l.qty)) AS due_qty
FROM lines l JOIN shipped_lines s USING (line_id);

-- The quote of a line: its own country before any country, then the largest minimum quantity
-- that fits, then the latest start. Two that differ and tie are no quote.
CREATE OR REPLACE TEMP TABLE quoted_lines AS
WITH fits AS (
    SELECT l.line_id, l.due_qty, q.* EXCLUDE (supplier, sku_key),
        rank() OVER (PARTITION BY l.line_id ORDER BY q.country IS NULL, q.min_qty DESC,
            q.valid_from DESC NULLS LAST) AS place
    FROM due_lines l JOIN orders o USING (order_id)
    JOIN quotes q ON q.supplier = l.supplier AND q.sku_key = l.sku_key
        AND (q.country IS NULL OR q.country = l.country) AND q.min_qty <= greatest(l.due_qty, 1)
        AND (q.valid_from IS NULL OR q.valid_from <= o.ordered_on)
        AND (q.valid_to IS NULL OR q.valid_to >= o.ordered_on)
)
SELECT line_id, any_value(cur) AS cur, any_value(dispatch_days) AS dispatch_days,
    any_value(delivery_days) AS delivery_days,
    any_value(CASE WHEN due_qty = 0 THEN 0 ELSE cost(due_qty * pack, unit_cost, cur) + shipping
        + shipping_next * (due_qty - 1) END) AS agreed
FROM fits WHERE place = 1 GROUP BY line_id
HAVING count(DISTINCT (unit_cost, cur, shipping, shipping_next, pack)) = 1;

-- Billed beyond the ordered quantity: the latest invoice lines, at what they were billed, and of
-- a line that is beyond it in part the same part of its amount.
CREATE OR REPLACE TEMP TABLE duplicate_lines AS
WITH ordered AS (
    SELECT order_id, supplier, sku_key, sum(qty) AS qty FROM lines GROUP BY ALL
),
excess AS (
    SELECT i.order_id, i.supplier, i.sku_key, any_value(o.qty) AS ordered_qty,
        sum(CASE WHEN i.credit THEN -i.qty ELSE i.qty END) - any_value(o.qty) AS units
    FROM invoices i JOIN ordered o USING (order_id, supplier, sku_key)
    WHERE NOT i.replacement GROUP BY ALL
),
latest_first AS (
    SELECT i.*, e.units, coalesce(sum(i.qty) OVER (PARTITION BY i.order_id, i.supplier, i.sku_key
        ORDER BY i.invoice_on DESC, i.invoice_key DESC, i.line_minor DESC, i.qty DESC, i.iid
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0) AS qty_after
    FROM invoices i JOIN excess e USING (order_id, supplier, sku_key)
    WHERE e.units > 0 AND NOT i.credit AND NOT i.replacement
)
SELECT order_id, supplier, sku_key, cur,
    sum(CASE WHEN units - qty_after >= qty THEN line_minor
        ELSE (2 * line_minor * (units - qty_after) + qty) // (2 * qty) END) AS minor
FROM latest_first WHERE units > qty_after GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE billed_orders AS
SELECT order_id, supplier, count(DISTINCT cur) AS curs, any_value(cur) AS cur,
    sum(minor) AS billed, min(due_on) AS due_on,
    bool_or(NOT credit AND NOT replacement) AS is_billed
FROM invoices WHERE order_id IS NOT NULL GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE agreed_orders AS
SELECT l.order_id, l.supplier, count(DISTINCT q.cur) AS curs, any_value(q.cur) AS cur,
    CASE WHEN bool_and(l.due_qty = 0 OR q.line_id IS NOT NULL) AND count(q.line_id) > 0
        AND count(DISTINCT q.cur) = 1 THEN sum(coalesce(q.agreed, 0)) END AS agreed
FROM due_lines l LEFT JOIN quoted_lines q USING (line_id) GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE payables AS
WITH pairs AS (
    SELECT DISTINCT order_id, supplier FROM lines
    UNION SELECT order_id, supplier FROM billed_orders
    UNION SELECT o.order_id, p.supplier FROM payment_orders o JOIN payment_rows p USING (pid)
          WHERE o.order_id IS NOT NULL
),
duplicates AS (
    SELECT order_id, supplier, sum(minor) AS duplicate FROM duplicate_lines GROUP BY ALL
)
SELECT order_id, supplier, coalesce(b.billed, 0) AS billed, coalesce(d.duplicate, 0) AS duplicate,
    coalesce(b.is_billed, false) AS is_billed, a.agreed, b.due_on,
    CASE WHEN b.curs = 1 THEN b.cur WHEN b.curs IS NULL AND a.curs = 1 THEN a.cur END AS cur,
    coalesce(b.curs > 1, a.curs > 1, false) AS mixed,
    -- A credit or a replacement alone is no bill: it changes what was agreed.
    CASE WHEN b.is_billed THEN b.billed - coalesce(d.duplicate, 0)
         ELSE a.agreed + coalesce(b.billed, 0) END AS payable
FROM pairs LEFT JOIN billed_orders b USING (order_id, supplier)
LEFT JOIN agreed_orders a USING (order_id, supplier)
LEFT JOIN duplicates d USING (order_id, supplier);
