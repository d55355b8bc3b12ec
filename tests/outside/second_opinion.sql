-- A second opinion on a shop's exports, in DuckDB SQL that shares no code with the project.
--
-- second_opinion.py fills these tables first, every cell still text and blank cells null:
--   raw_orders, raw_invoices, raw_payments, raw_shipments, raw_quotes, raw_sku_map
--       (src, file, row_no, content = the row's cells in one text, and the canonical columns)
--   source (src, record, covered_to, zone, prefix_re, suffix_re, separators)
--   supplier_name (name_key, supplier)      supplier_setting (supplier, terms, dispatch_days)
--   holiday (supplier, day)                 setting (rule, name, value)
--   lacks (record, name): columns that a file of the record does not bring
-- and the variables as_of, zone, tolerance_absolute, tolerance_percent.
--
-- Money is whole minor units in BIGINT and HUGEINT until the last view; nothing is a DOUBLE.
-- Order of the parts: vocabulary, accepted rows, references, lines, quantities, money, payments,
-- facts, rules. A new rule is one more view over the facts and one more line in the last view.

------------------------------------------------------------------------------------------------
-- Vocabulary
------------------------------------------------------------------------------------------------

-- ISO 4217: currencies whose minor unit is not a hundredth.
CREATE OR REPLACE TEMP MACRO decimals_of(cur) AS CASE
    WHEN cur IN ('BIF', 'CLP', 'DJF', 'GNF', 'ISK', 'JPY', 'KMF', 'KRW', 'PYG', 'RWF', 'UGX',
                 'UYI', 'VND', 'VUV', 'XAF', 'XOF', 'XPF') THEN 0
    WHEN cur IN ('BHD', 'IQD', 'JOD', 'KWD', 'LYD', 'OMR', 'TND') THEN 3
    WHEN cur IN ('CLF', 'UYW') THEN 4
    ELSE 2 END;
CREATE OR REPLACE TEMP MACRO minor_in_one(cur) AS CASE decimals_of(cur)
    WHEN 0 THEN 1::HUGEINT WHEN 2 THEN 100::HUGEINT WHEN 3 THEN 1000::HUGEINT
    ELSE 10000::HUGEINT END;
CREATE OR REPLACE TEMP MACRO major(minor, cur) AS minor::DECIMAL(28, 0) * CASE decimals_of(cur)
    WHEN 0 THEN 1.0000::DECIMAL(8, 4) WHEN 2 THEN 0.0100::DECIMAL(8, 4)
    WHEN 3 THEN 0.0010::DECIMAL(8, 4) ELSE 0.0001::DECIMAL(8, 4) END;

-- Text to whole minor units; null where the text is no number or has too many decimals. Zeros
-- beyond the currency's decimals say nothing, but three decimals may be thousands.
CREATE OR REPLACE TEMP MACRO money(txt, cur) AS CASE
    WHEN regexp_full_match(txt, '[+-]?[0-9]+(\.[0-9]+)?')
         AND (length(regexp_extract(txt, '\.([0-9]+)$', 1)) <= decimals_of(cur)
              OR length(regexp_extract(txt, '\.([0-9]+)$', 1)) <> 3
              AND length(rtrim(regexp_extract(txt, '\.([0-9]+)$', 1), '0')) <= decimals_of(cur))
    THEN (txt::DECIMAL(28, 4) * 10000)::HUGEINT // (10000 // minor_in_one(cur)) END;
-- Unit costs may be finer than the currency, down to millionths.
CREATE OR REPLACE TEMP MACRO unit_price(txt) AS CASE
    WHEN regexp_full_match(txt, '[0-9]+(\.[0-9]{1,6}0*)?')
    THEN (txt::DECIMAL(28, 8) * 100000000)::HUGEINT END;
-- Quantity times unit cost in minor units, half up.
CREATE OR REPLACE TEMP MACRO cost(quantity, price, cur) AS
    (quantity::HUGEINT * price * minor_in_one(cur) * 2 + 100000000) // 200000000;
CREATE OR REPLACE TEMP MACRO units(txt) AS CASE
    WHEN regexp_full_match(txt, '[0-9]+(\.0+)?') THEN regexp_extract(txt, '^[0-9]+')::BIGINT END;

-- A date as it stands, a timestamp brought to the shop's zone first.
CREATE OR REPLACE TEMP MACRO local_date(txt, src_zone) AS CASE
    WHEN regexp_full_match(txt, '[0-9]{4}-[0-9]{2}-[0-9]{2}') THEN try_cast(txt AS DATE)
    WHEN regexp_matches(txt, '(Z|z|[+-][0-9]{2}:?[0-9]{2})$')
    THEN timezone(getvariable('zone'), try_cast(txt AS TIMESTAMPTZ))::DATE
    ELSE timezone(getvariable('zone'), timezone(src_zone, try_cast(txt AS TIMESTAMP)))::DATE END;
CREATE OR REPLACE TEMP MACRO yes(txt) AS
    coalesce(lower(txt) IN ('true', 'yes', 'y', '1', 'x'), false);
CREATE OR REPLACE TEMP MACRO bad(txt, typed) AS (txt IS NOT NULL AND typed IS NULL);
CREATE OR REPLACE TEMP MACRO bad_money(texts, cur) AS
    len(list_filter(texts, lambda txt: txt IS NOT NULL AND money(txt, cur) IS NULL)) > 0;
-- A cell dated after as_of is not known yet.
CREATE OR REPLACE TEMP MACRO known(day) AS CASE WHEN day <= getvariable('as_of') THEN day END;

-- fold() comes from Python (NFKC, casefold) and is asked only where the text is not plain ASCII.
CREATE OR REPLACE TEMP MACRO folded(txt) AS CASE
    WHEN regexp_matches(txt, '[^\x00-\x7F]') THEN fold(txt) ELSE lower(trim(txt)) END;
CREATE OR REPLACE TEMP MACRO no_zeros(txt) AS CASE
    WHEN regexp_full_match(txt, '[0-9]+')
    THEN coalesce(nullif(ltrim(txt, '0'), ''), '0') ELSE txt END;
CREATE OR REPLACE TEMP MACRO no_suffix(txt, suffix_re) AS
    CASE WHEN suffix_re IS NULL THEN txt ELSE regexp_replace(txt, suffix_re, '') END;
CREATE OR REPLACE TEMP MACRO no_prefix(txt, prefix_re) AS CASE
    WHEN prefix_re IS NULL THEN txt
    ELSE regexp_replace(regexp_replace(txt, prefix_re, ''), '^#', '') END;
CREATE OR REPLACE TEMP MACRO clean(txt, prefix_re, suffix_re) AS
    no_zeros(regexp_replace(no_suffix(
        no_prefix(regexp_replace(folded(txt), '^#', ''), prefix_re), suffix_re), '\.0$', ''));
CREATE OR REPLACE TEMP MACRO is_replacement(txt, suffix_re) AS
    suffix_re IS NOT NULL AND regexp_matches(folded(txt), suffix_re);

CREATE OR REPLACE TEMP VIEW supplier_alias AS
SELECT txt, coalesce(any_value(n.supplier), txt) AS supplier
FROM (SELECT supplier AS txt FROM raw_orders UNION SELECT supplier FROM raw_invoices
      UNION SELECT supplier FROM raw_payments UNION SELECT supplier FROM raw_shipments
      UNION SELECT supplier FROM raw_quotes UNION SELECT supplier FROM raw_sku_map)
LEFT JOIN supplier_name n ON n.name_key = folded(txt)
WHERE txt IS NOT NULL GROUP BY txt;

------------------------------------------------------------------------------------------------
-- Accepted rows: what does not parse is rejected, what is dated after as_of is left out
------------------------------------------------------------------------------------------------

CREATE OR REPLACE TEMP TABLE parsed_orders AS
SELECT r.src, r.file, r.row_no, r.content, r.order_ref AS raw_ref, r.sku AS raw_sku, r.store,
    local_date(r.ordered_at, s.zone) AS ordered_on, units(r.qty) AS units,
    try_cast(r.line_no AS BIGINT) AS line_place, upper(r.ship_to_country) AS country,
    r.supplier AS raw_supplier, r.currency AS cur, s.prefix_re, s.suffix_re,
    coalesce(units(r.refunded_qty), 0) AS refunded_units, r.tracking_no,
    cost(units(r.qty), unit_price(r.unit_price), r.currency)
        - coalesce(money(r.discount, r.currency), 0) AS worth_minor,
    money(r.order_discount, r.currency) AS order_discount_minor,
    local_date(r.tracking_posted_at, s.zone) AS tracking_posted_on,
    local_date(r.customer_paid_at, s.zone) AS customer_paid_on,
    money(r.customer_paid, r.currency) AS customer_paid_minor,
    money(r.order_total, r.currency) AS order_total_minor,
    local_date(r.refunded_at, s.zone) AS refunded_on,
    money(r.refunded, r.currency) AS refunded_minor,
    local_date(r.cancelled_at, s.zone) AS cancelled_on,
    greatest(ordered_on, known(tracking_posted_on), known(customer_paid_on), known(refunded_on),
             known(cancelled_on)) AS latest_on,
    concat_ws(chr(31), coalesce(r.store, ''), r.order_ref, coalesce(r.line_no, r.sku)) AS same_key,
    r.order_ref IS NULL OR ordered_on IS NULL OR r.sku IS NULL OR units(r.qty) IS NULL
        OR r.unit_price IS NULL OR unit_price(r.unit_price) IS NULL
        OR NOT regexp_full_match(coalesce(r.currency, ''), '[A-Z]{3}')
        OR bad(r.refunded_qty, units(r.refunded_qty))
        OR bad(r.tracking_posted_at, tracking_posted_on)
        OR bad(r.customer_paid_at, customer_paid_on) OR bad(r.refunded_at, refunded_on)
        OR bad(r.cancelled_at, cancelled_on) OR bad(r.sent_at, local_date(r.sent_at, s.zone))
        OR bad(r.promised_by, local_date(r.promised_by, s.zone))
        OR bad_money([r.order_total, r.customer_paid, r.refunded, r.discount, r.order_discount,
                      r.shipping_charged, r.tax], r.currency) AS rejected
FROM raw_orders r JOIN source s USING (src);

CREATE OR REPLACE TEMP TABLE parsed_invoices AS
SELECT r.src, r.file, r.row_no, r.content, a.supplier AS biller, r.invoice_no AS raw_no,
    local_date(r.invoice_date, s.zone) AS invoice_on, r.order_ref AS raw_ref, r.sku AS raw_sku,
    units(r.qty) AS units, unit_price(r.unit_cost) AS price, r.currency AS cur,
    local_date(r.due_date, s.zone) AS due_on, coalesce(lower(r.kind), 'invoice') = 'credit' AS credit,
    yes(r.replacement) OR is_replacement(r.order_ref, s.suffix_re) AS replaces,
    clean(r.invoice_no, NULL, NULL) AS invoice_key,
    clean(r.order_ref, s.prefix_re, s.suffix_re) AS ref_key,
    CASE WHEN r.line_total IS NOT NULL THEN money(r.line_total, r.currency)
         ELSE cost(units(r.qty), unit_price(r.unit_cost), r.currency)
            + coalesce(money(r.shipping, r.currency), 0) + coalesce(money(r.tax, r.currency), 0)
            + coalesce(money(r.other_charges, r.currency), 0) END AS line_minor,
    invoice_on AS latest_on,
    concat_ws(chr(31), a.supplier, r.invoice_no, r.order_ref, r.sku, coalesce(r.kind, ''),
              coalesce(r.replacement, '')) AS same_key,
    r.supplier IS NULL OR r.invoice_no IS NULL OR invoice_on IS NULL OR r.order_ref IS NULL
        OR r.sku IS NULL OR units(r.qty) IS NULL
        OR r.unit_cost IS NULL OR unit_price(r.unit_cost) IS NULL
        OR NOT regexp_full_match(coalesce(r.currency, ''), '[A-Z]{3}') OR bad(r.due_date, due_on)
        OR bad_money([r.line_total, r.shipping, r.tax, r.other_charges], r.currency)
        OR coalesce(lower(r.kind), 'invoice') NOT IN ('invoice', 'credit') AS rejected
FROM raw_invoices r JOIN source s USING (src) LEFT JOIN supplier_alias a ON a.txt = r.supplier;

CREATE OR REPLACE TEMP TABLE parsed_payments AS
SELECT r.src, r.file, r.row_no, r.content, a.supplier AS payee, r.payment_ref,
    local_date(r.paid_at, s.zone) AS paid_on, r.currency AS cur,
    r.order_ref AS raw_refs, r.invoice_no AS raw_invoices, s.prefix_re, s.suffix_re, s.separators,
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
    r.carrier, r.tracking_no,
    yes(r.replacement) OR is_replacement(r.order_ref, s.suffix_re) AS replaces,
    clean(r.order_ref, s.prefix_re, s.suffix_re) AS ref_key,
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

------------------------------------------------------------------------------------------------
-- References
------------------------------------------------------------------------------------------------

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
SELECT o.*, trim(raw_ref) AS raw_key, clean(raw_ref, prefix_re, suffix_re) AS ref_key,
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
            AND NOT some_given_back, false) AS bare_refund, goods
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
    UNION SELECT trim(ref), clean(ref, prefix_re, suffix_re), src FROM (
        SELECT unnest(CASE WHEN separators IS NULL THEN [raw_refs]
            ELSE regexp_split_to_array(raw_refs, separators) END) AS ref, prefix_re, suffix_re, src
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
SELECT DISTINCT pid, clean(ref, NULL, NULL) AS invoice_key
FROM (SELECT pid, unnest(CASE WHEN separators IS NULL THEN [raw_invoices]
        ELSE regexp_split_to_array(raw_invoices, separators) END) AS ref
      FROM payment_rows WHERE raw_invoices IS NOT NULL)
WHERE trim(ref) <> '';

------------------------------------------------------------------------------------------------
-- Order lines and their quantities
------------------------------------------------------------------------------------------------

CREATE OR REPLACE TEMP TABLE quotes AS
SELECT a.supplier, coalesce(e.sku_key, folded(q.sku)) AS sku_key, coalesce(e.pack, 1) AS pack,
    unit_price(q.unit_cost) AS unit_cost, q.currency AS cur, upper(q.ship_to_country) AS country,
    coalesce(money(q.shipping, q.currency), 0) AS shipping,
    coalesce(money(q.shipping_next, q.currency), 0) AS shipping_next,
    coalesce(units(q.min_qty), 0) AS min_qty, local_date(q.valid_from, s.zone) AS valid_from,
    local_date(q.valid_to, s.zone) AS valid_to, units(q.dispatch_days) AS dispatch_days
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
        min(shipped_on) FILTER (tracking_no IS NOT NULL) AS number_on
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

------------------------------------------------------------------------------------------------
-- Money of a supplier order
------------------------------------------------------------------------------------------------

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
    sum(minor) AS billed, min(due_on) AS due_on
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
    b.order_id IS NOT NULL AS is_billed, a.agreed, b.due_on,
    CASE WHEN b.curs = 1 THEN b.cur WHEN b.curs IS NULL AND a.curs = 1 THEN a.cur END AS cur,
    coalesce(b.curs > 1, a.curs > 1, false) AS mixed,
    CASE WHEN b.order_id IS NOT NULL THEN b.billed - coalesce(d.duplicate, 0)
         ELSE a.agreed END AS payable
FROM pairs LEFT JOIN billed_orders b USING (order_id, supplier)
LEFT JOIN agreed_orders a USING (order_id, supplier)
LEFT JOIN duplicates d USING (order_id, supplier);

------------------------------------------------------------------------------------------------
-- Payments to supplier orders
------------------------------------------------------------------------------------------------

CREATE OR REPLACE TEMP TABLE movements AS
SELECT p.pid, p.supplier, p.paid_on, p.cur, p.minor, p.kind, p.status,
    count(DISTINCT o.raw_ref) AS refs, count(DISTINCT i.invoice_key) AS bills
FROM payment_rows p LEFT JOIN payment_orders o USING (pid) LEFT JOIN payment_invoices i USING (pid)
WHERE p.kind IN ('payment', 'refund') AND p.status IN ('settled', 'pending')
GROUP BY ALL;

-- (a) one order reference: the whole amount.
CREATE OR REPLACE TEMP TABLE by_reference AS
SELECT m.pid, o.order_id, m.minor FROM movements m JOIN payment_orders o USING (pid)
WHERE m.refs = 1 AND o.order_id IS NOT NULL;

-- (c) several order references: each its payable, where they add up exactly.
CREATE OR REPLACE TEMP TABLE by_references AS
SELECT m.pid, o.order_id, y.payable AS minor,
    sum(y.payable) OVER (PARTITION BY m.pid) = m.minor
        AND count(y.payable) OVER (PARTITION BY m.pid) = m.refs AS adds_up
FROM movements m JOIN payment_orders o USING (pid)
LEFT JOIN payables y ON y.order_id = o.order_id AND y.supplier = m.supplier AND y.cur = m.cur
WHERE m.refs > 1
QUALIFY adds_up;

-- (b) by invoice. An invoice's parts are what it bills for each of its orders; an order that no
-- export shows is a part too.
CREATE OR REPLACE TEMP TABLE bill_parts AS
SELECT supplier, invoice_key, cur, ref_key, order_id, sum(minor) AS minor,
    row_number() OVER (PARTITION BY supplier, invoice_key, cur ORDER BY ref_key, order_id) AS part,
    count(*) OVER (PARTITION BY supplier, invoice_key, cur) AS parts,
    sum(sum(minor)) OVER (PARTITION BY supplier, invoice_key, cur) AS total
FROM invoices GROUP BY supplier, invoice_key, cur, ref_key, order_id;

-- A payment of an invoice of one order is that order's whatever its amount. One that is more than
-- an invoice of several orders pays all of them, and what is left belongs to none.
CREATE OR REPLACE TEMP TABLE by_whole_bills AS
WITH named AS (
    SELECT m.pid, m.minor AS paid, m.bills, b.* FROM movements m JOIN payment_invoices i USING (pid)
    JOIN bill_parts b ON b.supplier = m.supplier AND b.invoice_key = i.invoice_key AND b.cur = m.cur
    WHERE m.refs = 0
)
SELECT pid, order_id, CASE WHEN parts = 1 AND bills = 1 AND order_id IS NOT NULL
    THEN paid ELSE minor END AS minor FROM named
QUALIFY count(DISTINCT invoice_key) OVER (PARTITION BY pid) = bills
    AND (sum(minor) OVER (PARTITION BY pid) = paid
         OR bills = 1 AND (total < paid OR parts = 1 AND order_id IS NOT NULL));

-- A smaller amount: every subset of the invoice's orders, for invoices of up to twelve.
CREATE OR REPLACE TEMP TABLE by_part_of_bill AS
WITH RECURSIVE open_bills AS (
    SELECT m.pid, m.minor AS paid, b.supplier, b.invoice_key, b.cur, b.parts
    FROM movements m JOIN payment_invoices i USING (pid)
    JOIN bill_parts b ON b.supplier = m.supplier AND b.invoice_key = i.invoice_key
        AND b.cur = m.cur AND b.part = 1
    WHERE m.refs = 0 AND m.bills = 1 AND m.minor < b.total AND b.parts BETWEEN 2 AND 12
),
subsets AS (
    SELECT pid, paid, supplier, invoice_key, cur, parts, 0::BIGINT AS part, 0::HUGEINT AS total,
        []::BIGINT[] AS chosen
    FROM open_bills
    UNION ALL
    SELECT s.pid, s.paid, s.supplier, s.invoice_key, s.cur, s.parts, b.part,
        s.total + CASE WHEN take.n = 1 THEN b.minor ELSE 0 END,
        CASE WHEN take.n = 1 THEN list_append(s.chosen, b.part) ELSE s.chosen END
    FROM subsets s JOIN bill_parts b ON b.supplier = s.supplier AND b.invoice_key = s.invoice_key
        AND b.cur = s.cur AND b.part = s.part + 1,
        (VALUES (0), (1)) AS take(n)
),
only_one AS (
    SELECT pid, any_value(supplier) AS supplier, any_value(invoice_key) AS invoice_key,
        any_value(cur) AS cur, any_value(chosen) AS chosen
    FROM subsets WHERE part = parts AND total = paid AND len(chosen) > 0
    GROUP BY pid HAVING count(*) = 1
)
SELECT o.pid, b.order_id, b.minor FROM only_one o JOIN bill_parts b
    ON b.supplier = o.supplier AND b.invoice_key = o.invoice_key AND b.cur = o.cur
    AND list_contains(o.chosen, b.part);

-- Several payments of one invoice that fit no subset alone and are its total together (a deposit
-- and its balance): laid end to end over the orders laid end to end.
CREATE OR REPLACE TEMP TABLE by_instalments AS
WITH loose AS (
    SELECT m.pid, m.supplier, i.invoice_key, m.cur, m.minor,
        sum(m.minor) OVER (PARTITION BY m.supplier, i.invoice_key, m.cur ORDER BY m.paid_on, m.pid
            ROWS UNBOUNDED PRECEDING) AS upto,
        sum(m.minor) OVER (PARTITION BY m.supplier, i.invoice_key, m.cur) AS paid
    FROM movements m JOIN payment_invoices i USING (pid)
    WHERE m.refs = 0 AND m.bills = 1 AND m.status = 'settled' AND m.kind = 'payment'
    AND m.pid NOT IN (SELECT pid FROM by_whole_bills UNION ALL SELECT pid FROM by_part_of_bill)
),
stretches AS (
    SELECT *, sum(minor) OVER (PARTITION BY supplier, invoice_key, cur ORDER BY part
        ROWS UNBOUNDED PRECEDING) AS upto,
        bool_and(minor > 0) OVER (PARTITION BY supplier, invoice_key, cur) AS all_positive
    FROM bill_parts
)
SELECT l.pid, b.order_id,
    least(l.upto, b.upto) - greatest(l.upto - l.minor, b.upto - b.minor) AS minor
FROM loose l JOIN stretches b ON b.supplier = l.supplier AND b.invoice_key = l.invoice_key
    AND b.cur = l.cur AND b.total = l.paid AND b.all_positive
WHERE least(l.upto, b.upto) > greatest(l.upto - l.minor, b.upto - b.minor);

CREATE OR REPLACE TEMP TABLE allocations AS
SELECT a.pid, a.order_id, a.minor, m.supplier, m.paid_on, m.cur, m.kind, m.status
FROM (FROM by_reference UNION ALL SELECT pid, order_id, minor FROM by_references
      UNION ALL FROM by_whole_bills UNION ALL FROM by_part_of_bill
      UNION ALL FROM by_instalments) a JOIN movements m USING (pid);

-- Money that names an order or its invoice and could not be put on it: nobody can tell whether
-- that order is paid.
CREATE OR REPLACE TEMP TABLE hanging AS
WITH loose AS (
    SELECT * FROM movements WHERE status IN ('settled', 'pending') AND kind = 'payment'
    AND pid NOT IN (SELECT pid FROM allocations)
)
SELECT o.order_id, l.supplier, l.status FROM loose l JOIN payment_orders o USING (pid)
WHERE o.order_id IS NOT NULL
UNION SELECT b.order_id, l.supplier, l.status FROM loose l JOIN payment_invoices i USING (pid)
JOIN bill_parts b ON b.supplier = l.supplier AND b.invoice_key = i.invoice_key
WHERE b.order_id IS NOT NULL;

------------------------------------------------------------------------------------------------
-- Facts: one row per supplier order, one row per order line
------------------------------------------------------------------------------------------------

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
    SELECT l.order_id, l.supplier, sum(l.live) AS live, bool_or(s.any_shipment) AS line_shipped
    FROM lines l JOIN shipped_lines s USING (line_id) GROUP BY ALL
),
sent AS (SELECT DISTINCT order_id, supplier FROM shipments WHERE order_id IS NOT NULL)
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
    w.order_id IS NOT NULL AS is_pending, n.order_id IS NOT NULL AS shipped,
    EXISTS (SELECT 1 FROM hanging h WHERE h.order_id = y.order_id AND h.supplier = y.supplier
            AND h.status = 'settled') AS hangs,
    coalesce(c.terms, 'prepay') AS terms, c.dispatch_days
