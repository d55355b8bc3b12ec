-- Rules about goods that are paid for and not sent.

-- Lines of supplier orders that are paid in full, with the day by which they should be dispatched.
CREATE OR REPLACE TEMP TABLE awaited_lines AS
WITH awaited AS (
    SELECT *, coalesce(dispatch_days, rule_days('unfulfilled', 'dispatch_days', 3)) AS days
    FROM order_lines
    WHERE live > 0 AND paid > 0 AND (payable IS NULL OR paid >= payable
        OR tolerated(payable - paid, payable, cur))
)
SELECT l.*, f.order_id IS NOT NULL OR r.order_id IS NOT NULL AS follows,
    CASE WHEN days = 0 THEN last_paid_on ELSE (
        SELECT min(d.day) FROM calendar d WHERE d.supplier = l.supplier
        AND d.works_upto = p.works_upto + l.days) END AS due_on
FROM awaited l LEFT JOIN rule_unfunded f USING (order_id, supplier)
LEFT JOIN rule_refunded_but_paid r USING (order_id, supplier)
LEFT JOIN calendar p ON p.supplier = l.supplier AND p.day = l.last_paid_on;

CREATE OR REPLACE TEMP VIEW rule_unfulfilled AS
SELECT 'unfulfilled' AS rule, line_id, order_ref, raw_sku AS sku, supplier, share AS minor, cur,
    CASE WHEN mixed THEN 'unknown' WHEN follows THEN 'follows'
         ELSE verdict_of(due_on, covered('shipments')) END AS verdict
FROM awaited_lines WHERE NOT any_shipment;

CREATE OR REPLACE TEMP VIEW rule_short_shipped AS
SELECT 'short-shipped' AS rule, order_ref, raw_sku AS sku, supplier,
    (2 * share * (live - shipped) + live) // (2 * live) AS minor, cur,
    CASE WHEN mixed THEN 'unknown' ELSE verdict_of(due_on, covered('shipments')) END AS verdict
FROM awaited_lines WHERE shipped > 0 AND shipped < live;

