-- Accepted rows: what does not parse is rejected, what is dated after as_of is left out.

CREATE OR REPLACE TEMP TABLE parsed_orders AS
WITH typed AS MATERIALIZED (
    SELECT r.*, s.zone, s.prefixes, s.suffixes, r.currency AS cur,
        local_date(r.ordered_at, s.zone) AS ordered_on, units(r.qty) AS units,
        unit_price(r.unit_price) AS price, units(r.refunded_qty) AS units_back,
        local_date(r.promised_by, s.zone) AS promised_on, local_date(r.sent_at, s.zone) AS sent_on,
        local_date(r.tracking_posted_at, s.zone) AS tracking_posted_on,
        local_date(r.customer_paid_at, s.zone) AS customer_paid_on,
        local_date(r.refunded_at, s.zone) AS refunded_on,
        local_date(r.cancelled_at, s.zone) AS cancelled_on,
        money(r.discount, r.currency) AS discount_minor, money(r.tax, r.currency) AS tax_minor,
        money(r.order_discount, r.currency) AS order_discount_minor,
        money(r.shipping_charged, r.currency) AS shipping_charged_minor,
        money(r.customer_paid, r.currency) AS customer_paid_minor,
        money(r.order_total, r.currency) AS order_total_minor,
        money(r.refunded, r.currency) AS refunded_minor
    FROM raw_orders r JOIN source s USING (src)
)
SELECT src, file, row_no, content, order_ref AS raw_ref, sku AS raw_sku, store, ordered_on, units,
    try_cast(line_no AS BIGINT) AS line_place, upper(ship_to_country) AS country,
    supplier AS raw_supplier, cur, prefixes, suffixes, recipient_key AS recipient,
    coalesce(units_back, 0) AS refunded_units, a_number(tracking_no) AS tracking_no, promised_on, sent_on,
    cost(units, price, cur) - coalesce(discount_minor, 0) AS worth_minor, order_discount_minor,
    shipping_charged_minor, tracking_posted_on, customer_paid_on, customer_paid_minor,
    order_total_minor, refunded_on, refunded_minor, cancelled_on,
    greatest(ordered_on, known(tracking_posted_on), known(customer_paid_on), known(refunded_on),
             known(cancelled_on)) AS latest_on,
    concat_ws(chr(31), coalesce(store, ''), order_ref, coalesce(line_no, sku)) AS same_key,
    order_ref IS NULL OR ordered_on IS NULL OR sku IS NULL OR units IS NULL OR price IS NULL
        OR NOT regexp_full_match(coalesce(cur, ''), '[A-Z]{3}') OR bad(refunded_qty, units_back)
        OR bad(tracking_posted_at, tracking_posted_on) OR bad(customer_paid_at, customer_paid_on)
        OR bad(refunded_at, refunded_on) OR bad(cancelled_at, cancelled_on)
        OR bad(sent_at, sent_on) OR bad(promised_by, promised_on)
        OR bad(order_total, order_total_minor) OR bad(customer_paid, customer_paid_minor)
        OR bad(refunded, refunded_minor) OR bad(discount, discount_minor) OR bad(tax, tax_minor)
        OR bad(order_discount, order_discount_minor)
        OR bad(shipping_charged, shipping_charged_minor) AS rejected
FROM typed;