FROM payables y JOIN orders o USING (order_id)
LEFT JOIN paid p USING (order_id, supplier) LEFT JOIN repeated r USING (order_id, supplier)
LEFT JOIN pending w USING (order_id, supplier) LEFT JOIN live v USING (order_id, supplier)
LEFT JOIN sent n USING (order_id, supplier) LEFT JOIN supplier_setting c USING (supplier);

-- (d) no reference: the only set of open orders that adds up, of up to twelve, is a suggestion.
CREATE OR REPLACE TEMP TABLE suggested AS
WITH RECURSIVE candidates AS (
    SELECT m.pid, m.minor AS amount, s.order_id, s.supplier, s.payable - s.paid AS rest,
        row_number() OVER (PARTITION BY m.pid ORDER BY s.order_id) AS part,
        count(*) OVER (PARTITION BY m.pid) AS parts
    FROM movements m JOIN supplier_orders s ON s.supplier = m.supplier AND s.cur = m.cur
    JOIN orders o USING (order_id)
    WHERE m.refs = 0 AND m.bills = 0 AND m.kind = 'payment' AND m.status = 'settled'
        AND s.payable > s.paid AND s.payable - s.paid <= m.minor AND o.ordered_on <= m.paid_on
        AND coalesce(o.cancelled_on >= m.paid_on, true)
),
subsets AS (
    SELECT DISTINCT pid, amount, parts, 0::BIGINT AS part, 0::HUGEINT AS total,
        []::BIGINT[] AS chosen
    FROM candidates WHERE parts <= 12
    UNION ALL
    SELECT s.pid, s.amount, s.parts, c.part, s.total + CASE WHEN take.n = 1 THEN c.rest ELSE 0 END,
        CASE WHEN take.n = 1 THEN list_append(s.chosen, c.part) ELSE s.chosen END
    FROM subsets s JOIN candidates c ON c.pid = s.pid AND c.part = s.part + 1,
        (VALUES (0), (1)) AS take(n)
),
only_one AS (
    SELECT pid, any_value(chosen) AS chosen FROM subsets WHERE part = parts AND total = amount
    GROUP BY pid HAVING count(*) = 1
)
SELECT DISTINCT c.order_id, c.supplier
FROM only_one u JOIN candidates c ON c.pid = u.pid AND list_contains(u.chosen, c.part);

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

