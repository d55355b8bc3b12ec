-- Payments to supplier orders: by reference, by invoice, by the parts of an invoice.

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
    -- What an unknown order is due is nothing that anybody here can judge.
    WHERE take.n = 0 OR b.order_id IS NOT NULL
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
