-- VOC content of a month by category, weighted by the volumes used (component pours; of cleaners, where the average is judged,
-- what was handed out), with hardeners and reducers in:
--   regulatory   sum VOC g / sum (V - V_water - V_exempt)            eu   sum VOC g / sum (V - V_water)        g/L
-- Quebec Q-2, r. 4.1, s. 38 judges this average (judged; over is null where it cannot be told); elsewhere it is for information.
-- limit: that of the
-- category on the month's last cup.
WITH cups AS (
    SELECT
        c.shop_id,
        c.month,
        c.category,
        c.jurisdiction,
        c.averaging,
        c.basis,
        c.own_poured_g,
        c.complete AND NOT coalesce(u.unread, FALSE) AS complete,
        c.content_voc_mass_fraction * c.own_poured_g AS voc_g,
        c.limited_ml_per_g * c.own_poured_g AS limited_ml,
        row_number() OVER (
            PARTITION BY c.shop_id, c.month, c.category ORDER BY c.first_poured_at DESC, c.mix_id
        ) AS back,
        c.limit_g_per_l,
        c.limit_source
    FROM emission_cups AS c
    LEFT JOIN emission_gaps AS u ON u.shop_id = c.shop_id AND u.month = c.month
    WHERE c.category IS NOT NULL
    UNION ALL
    SELECT
        c.shop_id,
        c.month,
        c.category,
        c.jurisdiction,
        c.averaging,
        c.basis,
        c.mass_g AS own_poured_g,
        NOT coalesce(u.unread, FALSE) AS complete,
        c.voc_mass_fraction * c.mass_g AS voc_g,
        c.limited_ml_per_g * c.mass_g AS limited_ml,
        row_number() OVER (PARTITION BY c.shop_id, c.month, c.category ORDER BY c.on_date DESC, c.number, c.kind) AS back,
        c.limit_g_per_l,
        c.source AS limit_source
    FROM cleaner_contents AS c
    LEFT JOIN emission_gaps AS u ON u.shop_id = c.shop_id AND u.month = c.month
    WHERE c.averaging = 'monthly_weighted'
)
SELECT
    shop_id,
    month,
    category,
    min(jurisdiction) AS jurisdiction,
    min(basis) AS basis,
    count(*) AS n_cups,
    sum(limited_ml) / 1000 AS limited_l,
    CASE
        WHEN count(voc_g) = count(*) AND count(limited_ml) = count(*) AND sum(limited_ml) > 0
            THEN 1000 * sum(voc_g) / sum(limited_ml)
    END AS g_per_l,
    max(CASE WHEN back = 1 THEN limit_g_per_l END) AS limit_g_per_l,
    CASE
        WHEN min(averaging) = 'monthly_weighted' AND bool_and(complete) AND count(voc_g) = count(*)
            AND count(limited_ml) = count(*) AND sum(limited_ml) > 0
            THEN 1000 * sum(voc_g) / sum(limited_ml) > max(CASE WHEN back = 1 THEN limit_g_per_l END)
    END AS over,
    bool_and(complete) AS complete,
    max(CASE WHEN back = 1 THEN limit_source END) AS source,
    min(averaging) = 'monthly_weighted' AND max(CASE WHEN back = 1 THEN limit_g_per_l END) IS NOT NULL AS judged
FROM cups
GROUP BY shop_id, month, category
ORDER BY shop_id, month, category
