-- Parcels of order lines, and the numbers on them.

-- A number is compared without blanks and hyphens; a cell may give several.
CREATE OR REPLACE TEMP MACRO numbers_in(txt) AS list_filter(list_transform(
    regexp_split_to_array(upper(txt), '[,;|]'), lambda n: regexp_replace(n, '[\s-]', '', 'g')),
    lambda n: n <> '');
-- UPU S10: two letters, eight digits and a check digit, two letters. Weights 8 6 4 2 3 5 9 7; the
-- check digit is 11 less the sum modulo 11, where 10 becomes 0 and 11 becomes 5.
CREATE OR REPLACE TEMP MACRO s10_sum(n) AS
    list_sum(list_transform([8, 6, 4, 2, 3, 5, 9, 7],
             lambda w, i: w * substr(n, 2 + i::INTEGER, 1)::INTEGER));
CREATE OR REPLACE TEMP MACRO s10_wrong(n) AS CASE
    WHEN regexp_full_match(n, '[A-Z]{2}[0-9]{9}[A-Z]{2}')
    THEN CASE 11 - s10_sum(n) % 11 WHEN 10 THEN 0 WHEN 11 THEN 5 ELSE 11 - s10_sum(n) % 11 END
         <> substr(n, 11, 1)::INTEGER ELSE false END;
-- GS1 SSCC: 00 and eighteen digits, weighed 3 and 1 in turn from the left; all of them with the
-- check digit make a multiple of 10.
CREATE OR REPLACE TEMP MACRO sscc_wrong(n) AS CASE
    WHEN regexp_full_match(n, '(00|\(00\))[0-9]{18}')
    THEN list_sum(list_transform(range(18), lambda i:
        CASE WHEN i % 2 = 0 THEN 3 ELSE 1 END * substr(right(n, 18), 1 + i::INTEGER, 1)::INTEGER))
        % 10 <> 0 ELSE false END;
CREATE OR REPLACE TEMP MACRO cannot_be(txt) AS damaged(txt) OR coalesce(len(list_filter(
    numbers_in(txt), lambda n: s10_wrong(n) OR sscc_wrong(n))) > 0, false);

-- A parcel that names no SKU carries every line of the order at that supplier.
CREATE OR REPLACE TEMP TABLE line_parcels AS
SELECT l.line_id, h.hid, h.replacement, h.shipped_on, h.delivered_on, h.tracking_no
FROM lines l JOIN shipments h USING (order_id, supplier, sku_key)
UNION ALL
SELECT l.line_id, h.hid, h.replacement, h.shipped_on, h.delivered_on, h.tracking_no
FROM lines l JOIN shipments h USING (order_id, supplier) WHERE h.sku_key IS NULL;

-- Of each line that was sent: when, when it arrived, and how many days that should take.
CREATE OR REPLACE TEMP TABLE journeys AS
WITH sent AS (
    SELECT line_id, count(*) FILTER (NOT replacement) AS parcels,
        count(delivered_on) FILTER (NOT replacement) AS there,
        max(shipped_on) FILTER (NOT replacement) AS last_on,
        max(delivered_on) FILTER (NOT replacement) AS arrived_on,
        count(*) FILTER (replacement) AS again, count(delivered_on) FILTER (replacement) AS again_there,
        max(shipped_on) FILTER (replacement) AS again_on
    FROM line_parcels GROUP BY line_id
)
SELECT l.*, coalesce(q.delivery_days, c.delivery_days, 15)::INTEGER AS takes, s.parcels,
    s.there = s.parcels OR s.again > 0 AND s.again = s.again_there AS arrived,
    CASE WHEN s.there = s.parcels THEN s.arrived_on END AS all_arrived_on,
    coalesce(l.promised_on, s.last_on + takes) AS promise_on,
    -- A replacement is on its way: not before its own days are over.
    CASE WHEN s.again > 0 THEN greatest(promise_on, s.again_on + takes) ELSE promise_on END AS due_on
FROM order_lines l JOIN sent s USING (line_id) LEFT JOIN quoted_lines q USING (line_id)
LEFT JOIN supplier_setting c USING (supplier)
WHERE s.parcels > 0 AND l.shipped > 0;