------------------------------------------------------------------------------------------------
-- Dates: business days of a supplier, verdicts
------------------------------------------------------------------------------------------------

-- Every date with the number of business days up to it.
CREATE OR REPLACE TEMP TABLE calendar AS
SELECT supplier, day, isodow(day) < 6 AND h.day IS NULL AS works,
    count(*) FILTER (isodow(c.day) < 6 AND h.day IS NULL)
        OVER (PARTITION BY supplier ORDER BY c.day) AS works_upto
FROM (SELECT supplier, unnest(generate_series(first_on, getvariable('as_of') + 400, INTERVAL 1 DAY))::DATE
        AS day
      FROM (SELECT DISTINCT supplier FROM lines),
           (SELECT coalesce(min(paid_on), getvariable('as_of')) AS first_on FROM payment_rows)) c
LEFT JOIN (SELECT DISTINCT supplier, day FROM holiday) h USING (supplier, day);
CREATE OR REPLACE TEMP MACRO rule_days(rule_name, setting_name, usual) AS coalesce(
    (SELECT any_value(t.value::BIGINT) FROM setting t
     WHERE t.rule = rule_name AND t.name = setting_name), usual);

CREATE OR REPLACE TEMP MACRO verdict_of(due, cover_on) AS CASE
    WHEN due IS NULL THEN 'unknown'
    WHEN getvariable('as_of') <= due THEN 'waiting'
    WHEN cover_on >= due THEN 'open' ELSE 'unknown' END;