CREATE OR REPLACE TEMP TABLE parsed_invoices AS
WITH typed AS MATERIALIZED (
    SELECT r.*, a.supplier AS biller, s.prefixes, s.suffixes, r.currency AS cur,
        local_date(r.invoice_date, s.zone) AS invoice_on, local_date(r.due_date, s.zone) AS due_on,
        units(r.qty) AS units, unit_price(r.unit_cost) AS price,
        coalesce(lower(r.kind), 'invoice') AS what, money(r.line_total, r.currency) AS stated_minor,
        money(r.shipping, r.currency) AS shipping_minor, money(r.tax, r.currency) AS tax_minor,
        money(r.other_charges, r.currency) AS other_minor
    FROM raw_invoices r JOIN source s USING (src) LEFT JOIN supplier_alias a ON a.txt = r.supplier
)
SELECT src, file, row_no, content, biller, invoice_no AS raw_no, invoice_on, order_ref AS raw_ref,
    sku AS raw_sku, units, cur, due_on,
    yes(replacement) OR is_replacement(order_ref, suffixes) AS replaces,
    clean(invoice_no, []::VARCHAR[], []::VARCHAR[]) AS invoice_key, clean(order_ref, prefixes, suffixes) AS ref_key,
    stated_minor, shipping_minor, cost(units, price, cur) + coalesce(shipping_minor, 0)
        + coalesce(tax_minor, 0) + coalesce(other_minor, 0) AS parts_minor,
    coalesce(stated_minor, parts_minor) AS line_minor, invoice_on AS latest_on,
    -- A credit is what gives something back, whatever it is called and however it is written.
    what = 'credit' OR line_minor < 0 AS credit, CASE WHEN credit THEN abs(price) ELSE price END AS price,
    concat_ws(chr(31), biller, invoice_no, order_ref, sku, coalesce(kind, ''),
              coalesce(replacement, '')) AS same_key,
    supplier IS NULL OR invoice_no IS NULL OR invoice_on IS NULL OR order_ref IS NULL
        OR sku IS NULL OR units IS NULL OR price IS NULL
        OR NOT regexp_full_match(coalesce(cur, ''), '[A-Z]{3}') OR bad(due_date, due_on)
        OR bad(line_total, stated_minor) OR bad(shipping, shipping_minor) OR bad(tax, tax_minor)
        OR bad(other_charges, other_minor) OR what NOT IN ('invoice', 'credit') AS rejected
FROM typed;

CREATE OR REPLACE TEMP TABLE parsed_payments AS
SELECT r.src, r.file, r.row_no, r.content, a.supplier AS payee, r.payment_ref,
    local_date(r.paid_at, s.zone) AS paid_on, r.currency AS cur,
    r.order_ref AS raw_refs, r.invoice_no AS raw_invoices, s.prefixes, s.suffixes, s.separators,
    coalesce(lower(r.status), 'settled') AS state,
    CASE WHEN money(r.amount, r.currency) < 0 THEN 'refund'
         ELSE coalesce(lower(r.kind), 'payment') END AS movement,
    abs(money(r.amount, r.currency)) AS minor,
    paid_on AS latest_on,
    concat_ws(chr(31), a.supplier, r.payment_ref, coalesce(r.order_ref, ''),
              coalesce(r.invoice_no, ''), coalesce(r.kind, '')) AS same_key,
    r.supplier IS NULL OR r.payment_ref IS NULL OR paid_on IS NULL
        OR r.amount IS NULL OR minor IS NULL
        OR NOT regexp_full_match(coalesce(r.currency, ''), '[A-Z]{3}')
        OR state NOT IN ('settled', 'pending', 'failed', 'reversed')
        OR movement NOT IN ('payment', 'refund', 'top-up') AS rejected
FROM raw_payments r JOIN source s USING (src) LEFT JOIN supplier_alias a ON a.txt = r.supplier;

CREATE OR REPLACE TEMP TABLE parsed_shipments AS
SELECT r.src, r.file, r.row_no, r.content, a.supplier AS sender, r.order_ref AS raw_ref,
    r.sku AS raw_sku, local_date(r.shipped_at, s.zone) AS shipped_on, units(r.qty) AS units,
    r.carrier, a_number(r.tracking_no) AS tracking_no, known(local_date(r.delivered_at, s.zone)) AS delivered_on,
    yes(r.replacement) OR is_replacement(r.order_ref, s.suffixes) AS replaces,
    clean(r.order_ref, s.prefixes, s.suffixes) AS ref_key,
    greatest(shipped_on, known(local_date(r.delivered_at, s.zone))) AS latest_on,
    concat_ws(chr(31), a.supplier, r.order_ref, r.shipped_at, coalesce(r.sku, '')) AS same_key,
    r.supplier IS NULL OR r.order_ref IS NULL OR shipped_on IS NULL OR bad(r.qty, units(r.qty))
        OR bad(r.delivered_at, local_date(r.delivered_at, s.zone)) AS rejected
