-- A second opinion on a shop's exports, in DuckDB SQL that shares no code with the project.
--
-- second_opinion.py fills these tables first, every cell still text and blank cells null:
--   raw_orders, raw_invoices, raw_payments, raw_shipments, raw_quotes, raw_sku_map, raw_rates
--       (src, file, row_no, content = the row's cells in one text, and the canonical columns)
--   source (src, record, covered_to, zone, prefixes, suffixes, separators)
--   supplier_name (name_key, supplier)
--   supplier_setting (supplier, terms, dispatch_days, delivery_days)
--   holiday (supplier, day)                 setting (rule, name, value)
--   lacks (record, name): columns that a file of the record does not bring
-- and the variables as_of, zone, home, tolerance_absolute, tolerance_percent.
--
-- The files run in the order of their names: vocabulary, accepted rows, references, lines, money,
-- payments, facts, rules by topic, findings. A new rule is one more view over the facts, and one
-- more line in the last file. Money is whole minor units in BIGINT and HUGEINT until the last
-- view; nothing is a DOUBLE.

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
CREATE OR REPLACE TEMP MACRO decimal_part(txt) AS split_part(txt, '.', 2);
CREATE OR REPLACE TEMP MACRO scaled(txt, places) AS try_cast(
    ltrim(split_part(txt, '.', 1), '+') || left(rpad(decimal_part(txt), places, '0'), places)
    AS BIGINT);
CREATE OR REPLACE TEMP MACRO money(txt, cur) AS CASE
    WHEN regexp_full_match(txt, '[+-]?[0-9]+(\.[0-9]+)?')
         AND (length(decimal_part(txt)) <= decimals_of(cur)
              OR length(decimal_part(txt)) <> 3
              AND length(rtrim(decimal_part(txt), '0')) <= decimals_of(cur))
    THEN scaled(txt, decimals_of(cur))::HUGEINT END;
-- Unit costs may be finer than the currency, down to millionths; in hundredths of those here.
CREATE OR REPLACE TEMP MACRO unit_price(txt) AS CASE
    WHEN regexp_full_match(txt, '[0-9]+(\.[0-9]{1,6}0*)?') THEN scaled(txt, 8)::HUGEINT END;
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

-- What a spreadsheet leaves of a long number.
CREATE OR REPLACE TEMP MACRO damaged(txt) AS
    regexp_full_match(trim(txt), '[0-9]([.,][0-9]+)?[eE]\+?[0-9]+');

-- "pending" is no tracking number.
CREATE OR REPLACE TEMP MACRO a_number(txt) AS
    CASE WHEN NOT regexp_full_match(lower(trim(txt)), 'tba|pending|[0 -]+') THEN txt END;

-- fold() comes from Python (NFKC, casefold) and is asked only where the text is not plain ASCII.
CREATE OR REPLACE TEMP MACRO folded(txt) AS CASE
    WHEN regexp_matches(txt, '[^\x00-\x7F]') THEN fold(txt) ELSE lower(trim(txt)) END;
-- Each text stands once in these: what a macro names twice is worked out twice.
CREATE OR REPLACE TEMP MACRO no_zeros(txt) AS regexp_replace(txt, '^0+([0-9]+)$', '\1');
CREATE OR REPLACE TEMP MACRO no_suffix(txt, suffixes) AS list_transform([txt], lambda t:
    left(t, length(t) - coalesce(length(list_filter(suffixes, lambda s: ends_with(t, s))[1]), 0)))[1];
CREATE OR REPLACE TEMP MACRO no_prefix(txt, prefixes) AS list_transform([txt], lambda t:
    substr(t, 1 + coalesce(length(list_filter(prefixes, lambda p: starts_with(t, p))[1]), 0)))[1];
CREATE OR REPLACE TEMP MACRO clean(txt, prefixes, suffixes) AS no_zeros(regexp_replace(no_suffix(
    ltrim(no_prefix(ltrim(folded(txt), '#'), prefixes), '#'), suffixes), '\.0$', ''));
CREATE OR REPLACE TEMP MACRO is_replacement(txt, suffixes) AS list_transform([folded(txt)],
    lambda t: len(list_filter(coalesce(suffixes, []), lambda s: ends_with(t, s))) > 0)[1];

CREATE OR REPLACE TEMP VIEW supplier_alias AS
SELECT txt, coalesce(any_value(n.supplier), txt) AS supplier
FROM (SELECT supplier AS txt FROM raw_orders UNION SELECT supplier FROM raw_invoices
      UNION SELECT supplier FROM raw_payments UNION SELECT supplier FROM raw_shipments
      UNION SELECT supplier FROM raw_quotes UNION SELECT supplier FROM raw_sku_map)
LEFT JOIN supplier_name n ON n.name_key = folded(txt)
WHERE txt IS NOT NULL GROUP BY txt;
