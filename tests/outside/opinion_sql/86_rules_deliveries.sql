-- Rules about deliveries, and about goods that were sent and should not have been.

-- What is not due yet is waiting; after that nobody can tell without the days of delivery.
CREATE OR REPLACE TEMP MACRO not_there(due) AS CASE
    WHEN due < getvariable('as_of') AND lacking('shipments', 'delivered_at') THEN 'unknown'
    ELSE verdict_of(due, covered('shipments')) END;

CREATE OR REPLACE TEMP VIEW rule_lost AS
SELECT 'lost' AS rule, order_ref, raw_sku AS sku, supplier, share AS minor, cur, line_id,
    not_there(due_on + rule_days('lost', 'lost_days', 15)::INTEGER) AS verdict
FROM journeys WHERE NOT arrived;

CREATE OR REPLACE TEMP VIEW rule_late_delivery AS
SELECT 'late-delivery' AS rule, j.order_ref, j.raw_sku AS sku, j.supplier,
    CASE WHEN t.verdict = 'open' THEN 'follows' ELSE not_there(j.due_on) END AS verdict
FROM journeys j JOIN rule_lost t USING (line_id);

CREATE OR REPLACE TEMP VIEW rule_delivered_late AS
SELECT 'delivered-late' AS rule, order_ref, raw_sku AS sku, supplier, 'open' AS verdict
FROM journeys, (SELECT rule_days('delivered-late', 'within_days', 30) AS within)
WHERE all_arrived_on > promise_on
    AND (within = 0 OR getvariable('as_of') - all_arrived_on <= within);

-- Sent beyond the ordered quantity, replacements apart; shown on the last line of the SKU.
CREATE OR REPLACE TEMP VIEW rule_over_shipped AS
WITH sent AS (
    SELECT order_id, supplier, sku_key, sum(qty) AS qty FROM shipments
    WHERE NOT replacement AND sku_key IS NOT NULL GROUP BY ALL
)
SELECT 'over-shipped' AS rule, l.order_ref, l.raw_sku AS sku, l.supplier, 'open' AS verdict
FROM order_lines l JOIN sent s USING (order_id, supplier, sku_key)
WHERE l.qty_upto = l.qty_all AND s.qty > l.qty_all;

CREATE OR REPLACE TEMP VIEW rule_posted_not_shipped AS
WITH shown AS (
    SELECT *, known(coalesce(sent_on, tracking_posted_on)) AS shown_on
    FROM order_lines WHERE live > 0
)
SELECT 'posted-not-shipped' AS rule, l.order_ref, l.raw_sku AS sku, l.supplier, l.share AS minor, l.cur,
    CASE WHEN u.line_id IS NOT NULL THEN 'follows'
         ELSE verdict_of(l.shown_on + rule_days('posted-not-shipped', 'grace_days', 1)::INTEGER,
                         covered('shipments')) END AS verdict
FROM shown l LEFT JOIN (SELECT line_id FROM rule_unfulfilled
    WHERE verdict IN ('open', 'follows')) u USING (line_id)
WHERE NOT EXISTS (SELECT 1 FROM line_parcels p WHERE p.line_id = l.line_id)
    AND (l.shown_on IS NOT NULL
         OR l.tracking_no IS NOT NULL AND coalesce(l.sent_on, l.tracking_posted_on) IS NULL);

-- Sent on a later date than it was cancelled or refunded in full; unknown where every unit was
-- refunded and nobody says when.
CREATE OR REPLACE TEMP VIEW rule_sent_after_cancel AS
SELECT 'sent-after-cancel' AS rule, s.order_ref, s.supplier, s.paid AS minor, s.cur,
    least(o.cancelled_on, CASE WHEN o.refunded_in_full OR b.all_back THEN o.refunded_on END) AS ended_on,
    CASE WHEN ended_on IS NULL THEN 'unknown' ELSE 'open' END AS verdict
FROM supplier_orders s JOIN orders o USING (order_id)
JOIN (SELECT order_id, supplier, max(shipped_on) AS last_on FROM shipments
      WHERE NOT replacement GROUP BY ALL) h USING (order_id, supplier)
JOIN (SELECT order_id, supplier, bool_and(all_back) AS all_back FROM lines GROUP BY ALL) b
    USING (order_id, supplier)
WHERE (s.ended OR b.all_back) AND coalesce(h.last_on > ended_on, true);
