-- The statement of a calendar year, a line per amount in kg, tonnes and US tons (litres for throughput): what was poured, VOC,
-- exempt compounds, particulate, hazardous air pollutants all together, by class and by CAS number where the place shows them; and
-- beside each the thresholds of the place (rule_figures whose figure ends in _per_year; us above us-xy; a local place adds its own in
-- registers/rule_figures.csv). voc_in_any_12_months: the largest sum of twelve months that ends in the year. complete false: a
-- lower bound. Of a year under way: so far.
WITH months AS (
    SELECT shop_id, substr(month, 1, 4) AS year, month FROM shop_months
),
years AS (
    SELECT shop_id, year, count(*) AS n_months FROM months GROUP BY shop_id, year
),
showing AS (
    SELECT p.shop_id
    FROM emission_places AS p
    INNER JOIN packs AS k ON k.jurisdiction = p.jurisdiction AND strpos(k.sections, 'hap') > 0
),
gaps AS (
    SELECT DISTINCT shop_id, substr(month, 1, 4) AS year FROM hap_gaps
    UNION
    SELECT DISTINCT shop_id, substr(month, 1, 4) AS year FROM emission_gaps WHERE unread
),
amounts AS (
    SELECT shop_id, substr(month, 1, 4) AS year, 'throughput' AS line, NULL AS cas, NULL AS substance, sum(rts_kg) AS kg,
        CAST(NULL AS DOUBLE) AS kg_low, CAST(NULL AS DOUBLE) AS kg_high, sum(rts_l) AS litres, bool_and(complete) AS complete
    FROM emissions_monthly
    GROUP BY shop_id, substr(month, 1, 4)
    UNION ALL
    SELECT shop_id, substr(month, 1, 4) AS year, 'voc' AS line, NULL AS cas, NULL AS substance, sum(voc_kg) AS kg, NULL AS kg_low,
        NULL AS kg_high, NULL AS litres, bool_and(complete) AS complete
    FROM emissions_monthly
    GROUP BY shop_id, substr(month, 1, 4)
    UNION ALL
    SELECT shop_id, substr(month, 1, 4) AS year, 'exempt' AS line, NULL AS cas, NULL AS substance, sum(exempt_kg) AS kg,
        NULL AS kg_low, NULL AS kg_high, NULL AS litres, bool_and(complete) AS complete
    FROM emissions_monthly
    GROUP BY shop_id, substr(month, 1, 4)
    UNION ALL
    SELECT shop_id, substr(month, 1, 4) AS year, 'pm' AS line, NULL AS cas, NULL AS substance, sum(pm_kg) AS kg, sum(pm_kg_low) AS kg_low,
        sum(pm_kg_high) AS kg_high, NULL AS litres, bool_and(complete AND coalesce(not_split_solids_kg, 0) < 1e-9) AS complete
    FROM emissions_monthly
    GROUP BY shop_id, substr(month, 1, 4)
    UNION ALL
    SELECT shop_id, substr(month, 1, 4) AS year, 'voc_in_any_12_months' AS line, NULL AS cas, NULL AS substance, max(total) AS kg,
        NULL AS kg_low, NULL AS kg_high, NULL AS litres, bool_and(complete) AS complete
    FROM rolling_12_months
    WHERE measure = 'voc_kg'
    GROUP BY shop_id, substr(month, 1, 4)
    UNION ALL
    SELECT y.shop_id, y.year, 'all_hap' AS line, NULL AS cas, NULL AS substance,
        CASE WHEN count(h.kg) = 0 AND max(CASE WHEN g.year IS NOT NULL THEN 1 ELSE 0 END) = 1 THEN NULL ELSE coalesce(sum(h.kg), 0.0) END AS kg,
        coalesce(sum(h.kg_low), 0.0) AS kg_low, coalesce(sum(h.kg_high), 0.0) AS kg_high, NULL AS litres,
        coalesce(bool_and(h.complete), TRUE) AND max(CASE WHEN g.year IS NOT NULL THEN 1 ELSE 0 END) = 0 AS complete
    FROM years AS y
    INNER JOIN showing AS w ON w.shop_id = y.shop_id
    LEFT JOIN hap_monthly AS h ON h.shop_id = y.shop_id AND substr(h.month, 1, 4) = y.year AND NOT h.metal
    LEFT JOIN gaps AS g ON g.shop_id = y.shop_id AND g.year = y.year
    GROUP BY y.shop_id, y.year
    UNION ALL
    SELECT h.shop_id, substr(h.month, 1, 4) AS year, 'single_hap' AS line, h.cas, min(h.substance) AS substance, sum(h.kg) AS kg,
        sum(h.kg_low) AS kg_low, sum(h.kg_high) AS kg_high, NULL AS litres, bool_and(h.complete) AS complete
    FROM hap_monthly AS h
    INNER JOIN showing AS w ON w.shop_id = h.shop_id
    GROUP BY h.shop_id, substr(h.month, 1, 4), h.cas
    UNION ALL
    SELECT h.shop_id, substr(h.month, 1, 4) AS year, 'class_hap' AS line, NULL AS cas, s.class AS substance, sum(h.kg) AS kg,
        sum(h.kg_low) AS kg_low, sum(h.kg_high) AS kg_high, NULL AS litres, bool_and(h.complete) AS complete
    FROM hap_monthly AS h
    INNER JOIN showing AS w ON w.shop_id = h.shop_id
    INNER JOIN (SELECT DISTINCT cas, class FROM substance_status WHERE purpose = 'hap' AND class IS NOT NULL) AS s ON s.cas = h.cas
    GROUP BY h.shop_id, substr(h.month, 1, 4), s.class
),
candidates AS (
    SELECT
        p.shop_id,
        f.rule,
        replace(f.figure, '_per_year', '') AS line,
        f.value,
        f.unit,
        f.value * u.factor AS kg,
        f.source,
        row_number() OVER (PARTITION BY p.shop_id, f.rule, f.figure ORDER BY f.jurisdiction DESC) AS choice
    FROM emission_places AS p
    INNER JOIN rule_figures AS f
        ON strpos(concat(p.jurisdiction, '-'), concat(f.jurisdiction, '-')) = 1
        AND (f.figure LIKE '%_per_year' OR f.figure = 'voc_in_any_12_months')
    INNER JOIN unit_factors AS u ON u.unit = f.unit AND u.quantity = 'mass'
),
tons AS (
    SELECT max(factor) AS kg FROM unit_factors WHERE unit = 'ton_us'
)
SELECT
    a.shop_id,
    CAST(a.year AS INTEGER) AS year,
    a.line,
    a.cas,
    a.substance,
    t.rule,
    a.kg,
    a.kg_low,
    a.kg_high,
    a.kg / 1000 AS tonnes,
    a.kg / o.kg AS tons_us,
    a.litres,
    t.value AS threshold,
    t.unit,
    CASE WHEN t.kg > 0 THEN a.kg / t.kg END AS share_of_threshold,
    CASE WHEN a.kg > t.kg * (1 + 1e-9) THEN TRUE WHEN a.complete AND a.kg IS NOT NULL AND t.kg IS NOT NULL THEN a.kg >= t.kg * (1 - 1e-9) END
        AS reached,
    a.complete,
    y.n_months,
    t.source
FROM amounts AS a
CROSS JOIN tons AS o
LEFT JOIN years AS y ON y.shop_id = a.shop_id AND y.year = a.year
LEFT JOIN candidates AS t
    ON t.shop_id = a.shop_id AND t.choice = 1 AND (t.line = a.line OR (t.line = 'single_hap' AND a.line = 'class_hap' AND a.substance <> 'metal'))
ORDER BY a.shop_id, year, a.line, a.cas, a.substance, t.rule