-- Nobody can tell what is missing from a column that a file does not bring.
CREATE OR REPLACE TEMP MACRO lacking(of_record, column_name) AS EXISTS (
    SELECT 1 FROM lacks k WHERE k.record = of_record AND k.name = column_name);
-- A gap within the tolerance passes; both limits must hold.
CREATE OR REPLACE TEMP MACRO tolerated(gap, base, cur) AS
    gap <= (getvariable('tolerance_absolute') * minor_in_one(cur))
    AND gap * 100 <= getvariable('tolerance_percent') * base;

------------------------------------------------------------------------------------------------
-- Rules. Each gives rule, order_ref, sku, supplier, minor, cur, verdict.
------------------------------------------------------------------------------------------------

CREATE OR REPLACE TEMP VIEW rule_unpaid AS
SELECT 'unpaid' AS rule, order_ref, NULL::VARCHAR AS sku, supplier, payable AS minor, cur,
    CASE WHEN mixed OR hangs OR (order_id, supplier) IN (SELECT (order_id, supplier) FROM suggested)
         THEN 'unknown' WHEN is_pending THEN 'waiting'
         ELSE verdict_of(pay_by, covered('payments')) END AS verdict
FROM (SELECT *, CASE WHEN terms = 'invoice' THEN due_on
          ELSE customer_paid_on + rule_days('unpaid', 'grace_days', 1)::INTEGER END AS pay_by
      FROM supplier_orders)
