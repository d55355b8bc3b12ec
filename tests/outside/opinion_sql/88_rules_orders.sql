-- Rules about customers' money and sales, and about documents without an order.

-- What customers paid; unknown where they paid and the orders do not say how much, or of what.
CREATE OR REPLACE TEMP VIEW rule_customer_overpaid AS
SELECT 'customer-overpaid' AS rule, raw_key AS order_ref, '' AS supplier,
    customer_paid - coalesce(refunded, 0) - order_total AS minor, cur,
    CASE WHEN minor > 0 THEN 'open' ELSE 'unknown' END AS verdict
FROM orders
WHERE coalesce(minor > 0, customer_paid_on IS NOT NULL);

CREATE OR REPLACE TEMP VIEW rule_customer_underpaid AS
SELECT 'customer-underpaid' AS rule, raw_key AS order_ref, '' AS supplier,
    order_total - customer_paid AS minor, cur,
    CASE WHEN minor > 0 THEN 'open' ELSE 'unknown' END AS verdict
FROM orders
WHERE customer_paid_on IS NOT NULL AND coalesce(minor > 0, true) AND cancelled_on IS NULL
    AND coalesce(refunded, 0) = 0 AND refunded_on IS NULL AND NOT some_given_back;

-- Revenue of a supplier order: of its lines what was sold, at their prices less discounts, with
-- their part of the order's discount and shipping; against what is payable, in home currency.
CREATE OR REPLACE TEMP TABLE rates AS
SELECT local_date(r.date, s.zone) AS day, r.base, r.quote, r.rate::DECIMAL(18, 9) AS rate
FROM raw_rates r JOIN source s USING (src);
CREATE OR REPLACE TEMP TABLE rate_of_day AS
SELECT d.day, b.base, arg_max(r.rate, r.day) AS rate
FROM (SELECT DISTINCT ordered_on AS day FROM orders) d
CROSS JOIN (SELECT DISTINCT base FROM rates WHERE quote = getvariable('home')) b
JOIN rates r ON r.base = b.base AND r.quote = getvariable('home') AND r.day <= d.day GROUP BY ALL;
CREATE OR REPLACE TEMP MACRO at_rate(minor, cur, rate) AS CASE
    WHEN minor_in_one(cur) = minor_in_one(getvariable('home'))
    THEN floor((minor::HUGEINT * (rate * 1000000000)::HUGEINT * 2 + 1000000000)::DECIMAL(38, 0)
         / 2000000000)::HUGEINT END;

CREATE OR REPLACE TEMP VIEW rule_sold_at_loss AS
WITH sold AS (
    SELECT l.order_id, l.supplier, sum(l.due_qty) AS units,
        sum(CASE WHEN l.qty > 0 THEN (2 * l.due_qty * l.worth_minor
                * (o.worth + o.shipping_charged - o.discount) + l.qty * greatest(o.worth, 1))
                // (2 * l.qty * greatest(o.worth, 1)) ELSE 0 END) AS revenue
    FROM due_lines l JOIN orders o USING (order_id) GROUP BY ALL
),
compared AS (
    SELECT s.order_ref, s.supplier, s.order_id, o.ordered_on, s.cur, v.units,
        CASE WHEN o.cur = getvariable('home') THEN v.revenue ELSE at_rate(v.revenue, o.cur, ro.rate)
            END AS revenue,
        CASE WHEN s.cur = getvariable('home') THEN s.payable ELSE at_rate(s.payable, s.cur, rs.rate)
            END AS cost
    FROM supplier_orders s JOIN sold v USING (order_id, supplier) JOIN orders o USING (order_id)
    LEFT JOIN rate_of_day ro ON ro.day = o.ordered_on AND ro.base = o.cur
    LEFT JOIN rate_of_day rs ON rs.day = o.ordered_on AND rs.base = s.cur
    -- In one currency that covers its cost nobody needs a rate.
    WHERE s.payable IS NOT NULL AND v.units > 0
        AND NOT (coalesce(ro.rate, rs.rate) IS NULL AND s.cur = o.cur
                 AND s.cur <> getvariable('home') AND v.revenue >= s.payable)
),
causes AS (
    SELECT order_id, supplier FROM rule_not_ordered UNION SELECT order_id, supplier FROM rule_overcharged
    UNION SELECT order_id, supplier FROM rule_wrong_country_rate
    UNION SELECT order_id, supplier FROM rule_invoice_arithmetic
)
SELECT 'sold-at-loss' AS rule, c.order_ref, c.supplier, CASE WHEN c.cost >= c.revenue THEN c.cost - c.revenue END AS minor,
    getvariable('home') AS cur,
    CASE WHEN c.cost IS NULL OR c.revenue IS NULL THEN 'unknown'
         WHEN w.order_id IS NOT NULL THEN 'follows' ELSE 'open' END AS verdict
FROM compared c LEFT JOIN causes w USING (order_id, supplier)
WHERE coalesce(c.revenue - c.cost < rule_days('sold-at-loss', 'floor', 0)
    * minor_in_one(getvariable('home')), true);

-- Documents whose order is in no export. After the orders' cover nobody can tell.
CREATE OR REPLACE TEMP MACRO since_cover(day) AS
    CASE WHEN covered('orders') >= day THEN 'open' ELSE 'unknown' END;
CREATE OR REPLACE TEMP VIEW rule_unknown_order AS
SELECT 'unknown-order' AS rule, trim(raw_ref) AS order_ref, raw_sku AS sku, supplier,
    raw_no AS document, minor, cur, since_cover(invoice_on) AS verdict
FROM invoices WHERE order_id IS NULL
UNION ALL
SELECT 'unknown-order', o.raw_ref, NULL, m.supplier, p.payment_ref, m.minor, m.cur, since_cover(m.paid_on)
FROM movements m JOIN payment_orders o USING (pid) JOIN payment_rows p USING (pid)
WHERE o.order_id IS NULL
UNION ALL
SELECT 'unknown-order', order_ref, sku, supplier, tracking_no, NULL, NULL, since_cover(shipped_on)
FROM named_parcels WHERE order_id IS NULL;
