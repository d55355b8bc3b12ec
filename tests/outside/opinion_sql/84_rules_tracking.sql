-- Rules about tracking numbers.

CREATE OR REPLACE TEMP VIEW first_numbers AS
SELECT line_id, arg_min(tracking_no, (shipped_on, hid)) AS number
FROM line_parcels WHERE tracking_no IS NOT NULL AND NOT replacement AND NOT damaged(tracking_no) GROUP BY line_id;

CREATE OR REPLACE TEMP VIEW rule_tracking_not_posted AS
SELECT 'tracking-not-posted' AS rule, order_ref, raw_sku AS sku, supplier, f.number AS document,
    CASE WHEN verdict_of(due_on, covered('orders')) = 'open' AND lacking('orders', 'tracking_no')
         THEN 'unknown' ELSE verdict_of(due_on, covered('orders')) END AS verdict
FROM (SELECT *, first_number_on + rule_days('tracking-not-posted', 'grace_days', 1)::INTEGER AS due_on
      FROM order_lines) LEFT JOIN first_numbers f USING (line_id)
WHERE first_number_on IS NOT NULL AND (tracking_no IS NULL OR tracking_posted_on > getvariable('as_of'));

-- A parcel as the storefront names what is in it.
CREATE OR REPLACE TEMP VIEW named_parcels AS
SELECT h.*, coalesce(o.raw_key, trim(h.raw_ref)) AS order_ref, coalesce(k.raw_sku, h.raw_sku) AS sku
FROM shipments h LEFT JOIN orders o USING (order_id)
LEFT JOIN (SELECT order_id, sku_key, min(raw_sku) AS raw_sku FROM lines GROUP BY ALL) k
    ON k.order_id = h.order_id AND k.sku_key = h.sku_key;

CREATE OR REPLACE TEMP VIEW rule_missing_tracking AS
SELECT 'missing-tracking' AS rule, order_ref, sku, supplier,
    verdict_of(shipped_on + rule_days('missing-tracking', 'grace_days', 2)::INTEGER,
               covered('shipments')) AS verdict
FROM named_parcels WHERE tracking_no IS NULL;

CREATE OR REPLACE TEMP VIEW rule_tracking_invalid AS
SELECT 'tracking-invalid' AS rule, order_ref, sku, supplier, tracking_no AS document, 'open' AS verdict
FROM named_parcels
WHERE cannot_be(tracking_no);

-- Uses of a number, one for each supplier order and day. A number that was changed says nothing.
CREATE OR REPLACE TEMP TABLE number_uses AS
SELECT DISTINCT h.order_id, h.supplier, o.recipient, h.shipped_on, unnest(numbers_in(h.tracking_no)) AS number
FROM shipments h JOIN orders o USING (order_id)
WHERE h.tracking_no IS NOT NULL AND NOT damaged(h.tracking_no);

CREATE OR REPLACE TEMP VIEW rule_tracking_reused AS
SELECT DISTINCT 'tracking-reused' AS rule, s.order_ref, u.supplier, s.paid AS minor, s.cur,
    'open' AS verdict
FROM number_uses u JOIN number_uses b USING (number)
JOIN supplier_orders s ON s.order_id = u.order_id AND s.supplier = u.supplier
WHERE b.order_id <> u.order_id AND b.recipient <> u.recipient
    AND (b.shipped_on < u.shipped_on OR b.shipped_on = u.shipped_on AND b.order_id < u.order_id)
    AND u.shipped_on - b.shipped_on < rule_days('tracking-reused', 'within_days', 365);

-- The storefront shows a number, the supplier gave numbers for the order, and it is none of them.
CREATE OR REPLACE TEMP VIEW rule_tracking_mismatch AS
WITH given AS (
    SELECT order_id, supplier, list_distinct(flatten(list(numbers_in(tracking_no)))) AS numbers,
        bool_or(cannot_be(tracking_no)) AS any_wrong
    FROM shipments WHERE tracking_no IS NOT NULL GROUP BY ALL
)
SELECT 'tracking-mismatch' AS rule, l.order_ref, l.raw_sku AS sku, l.supplier, f.number AS document,
    CASE WHEN g.any_wrong THEN 'follows' ELSE 'open' END AS verdict
FROM order_lines l JOIN given g USING (order_id, supplier) LEFT JOIN first_numbers f USING (line_id)
WHERE l.tracking_no IS NOT NULL AND coalesce(l.tracking_posted_on <= getvariable('as_of'), true)
    -- A line whose own parcels have no number waits for one.
    AND l.line_id IN (SELECT line_id FROM line_parcels WHERE tracking_no IS NOT NULL)
    AND NOT list_has_any(numbers_in(l.tracking_no), g.numbers);
