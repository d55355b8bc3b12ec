-- Dates: business days of a supplier, verdicts, tolerance.

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
