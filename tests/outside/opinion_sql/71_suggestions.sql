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
