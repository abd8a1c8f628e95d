-- Each category that a cup's product serves in the shop's jurisdiction, with the limit on the day of its first pour and the cup's
-- content by that category's own denominator:
--   regulatory        VOC / (V - V_water - V_exempt)      eu      VOC / (V - V_water)      eu_whole_volume    VOC / V      g/L
-- rules: of several categories the one whose limit the cup takes most of (40 CFR 59.102(b): the most restrictive); where the content
-- is not known the lowest limit; one without a limit only where none has one; ties by the lower limit and the name.
WITH candidates AS (
    SELECT
        m.shop_id,
        m.mix_id,
        p.jurisdiction,
        c.category,
        l.label,
        l.limit_g_per_l,
        coalesce(l.basis, p.basis) AS basis,
        l.source AS limit_source,
        l.read AS limit_read,
        CASE
            WHEN coalesce(l.basis, p.basis) = 'eu_whole_volume' THEN CASE WHEN t.ml > 0 THEN 1000 * t.content_voc / t.ml END
            WHEN t.limited_ml > 0 THEN 1000 * t.content_voc / t.limited_ml
        END AS g_per_l,
        p.basis = 'eu' AND t.eu_substituted AS eu_substituted
    FROM mixes AS m
    INNER JOIN emission_places AS p ON p.shop_id = m.shop_id
    INNER JOIN product_categories AS c ON c.product_id = m.product_id AND c.jurisdiction = p.jurisdiction
    LEFT JOIN voc_limits AS l
        ON l.jurisdiction = p.jurisdiction AND l.category = c.category
        AND CAST(m.first_poured_at AS DATE) >= coalesce(l.valid_from, DATE '0001-01-01')
        AND CAST(m.first_poured_at AS DATE) < coalesce(l.valid_to, DATE '9999-12-31')
    LEFT JOIN cup_contents_placed AS t ON t.shop_id = m.shop_id AND t.mix_id = m.mix_id
),
ranked AS (
    SELECT
        *,
        count(*) OVER (PARTITION BY shop_id, mix_id) AS n_categories,
        row_number() OVER (
            PARTITION BY shop_id, mix_id
            ORDER BY
                CASE WHEN limit_g_per_l IS NULL THEN 1 ELSE 0 END,
                coalesce(g_per_l / limit_g_per_l, -1) DESC,
                limit_g_per_l, category
        ) AS choice
    FROM candidates
)
SELECT
    *,
    choice = 1 AS rules
FROM ranked
ORDER BY shop_id, mix_id, category
