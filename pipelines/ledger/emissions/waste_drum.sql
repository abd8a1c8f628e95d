-- The drum of each shop, month by month and stream by stream, kg: what went in (drum_inputs), what documents show shipped
-- (emission_waste, at most what was there), what stays; unexplained: shipped beyond what the drum held. Months: those of the
-- shop's records, and others in which something went in or out. credit_voc_kg: VOC taken off the month's emissions.
WITH movements AS (
    SELECT shop_id, month, stream, mass_g AS in_g, 0.0 AS shipped_g, 0.0 AS unexplained_g, 0.0 AS credit_g FROM drum_inputs
    UNION ALL
    SELECT shop_id, month, 'solvent' AS stream, 0.0 AS in_g, solvent_g AS shipped_g, 0.0 AS unexplained_g, 0.0 AS credit_g
    FROM emission_waste
    UNION ALL
    SELECT shop_id, month, 'coating' AS stream, 0.0 AS in_g, coating_g AS shipped_g, unexplained_g, credit_g
    FROM emission_waste
),
months AS (
    SELECT shop_id, month FROM movements
    UNION
    SELECT m.shop_id, m.month
    FROM shop_months AS m
    INNER JOIN (SELECT DISTINCT shop_id FROM movements) AS d ON d.shop_id = m.shop_id
),
grid AS (
    SELECT m.shop_id, m.month, s.stream
    FROM months AS m
    CROSS JOIN (VALUES ('coating'), ('solvent')) AS s (stream)
),
papers AS (
    SELECT shop_id, month, 'solvent' AS stream, document_ref FROM emission_waste WHERE solvent_g > 0 AND document_ref IS NOT NULL
    UNION
    SELECT shop_id, month, 'coating' AS stream, document_ref
    FROM emission_waste
    WHERE coating_g + unexplained_g > 0 AND document_ref IS NOT NULL
),
named AS (
    SELECT shop_id, month, stream, array_to_string(list_sort(list(DISTINCT document_ref)), '; ') AS document_ref
    FROM papers
    GROUP BY shop_id, month, stream
),
summed AS (
    SELECT
        g.shop_id,
        g.month,
        g.stream,
        coalesce(sum(v.in_g), 0.0) AS in_g,
        coalesce(sum(v.shipped_g), 0.0) AS shipped_g,
        coalesce(sum(v.unexplained_g), 0.0) AS unexplained_g,
        coalesce(sum(v.credit_g), 0.0) AS credit_g
    FROM grid AS g
    LEFT JOIN movements AS v ON v.shop_id = g.shop_id AND v.month = g.month AND v.stream = g.stream
    GROUP BY g.shop_id, g.month, g.stream
),
running AS (
    SELECT
        *,
        sum(in_g - shipped_g) OVER (
            PARTITION BY shop_id, stream ORDER BY month ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS closing_g
    FROM summed
)
SELECT
    r.shop_id,
    r.month,
    r.stream,
    greatest(0, r.closing_g - r.in_g + r.shipped_g) / 1000 AS opening_kg,
    r.in_g / 1000 AS in_kg,
    r.shipped_g / 1000 AS shipped_kg,
    n.document_ref,
    r.unexplained_g / 1000 AS unexplained_kg,
    greatest(0, r.closing_g) / 1000 AS closing_kg,
    r.in_g / 1000 AS generated_kg,
    r.credit_g / 1000 AS credit_voc_kg
FROM running AS r
LEFT JOIN named AS n ON n.shop_id = r.shop_id AND n.month = r.month AND n.stream = r.stream
ORDER BY r.shop_id, r.month, r.stream