WHERE funded AND live > 0 AND paid <= 0 AND coalesce(payable > 0, true);

CREATE OR REPLACE TEMP VIEW rule_part_paid AS
SELECT 'part-paid' AS rule, order_ref, NULL::VARCHAR AS sku, supplier, payable - paid AS minor, cur,
    CASE WHEN mixed OR hangs THEN 'unknown' WHEN is_pending THEN 'waiting'
         ELSE verdict_of(pay_by, covered('payments')) END AS verdict
FROM (SELECT *, CASE WHEN terms = 'invoice' THEN due_on
          ELSE customer_paid_on + rule_days('part-paid', 'grace_days', 1)::INTEGER END AS pay_by
      FROM supplier_orders)
WHERE paid > 0 AND paid < payable AND NOT tolerated(payable - paid, payable, cur)
    AND funded AND live > 0;

CREATE OR REPLACE TEMP VIEW rule_refunded_but_paid AS
SELECT 'refunded-but-paid' AS rule, order_id, order_ref, NULL::VARCHAR AS sku, supplier,
    paid AS minor, cur, CASE WHEN mixed THEN 'unknown' ELSE 'open' END AS verdict
FROM supplier_orders WHERE ended AND NOT shipped AND paid > 0;

CREATE OR REPLACE TEMP VIEW rule_unfunded AS
SELECT 'unfunded' AS rule, order_id, order_ref, NULL::VARCHAR AS sku, supplier,
    CASE WHEN paid > 0 THEN paid ELSE payable END AS minor, cur, 'open' AS verdict
