-- Rules about paying suppliers. Each gives rule, order_ref, sku, supplier, minor, cur, verdict.

CREATE OR REPLACE TEMP VIEW rule_unpaid AS
SELECT 'unpaid' AS rule, order_ref, NULL::VARCHAR AS sku, supplier, payable AS minor, cur,
    CASE WHEN is_pending OR getvariable('as_of') <= pay_by
              OR terms = 'invoice' AND NOT is_billed THEN 'waiting'
         WHEN mixed OR hangs OR (order_id, supplier) IN
              (SELECT (order_id, supplier) FROM suggested) THEN 'unknown'
         ELSE verdict_of(pay_by, covered('payments')) END AS verdict
FROM (SELECT *, CASE WHEN terms = 'invoice' THEN due_on
          ELSE customer_paid_on + rule_days('unpaid', 'grace_days', 1)::INTEGER END AS pay_by
      FROM supplier_orders)
WHERE funded AND live > 0 AND paid <= 0 AND coalesce(payable > 0, true);

CREATE OR REPLACE TEMP VIEW rule_part_paid AS
SELECT 'part-paid' AS rule, order_ref, NULL::VARCHAR AS sku, supplier, payable - paid AS minor, cur,
    CASE WHEN is_pending OR getvariable('as_of') <= pay_by
              OR terms = 'invoice' AND NOT is_billed THEN 'waiting'
         WHEN mixed OR hangs THEN 'unknown'
         ELSE verdict_of(pay_by, covered('payments')) END AS verdict
FROM (SELECT *, CASE WHEN terms = 'invoice' THEN due_on
          ELSE customer_paid_on + rule_days('part-paid', 'grace_days', 1)::INTEGER END AS pay_by
      FROM supplier_orders)
WHERE paid > 0 AND paid < payable AND NOT tolerated(payable - paid, payable, cur)
    AND funded AND live > 0;

CREATE OR REPLACE TEMP VIEW rule_refunded_but_paid AS
SELECT 'refunded-but-paid' AS rule, order_id, order_ref, NULL::VARCHAR AS sku, supplier,
    paid AS minor, cur, CASE WHEN mixed THEN 'unknown' ELSE 'open' END AS verdict
FROM supplier_orders WHERE (ended OR all_back) AND NOT shipped AND paid > 0;

CREATE OR REPLACE TEMP VIEW rule_unfunded AS
SELECT 'unfunded' AS rule, order_id, order_ref, NULL::VARCHAR AS sku, supplier,
    CASE WHEN paid > 0 THEN paid ELSE payable END AS minor, cur, 'open' AS verdict
FROM supplier_orders WHERE NOT funded AND cancelled_on IS NULL AND (paid > 0 OR shipped);

CREATE OR REPLACE TEMP VIEW paid_beyond AS
SELECT o.*, CASE WHEN payable IS NOT NULL THEN paid - payable ELSE least(repeated, paid) END AS excess,
    CASE WHEN payable IS NULL THEN repeated > 0
         ELSE times > 1 AND paid - smallest >= payable AND paid > payable
            OR duplicate > 0 AND paid >= payable + duplicate END AS twice,
    CASE WHEN o.mixed THEN 'unknown' WHEN r.order_id IS NOT NULL THEN 'follows' ELSE 'open' END AS verdict
FROM supplier_orders o LEFT JOIN rule_refunded_but_paid r USING (order_id, supplier);

CREATE OR REPLACE TEMP VIEW rule_double_paid AS
SELECT 'double-paid' AS rule, order_ref, NULL::VARCHAR AS sku, supplier, excess AS minor, cur, verdict
FROM paid_beyond WHERE twice AND excess > 0 AND (payable IS NULL OR NOT tolerated(excess, payable, cur));

CREATE OR REPLACE TEMP VIEW rule_overpaid AS
SELECT 'overpaid' AS rule, order_ref, NULL::VARCHAR AS sku, supplier, excess AS minor, cur, verdict
FROM paid_beyond WHERE NOT twice AND paid > payable AND NOT tolerated(excess, payable, cur);

-- What was billed for a SKU beyond the order shows on its last line.
CREATE OR REPLACE TEMP VIEW rule_billed_twice AS
SELECT 'billed-twice' AS rule, l.order_ref, l.raw_sku AS sku, l.supplier, sum(d.minor) AS minor,
    any_value(d.cur) AS cur,
    CASE WHEN any_value(p.twice) AND any_value(p.excess) > 0 AND any_value(p.verdict) = 'open'
         THEN 'follows' ELSE 'open' END AS verdict
FROM order_lines l JOIN duplicate_lines d USING (order_id, supplier, sku_key)
LEFT JOIN paid_beyond p USING (order_id, supplier)
WHERE l.qty_upto = l.qty_all
GROUP BY ALL;
