-- References: which order, and which of our SKUs, a row of another record is about.

CREATE OR REPLACE TEMP TABLE sku_entry AS
SELECT a.supplier, folded(m.supplier_sku) AS from_key, any_value(folded(m.sku)) AS sku_key,
    any_value(units(m.units)) AS pack
FROM raw_sku_map m JOIN supplier_alias a ON a.txt = m.supplier
WHERE NOT EXISTS (SELECT 1 FROM raw_sku_map k
    WHERE folded(k.sku) = folded(m.sku) AND k.supplier = m.supplier
    AND folded(k.supplier_sku) <> folded(m.supplier_sku)) -- kits are not judged here
GROUP BY ALL HAVING count(DISTINCT folded(m.sku)) = 1;

-- One row per customer order. Two raw references of one store that clean to one key stay apart,
-- and are matched by raw text only.
CREATE OR REPLACE TEMP TABLE keyed_orders AS
SELECT o.*, trim(raw_ref) AS raw_key, clean(raw_ref, prefixes, suffixes) AS ref_key,
    folded(raw_sku) AS sku_key
FROM order_rows o;
CREATE OR REPLACE TEMP TABLE orders AS
WITH spelled AS (
    SELECT coalesce(store, '') AS store, ref_key, count(DISTINCT raw_key) > 1 AS collided
    FROM keyed_orders GROUP BY ALL
),
gathered AS (
    SELECT s.store, s.ref_key, s.collided, k.raw_key, min(k.ordered_on) AS ordered_on,
        max(k.customer_paid_on) AS paid_on, max(k.customer_paid_minor) AS paid,
        max(k.order_total_minor) AS order_total, max(k.cancelled_on) AS cancelled,
        max(k.refunded_on) AS refund_on, max(k.refunded_minor) AS refund,
        sum(k.worth_minor) - coalesce(max(k.order_discount_minor), 0) AS goods,
        sum(k.worth_minor) AS worth, coalesce(max(k.order_discount_minor), 0) AS discount,
        coalesce(max(k.shipping_charged_minor), 0) AS shipping_charged,
        max(k.recipient) AS recipient, any_value(k.cur) AS cur,
        bool_or(k.refunded_qty > 0) AS some_given_back
    FROM keyed_orders k JOIN spelled s ON s.store = coalesce(k.store, '') AND s.ref_key = k.ref_key
    GROUP BY ALL
),
as_known AS ( -- an amount is known from its date on
    SELECT store, ref_key, collided, raw_key, ordered_on, order_total,
        known(paid_on) AS customer_paid_on, known(cancelled) AS cancelled_on,
        CASE WHEN coalesce(paid_on <= getvariable('as_of'), true) THEN paid END AS customer_paid,
        coalesce(refund_on > getvariable('as_of'), false) AS refund_is_later,
        CASE WHEN NOT refund_is_later THEN refund END AS refunded,
        -- A date without amount or quantity is a refund of everything.
        coalesce(refund_on <= getvariable('as_of') AND coalesce(refund, 0) = 0
            AND NOT some_given_back, false) AS bare_refund, goods, worth, discount,
        shipping_charged, recipient, cur, known(refund_on) AS refunded_on,
        some_given_back AND NOT refund_is_later AS some_given_back
    FROM gathered
)
SELECT row_number() OVER (ORDER BY store, ref_key, raw_key) AS order_id, *,
    customer_paid_on IS NOT NULL AND coalesce(customer_paid >= order_total, true) AS funded,
    bare_refund OR coalesce(refunded > 0
        AND refunded >= coalesce(least(customer_paid, order_total), goods), false)
        AS refunded_in_full,
    cancelled_on IS NOT NULL OR refunded_in_full AS ended
FROM as_known;

-- A reference of another record: the one order that it names, or none.
CREATE OR REPLACE TEMP TABLE named_orders AS
WITH refs AS (
    SELECT DISTINCT trim(raw_ref) AS raw_ref, ref_key, src FROM invoice_rows
    UNION SELECT trim(raw_ref), ref_key, src FROM shipment_rows
    UNION SELECT trim(ref), clean(ref, prefixes, suffixes), src FROM (
        SELECT unnest(CASE WHEN separators IS NULL THEN [raw_refs]
            ELSE regexp_split_to_array(raw_refs, separators) END) AS ref, prefixes, suffixes, src
        FROM payment_rows WHERE raw_refs IS NOT NULL) WHERE trim(ref) <> ''
)
SELECT r.src, r.raw_ref, any_value(o.order_id) AS order_id
FROM refs r JOIN orders o ON o.ref_key = r.ref_key AND (NOT o.collided OR o.raw_key = r.raw_ref)
GROUP BY r.src, r.raw_ref HAVING count(DISTINCT o.order_id) = 1;

CREATE OR REPLACE TEMP TABLE invoices AS
SELECT i.* EXCLUDE (qty), n.order_id, coalesce(e.sku_key, folded(i.raw_sku)) AS sku_key,
    i.qty // coalesce(e.pack, 1) AS qty,
    CASE WHEN i.credit THEN -abs(i.line_minor) ELSE i.line_minor END AS minor
FROM invoice_rows i LEFT JOIN named_orders n ON n.src = i.src AND n.raw_ref = trim(i.raw_ref)
LEFT JOIN sku_entry e ON e.supplier = i.supplier AND e.from_key = folded(i.raw_sku);

CREATE OR REPLACE TEMP TABLE shipments AS
SELECT h.* EXCLUDE (qty), n.order_id, coalesce(e.sku_key, folded(h.raw_sku)) AS sku_key,
    h.qty // coalesce(e.pack, 1) AS qty
FROM shipment_rows h LEFT JOIN named_orders n ON n.src = h.src AND n.raw_ref = trim(h.raw_ref)
LEFT JOIN sku_entry e ON e.supplier = h.supplier AND e.from_key = folded(h.raw_sku);

CREATE OR REPLACE TEMP TABLE payment_orders AS
SELECT DISTINCT p.pid, trim(p.ref) AS raw_ref, n.order_id
FROM (SELECT pid, src, unnest(CASE WHEN separators IS NULL THEN [raw_refs]
        ELSE regexp_split_to_array(raw_refs, separators) END) AS ref
      FROM payment_rows WHERE raw_refs IS NOT NULL) p
LEFT JOIN named_orders n ON n.src = p.src AND n.raw_ref = trim(p.ref)
WHERE trim(p.ref) <> '';

CREATE OR REPLACE TEMP TABLE payment_invoices AS
SELECT DISTINCT pid, clean(ref, []::VARCHAR[], []::VARCHAR[]) AS invoice_key
FROM (SELECT pid, unnest(CASE WHEN separators IS NULL THEN [raw_invoices]
        ELSE regexp_split_to_array(raw_invoices, separators) END) AS ref
      FROM payment_rows WHERE raw_invoices IS NOT NULL)
WHERE trim(ref) <> '';
