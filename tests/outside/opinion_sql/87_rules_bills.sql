-- Rules about what suppliers bill: prices, totals, goods, currencies.

-- Units of invoice lines that are neither credited nor billed beyond the order. A credit takes
-- back the newest lines of its own price; what is beyond the order is on the newest lines.
CREATE OR REPLACE TEMP TABLE kept_lines AS
WITH credits AS (
    SELECT order_id, supplier, sku_key, unit_cost, sum(qty) AS qty FROM invoices
    WHERE credit AND order_id IS NOT NULL GROUP BY ALL
),
ordered AS (
    SELECT order_id, supplier, sku_key, sum(qty) AS qty, any_value(raw_sku) AS raw_sku,
        any_value(country) AS country FROM lines GROUP BY ALL
),
uncredited AS (
    SELECT i.*, o.qty AS ordered_qty, o.country, o.order_id IS NOT NULL AS on_order,
        coalesce(o.raw_sku, i.raw_sku) AS sku,
        coalesce(sum(i.qty) OVER (PARTITION BY i.order_id, i.supplier, i.sku_key, i.unit_cost
            ORDER BY i.invoice_on DESC, i.invoice_key DESC, i.iid DESC
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0) AS newer,
        i.qty - greatest(least(coalesce(c.qty, 0) - newer, i.qty), 0) AS left_qty
    FROM invoices i LEFT JOIN credits c USING (order_id, supplier, sku_key, unit_cost)
    LEFT JOIN ordered o USING (order_id, supplier, sku_key)
    WHERE i.order_id IS NOT NULL AND NOT i.credit AND NOT i.replacement
),
beyond AS (
    SELECT *, coalesce(sum(left_qty) OVER newest_first, 0) AS newer_left,
        sum(left_qty) OVER (PARTITION BY order_id, supplier, sku_key) - ordered_qty AS extra
    FROM uncredited
    WINDOW newest_first AS (PARTITION BY order_id, supplier, sku_key
        ORDER BY invoice_on DESC, invoice_key DESC, line_minor DESC, qty DESC, iid
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)
)
SELECT *, left_qty - greatest(least(coalesce(extra, 0) - newer_left, left_qty), 0) AS kept
FROM beyond;

-- The quote against which an order's bills of a SKU stand: of the day of the order, its country,
-- and its units; billed in parts, they cost what they cost together.
CREATE OR REPLACE TEMP TABLE billed_quotes AS
WITH billed AS (
    SELECT order_id, supplier, sku_key, any_value(country) AS country, sum(kept) AS units
    FROM kept_lines WHERE on_order GROUP BY ALL HAVING sum(kept) > 0
),
due AS (SELECT order_id, supplier, sku_key, sum(due_qty) AS due FROM due_lines GROUP BY ALL),
valid AS (
    SELECT b.*, q.* EXCLUDE (supplier, sku_key, country), q.country AS for_country
    FROM billed b JOIN orders o USING (order_id) JOIN quotes q USING (supplier, sku_key)
    JOIN due d USING (order_id, supplier, sku_key)
    WHERE q.min_qty <= greatest(d.due, 1) AND (q.valid_from IS NULL OR q.valid_from <= o.ordered_on)
        AND (q.valid_to IS NULL OR q.valid_to >= o.ordered_on)
)
SELECT *, rank() OVER (PARTITION BY order_id, supplier, sku_key, for_country = country OR for_country IS NULL,
        CASE WHEN for_country = country OR for_country IS NULL THEN '' ELSE for_country END
        ORDER BY for_country IS NULL, min_qty DESC, valid_from DESC NULLS LAST) = 1 AS is_best,
    coalesce(for_country = country, for_country IS NULL) AS is_own
FROM valid;

CREATE OR REPLACE TEMP TABLE excesses AS
WITH own AS (
    SELECT order_id, supplier, sku_key, any_value(unit_cost) AS quoted_cost, any_value(cur) AS quoted_cur,
        any_value(pack) AS pack, bool_and(ships) AS ships, any_value(shipping) AS first_shipping,
        any_value(shipping + shipping_next * (units - 1)) AS allowed
    FROM billed_quotes WHERE is_own AND is_best GROUP BY ALL
    HAVING count(DISTINCT (unit_cost, cur, shipping, shipping_next)) = 1
),
-- A credit at a price that no line bills takes money off and no units.
money_off AS (
    SELECT c.order_id, c.supplier, sum(abs(c.line_minor)) AS off FROM invoices c
    WHERE c.credit AND NOT EXISTS (SELECT 1 FROM invoices i WHERE NOT i.credit
        AND i.order_id = c.order_id AND i.supplier = c.supplier AND i.sku_key = c.sku_key
        AND i.unit_cost = c.unit_cost)
    GROUP BY ALL
),
compared AS (
    SELECT k.*, o.pack, o.allowed, o.ships, cost(kept * pack, quoted_cost, cur) AS goods_quoted,
        greatest(cost(kept * pack, unit_cost, cur) - goods_quoted, 0) AS goods_excess,
        CASE WHEN ships AND qty > 0
             THEN (2 * coalesce(shipping_minor, 0) * kept + qty) // (2 * qty) ELSE 0 END AS sent_for,
        greatest(parts_minor - coalesce(stated_minor, parts_minor), 0) + coalesce(m.off, 0) AS less
    FROM kept_lines k JOIN own o USING (order_id, supplier, sku_key)
    LEFT JOIN money_off m USING (order_id, supplier)
    WHERE kept > 0 AND o.quoted_cur = k.cur
),
shipped AS (
    SELECT *, sum(sent_for) OVER (PARTITION BY order_id, supplier, sku_key
            ORDER BY invoice_on, invoice_key, iid ROWS UNBOUNDED PRECEDING) AS upto,
        greatest(upto - coalesce(allowed, 0), 0) AS beyond_allowed
    FROM compared
)
SELECT *, CASE WHEN ships THEN least(beyond_allowed, sent_for) ELSE 0 END AS shipping_excess,
    greatest(goods_excess + shipping_excess - less, 0) AS excess,
    goods_quoted + sent_for - shipping_excess AS quoted_minor
FROM shipped;

-- Billed above the quote of the order's country, and exactly at that of another one.
CREATE OR REPLACE TEMP TABLE other_rates AS
SELECT DISTINCT e.iid FROM excesses e JOIN billed_quotes q USING (order_id, supplier, sku_key)
WHERE e.excess > 0 AND q.is_best AND NOT q.is_own AND q.unit_cost = e.unit_cost AND q.cur = e.cur
    AND (NOT q.ships OR e.shipping_minor IS NULL
         OR e.shipping_minor = q.shipping + q.shipping_next * (e.qty - 1));

CREATE OR REPLACE TEMP VIEW bill_excesses AS
SELECT e.*, o.raw_key AS order_ref, r.iid IS NOT NULL AS elsewhere,
    e.excess > 0 AND NOT tolerated(e.excess, e.quoted_minor, e.cur) AS fires
FROM excesses e JOIN orders o USING (order_id) LEFT JOIN other_rates r USING (iid);

CREATE OR REPLACE TEMP VIEW rule_wrong_country_rate AS
SELECT 'wrong-country-rate' AS rule, order_ref, sku, supplier, raw_no AS document, excess AS minor, cur,
    'open' AS verdict, order_id
FROM bill_excesses WHERE fires AND elsewhere;

CREATE OR REPLACE TEMP VIEW rule_overcharged AS
SELECT 'overcharged' AS rule, e.order_ref, e.sku, e.supplier, e.raw_no AS document, e.excess AS minor,
    e.cur, CASE WHEN e.elsewhere THEN 'follows' ELSE 'open' END AS verdict, e.order_id
FROM bill_excesses e WHERE e.fires;

-- Every line that states a total: of a credit, too little given back is too much kept.
CREATE OR REPLACE TEMP VIEW stated_totals AS
SELECT i.*, coalesce(o.raw_key, trim(i.raw_ref)) AS order_ref, coalesce(k.raw_sku, i.raw_sku) AS sku,
    abs(abs(stated_minor) - abs(parts_minor)) AS gap,
    CASE WHEN i.credit THEN abs(parts_minor) - abs(stated_minor) ELSE stated_minor - parts_minor END
        AS too_much
FROM invoices i LEFT JOIN orders o USING (order_id)
LEFT JOIN (SELECT order_id, sku_key, min(raw_sku) AS raw_sku FROM lines GROUP BY ALL) k
    ON k.order_id = i.order_id AND k.sku_key = i.sku_key
WHERE stated_minor IS NOT NULL AND stated_minor <> parts_minor;

CREATE OR REPLACE TEMP VIEW rule_invoice_arithmetic AS
SELECT 'invoice-arithmetic' AS rule, order_ref, sku, supplier, raw_no AS document,
    CASE WHEN too_much > 0 THEN too_much END AS minor, cur, 'open' AS verdict, order_id
FROM stated_totals WHERE gap > 0 AND NOT tolerated(gap, abs(parts_minor), cur);

CREATE OR REPLACE TEMP VIEW rule_no_quote AS
SELECT 'no-quote' AS rule, o.raw_key AS order_ref, k.sku, k.supplier, k.raw_no AS document,
    CASE WHEN kept = qty THEN line_minor ELSE (2 * line_minor * kept + qty) // (2 * qty) END AS minor,
    k.cur, 'open' AS verdict
FROM kept_lines k JOIN orders o USING (order_id)
WHERE k.on_order AND k.kept > 0 AND k.supplier IN (SELECT supplier FROM quotes)
    AND NOT EXISTS (SELECT 1 FROM billed_quotes q WHERE q.is_own AND q.order_id = k.order_id
        AND q.supplier = k.supplier AND q.sku_key = k.sku_key);

CREATE OR REPLACE TEMP VIEW rule_not_ordered AS
SELECT 'not-ordered' AS rule, o.raw_key AS order_ref, k.raw_sku AS sku, k.supplier, k.raw_no AS document,
    CASE WHEN kept = qty THEN line_minor ELSE (2 * line_minor * kept + qty) // (2 * qty) END AS minor,
    k.cur, 'open' AS verdict, k.order_id
FROM kept_lines k JOIN orders o USING (order_id)
WHERE k.kept > 0 AND NOT EXISTS (SELECT 1 FROM lines l
    WHERE l.order_id = k.order_id AND l.sku_key = k.sku_key);

-- What passes line by line, by supplier, currency and month of the invoice.
CREATE OR REPLACE TEMP VIEW rule_small_differences AS
WITH small AS (
    SELECT supplier, cur, invoice_on, excess AS minor FROM bill_excesses WHERE excess > 0 AND NOT fires
    UNION ALL SELECT supplier, cur, invoice_on, too_much FROM stated_totals
    WHERE too_much > 0 AND tolerated(gap, abs(parts_minor), cur)
)
SELECT 'small-differences-add-up' AS rule, '' AS order_ref, supplier, sum(minor) AS minor, cur,
    'open' AS verdict
FROM small GROUP BY supplier, cur, date_trunc('month', invoice_on)
HAVING sum(minor) > rule_days('small-differences-add-up', 'limit', 10) * minor_in_one(cur);

-- Billed in another currency than quoted, or than paid: by the order's reference or the invoice's
-- number, allocated or not.
CREATE OR REPLACE TEMP VIEW rule_currency_differs AS
WITH billed AS (SELECT DISTINCT order_id, supplier, sku_key, cur FROM invoices WHERE order_id IS NOT NULL),
paid AS (
    SELECT order_id, supplier, cur FROM allocations WHERE status = 'settled'
    UNION SELECT o.order_id, m.supplier, m.cur FROM movements m JOIN payment_orders o USING (pid)
    WHERE m.status = 'settled'
    UNION SELECT b.order_id, m.supplier, m.cur FROM movements m JOIN payment_invoices i USING (pid)
    JOIN bill_parts b USING (supplier, invoice_key) WHERE m.status = 'settled' AND m.refs = 0
),
apart AS (
    SELECT b.order_id, b.supplier FROM billed b JOIN paid p USING (order_id, supplier)
    WHERE p.cur <> b.cur
    UNION SELECT b.order_id, b.supplier FROM billed b JOIN lines l USING (order_id, supplier, sku_key)
    JOIN quoted_lines q USING (line_id) WHERE q.cur <> b.cur
)
SELECT 'currency-differs' AS rule, o.raw_key AS order_ref, a.supplier, 'open' AS verdict
FROM apart a JOIN orders o USING (order_id);