FROM supplier_orders WHERE NOT funded AND cancelled_on IS NULL AND (paid > 0 OR shipped);

CREATE OR REPLACE TEMP VIEW paid_beyond AS
SELECT o.*, CASE WHEN payable IS NOT NULL THEN paid - payable ELSE least(repeated, paid) END AS excess,
    CASE WHEN payable IS NULL THEN repeated > 0
         ELSE times > 1 AND paid - smallest >= payable AND paid > payable
            OR duplicate > 0 AND paid > payable END AS twice,
    CASE WHEN o.mixed THEN 'unknown' WHEN r.order_id IS NOT NULL THEN 'follows' ELSE 'open' END AS verdict
FROM supplier_orders o LEFT JOIN rule_refunded_but_paid r USING (order_id, supplier);

CREATE OR REPLACE TEMP VIEW rule_double_paid AS
SELECT 'double-paid' AS rule, order_ref, NULL::VARCHAR AS sku, supplier, excess AS minor, cur, verdict
FROM paid_beyond WHERE twice AND excess > 0 AND (payable IS NULL OR NOT tolerated(excess, payable, cur));

CREATE OR REPLACE TEMP VIEW rule_overpaid AS
SELECT 'overpaid' AS rule, order_ref, NULL::VARCHAR AS sku, supplier, excess AS minor, cur, verdict
FROM paid_beyond WHERE NOT twice AND paid > payable AND NOT tolerated(excess, payable, cur);

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
SELECT 'unfulfilled' AS rule, order_ref, raw_sku AS sku, supplier, share AS minor, cur,
    CASE WHEN mixed THEN 'unknown' WHEN follows THEN 'follows'
         ELSE verdict_of(due_on, covered('shipments')) END AS verdict
