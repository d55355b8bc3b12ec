-- Every rule's view has rule, order_ref, supplier and verdict, and of sku, document, minor and cur
-- those that it knows.
CREATE OR REPLACE TEMP VIEW findings AS
SELECT rule, verdict, order_ref, coalesce(sku, '') AS sku, supplier,
    CASE WHEN minor IS NOT NULL THEN major(minor, cur) END AS amount,
    CASE WHEN minor IS NOT NULL THEN coalesce(cur, '') ELSE '' END AS currency,
    coalesce(document, '') AS document
FROM (
    SELECT * FROM rule_unpaid
    UNION ALL BY NAME SELECT * FROM rule_part_paid
    UNION ALL BY NAME SELECT * FROM rule_double_paid
    UNION ALL BY NAME SELECT * FROM rule_overpaid
    UNION ALL BY NAME SELECT * FROM rule_refunded_but_paid
    UNION ALL BY NAME SELECT * FROM rule_unfunded
    UNION ALL BY NAME SELECT * FROM rule_billed_twice
    UNION ALL BY NAME SELECT * FROM rule_unfulfilled
    UNION ALL BY NAME SELECT * FROM rule_short_shipped
    UNION ALL BY NAME SELECT * FROM rule_tracking_not_posted
    UNION ALL BY NAME SELECT * FROM rule_missing_tracking
    UNION ALL BY NAME SELECT * FROM rule_tracking_invalid
    UNION ALL BY NAME SELECT * FROM rule_tracking_reused
    UNION ALL BY NAME SELECT * FROM rule_tracking_mismatch
    UNION ALL BY NAME SELECT * FROM rule_lost
    UNION ALL BY NAME SELECT * FROM rule_late_delivery
    UNION ALL BY NAME SELECT * FROM rule_delivered_late
    UNION ALL BY NAME SELECT * FROM rule_over_shipped
    UNION ALL BY NAME SELECT * FROM rule_posted_not_shipped
    UNION ALL BY NAME SELECT * FROM rule_sent_after_cancel
    UNION ALL BY NAME SELECT * FROM rule_wrong_country_rate
    UNION ALL BY NAME SELECT * FROM rule_overcharged
    UNION ALL BY NAME SELECT * FROM rule_invoice_arithmetic
    UNION ALL BY NAME SELECT * FROM rule_no_quote
    UNION ALL BY NAME SELECT * FROM rule_not_ordered
    UNION ALL BY NAME SELECT * FROM rule_small_differences
    UNION ALL BY NAME SELECT * FROM rule_currency_differs
    UNION ALL BY NAME SELECT * FROM rule_customer_overpaid
    UNION ALL BY NAME SELECT * FROM rule_customer_underpaid
    UNION ALL BY NAME SELECT * FROM rule_sold_at_loss
    UNION ALL BY NAME SELECT * FROM rule_unknown_order)
ORDER BY ALL;