FROM raw_shipments r JOIN source s USING (src) LEFT JOIN supplier_alias a ON a.txt = r.supplier;

-- Exports overlap. A row counts as often as the file that shows it most. Where one key has other
-- content in another file, the file that reaches furthest in time wins.
CREATE OR REPLACE TEMP MACRO events(parsed) AS TABLE
WITH accepted AS (
    SELECT *, max(latest_on) FILTER (NOT rejected) OVER (PARTITION BY src, file) AS reaches
    FROM query_table(parsed)
),
rows_in_file AS (
    SELECT src, same_key, content, file, any_value(reaches) AS reaches, count(*) AS times,
        min(row_no) AS row_no
    FROM accepted WHERE NOT rejected GROUP BY ALL
),
keys AS (
    SELECT src, same_key, count(DISTINCT file) AS files, count(DISTINCT content) AS contents,
        count(*) AS shown, arg_max(file, (reaches, file)) AS newest
    FROM rows_in_file GROUP BY ALL
),
kept AS (
    SELECT src, same_key, content, max(times) AS times, arg_min(file, (file, row_no)) AS file
    FROM rows_in_file f JOIN keys k USING (src, same_key)
    WHERE k.shown = k.files * k.contents OR f.file = k.newest
    GROUP BY ALL
),
first_row AS (
    SELECT * FROM accepted WHERE NOT rejected
    QUALIFY row_number() OVER (PARTITION BY src, same_key, content, file ORDER BY row_no) = 1
)
SELECT f.* EXCLUDE (content, same_key, rejected, reaches, latest_on), copy.n AS copy_no
FROM kept k JOIN first_row f USING (src, same_key, content, file),
    LATERAL (SELECT unnest(range(k.times::BIGINT)) AS n) AS copy;

CREATE OR REPLACE TEMP TABLE order_rows AS
SELECT * RENAME (raw_supplier AS supplier, units AS qty, refunded_units AS refunded_qty,
    line_place AS line_no)
FROM events('parsed_orders') WHERE ordered_on <= getvariable('as_of');
CREATE OR REPLACE TEMP TABLE invoice_rows AS
SELECT * RENAME (biller AS supplier, replaces AS replacement, units AS qty, price AS unit_cost), row_number() OVER (ORDER BY src, file, row_no, copy_no) AS iid
FROM events('parsed_invoices') WHERE invoice_on <= getvariable('as_of');
CREATE OR REPLACE TEMP TABLE payment_rows AS
SELECT * RENAME (payee AS supplier, state AS status, movement AS kind), row_number() OVER (ORDER BY src, file, row_no, copy_no) AS pid
FROM events('parsed_payments') WHERE paid_on <= getvariable('as_of');
CREATE OR REPLACE TEMP TABLE shipment_rows AS
SELECT * RENAME (sender AS supplier, replaces AS replacement, units AS qty), row_number() OVER (ORDER BY src, file, row_no, copy_no) AS hid
FROM events('parsed_shipments') WHERE shipped_on <= getvariable('as_of');

-- How far each record's sources reach: the least of them.
CREATE OR REPLACE TEMP TABLE cover AS
SELECT record, min(CASE covered_to WHEN 'as-of' THEN getvariable('as_of')
    WHEN 'last-row' THEN last_on ELSE try_cast(covered_to AS DATE) END) AS covered_on
FROM source LEFT JOIN (
    SELECT src, max(ordered_on) AS last_on FROM order_rows GROUP BY src
    UNION ALL SELECT src, max(invoice_on) FROM invoice_rows GROUP BY src
    UNION ALL SELECT src, max(paid_on) FROM payment_rows GROUP BY src
    UNION ALL SELECT src, max(shipped_on) FROM shipment_rows GROUP BY src) USING (src)
GROUP BY record;
CREATE OR REPLACE TEMP MACRO covered(rec) AS
    (SELECT any_value(c.covered_on) FROM cover c WHERE c.record = rec);