FROM awaited_lines WHERE NOT any_shipment;

CREATE OR REPLACE TEMP VIEW rule_short_shipped AS
SELECT 'short-shipped' AS rule, order_ref, raw_sku AS sku, supplier,
    (2 * share * (live - shipped) + live) // (2 * live) AS minor, cur,
    CASE WHEN mixed THEN 'unknown' ELSE verdict_of(due_on, covered('shipments')) END AS verdict
FROM awaited_lines WHERE shipped > 0 AND shipped < live;

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

CREATE OR REPLACE TEMP VIEW rule_tracking_not_posted AS
SELECT 'tracking-not-posted' AS rule, order_ref, raw_sku AS sku, supplier, NULL::HUGEINT AS minor,
    NULL::VARCHAR AS cur,
    CASE WHEN verdict_of(due_on, covered('orders')) = 'open' AND lacking('orders', 'tracking_no')
         THEN 'unknown' ELSE verdict_of(due_on, covered('orders')) END AS verdict
FROM (SELECT *, first_number_on + rule_days('tracking-not-posted', 'grace_days', 1)::INTEGER AS due_on
      FROM order_lines)
WHERE first_number_on IS NOT NULL AND (tracking_no IS NULL OR tracking_posted_on > getvariable('as_of'));

CREATE OR REPLACE TEMP VIEW rule_missing_tracking AS
SELECT 'missing-tracking' AS rule, coalesce(o.raw_key, trim(h.raw_ref)) AS order_ref,
    coalesce(k.raw_sku, h.raw_sku) AS sku, h.supplier, NULL::HUGEINT AS minor, NULL::VARCHAR AS cur,
    verdict_of(h.shipped_on + rule_days('missing-tracking', 'grace_days', 2)::INTEGER,
               covered('shipments')) AS verdict
FROM shipments h LEFT JOIN orders o USING (order_id)
LEFT JOIN (SELECT order_id, sku_key, min(raw_sku) AS raw_sku FROM lines GROUP BY ALL) k
    ON k.order_id = h.order_id AND k.sku_key = h.sku_key
WHERE h.tracking_no IS NULL;

CREATE OR REPLACE TEMP VIEW findings AS
SELECT rule, verdict, order_ref, coalesce(sku, '') AS sku, supplier,
    CASE WHEN minor IS NOT NULL THEN major(minor, cur) END AS amount, coalesce(cur, '') AS currency
FROM (
    SELECT * FROM rule_unpaid
    UNION ALL SELECT * FROM rule_part_paid
    UNION ALL SELECT * FROM rule_double_paid
    UNION ALL SELECT * FROM rule_overpaid
    UNION ALL SELECT * EXCLUDE (order_id) FROM rule_refunded_but_paid
    UNION ALL SELECT * EXCLUDE (order_id) FROM rule_unfunded
    UNION ALL SELECT * FROM rule_billed_twice
    UNION ALL SELECT * FROM rule_unfulfilled
    UNION ALL SELECT * FROM rule_short_shipped
    UNION ALL SELECT * FROM rule_tracking_not_posted
    UNION ALL SELECT * FROM rule_missing_tracking)
ORDER BY rule, order_ref, sku, supplier, amount, currency, verdict;
